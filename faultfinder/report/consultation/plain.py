"""The plain form of a repair."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.model.parts import FaultModel, Price, Proof, Repair
from faultfinder.plain import Form, Key, within


class Chosen(NamedTuple):
    """A repair of a model, in the shop's currency."""

    model: FaultModel
    repair: Repair
    currency: str


PROOF = Form[Proof](
    "A test that proves a repair",
    Key("proof", "word", "its name", lambda p: p.name),
    Key("title", "text", "in words"),
    Key("how", "list of texts", "what to do, in order"),
    Key("passes", "text", "what is seen when it passes"),
    Key("minutes", "minutes", "it takes"),
    Key("before_cover", "true or false", "made before the cover goes back on"),
)

PRICE = Form[Price](
    "What a part costs",
    Key("low", "money", "the least"),
    Key("likely", "money", "the likeliest"),
    Key("high", "money", "the most"),
)

REPAIR = Form[Chosen](
    "A repair and its proof tests",
    *within(
        lambda chosen: chosen.repair,
        Key("repair", "word", "its name", lambda repair: repair.name),
        Key("title", "text", "in words"),
        Key("mends", "probability for each cause and state", "how surely it mends it"),
        Key("stage", "word", "the teardown stage it needs"),
        Key("minutes", "minutes", "of the work itself"),
        Key("part", "object", "what the part costs", form=PRICE),
        Key("lead_days", "days", "until the part comes"),
        Key("hand_over", "true or false", "a specialist does it"),
        Key("how", "list of texts", "what to do, in order"),
        Key("caution", "text", "what to take care of"),
    ),
    Key("currency", "word", "of all money"),
    Key(
        "proof",
        "objects",
        "tests that prove it",
        lambda c: [proof for proof in c.model.proofs if proof.name in c.repair.proof],
        PROOF,
    ),
)
