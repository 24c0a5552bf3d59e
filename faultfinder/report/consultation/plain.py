"""The plain form of a repair."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.model.parts import FaultModel, Price, Proof, Repair
from faultfinder.plain import FLAG, MINUTES, MONEY, TEXT, WORD, Form, Key


class Chosen(NamedTuple):
    """A repair of a model, in the shop's currency."""

    model: FaultModel
    repair: Repair
    currency: str


PROOF = Form[Proof](
    "A test that proves a repair",
    Key("proof", WORD, "its name", lambda p: p.name),
    Key("title", TEXT, "in words"),
    Key("how", "list of texts", "what to do, in order"),
    Key("passes", TEXT, "what is seen when it passes"),
    Key("minutes", MINUTES, "it takes"),
    Key("before_cover", FLAG, "made before the cover goes back on"),
)

PRICE = Form[Price](
    "What a part costs",
    Key("low", MONEY, "the least"),
    Key("likely", MONEY, "the likeliest"),
    Key("high", MONEY, "the most"),
)

REPAIR = Form[Chosen](
    "A repair and its proof tests",
    Key("repair", WORD, "its name", lambda c: c.repair.name),
    Key("title", TEXT, "in words", lambda c: c.repair.title),
    Key(
        "mends",
        "number from 0 to 1 for each cause and state",
        "how surely it mends each faulty state",
        lambda c: c.repair.mends,
    ),
    Key("stage", WORD, "the teardown stage it needs", lambda c: c.repair.stage),
    Key("minutes", MINUTES, "of the work itself", lambda c: c.repair.minutes),
    Key("part", "object", "what the part costs", lambda c: c.repair.part, PRICE),
    Key("currency", WORD, "of all money"),
    Key("lead_days", "number, days", "until the part comes", lambda c: c.repair.lead_days),
    Key("hand_over", FLAG, "a specialist does it", lambda c: c.repair.hand_over),
    Key("how", "list of texts", "what to do, in order", lambda c: c.repair.how),
    Key("caution", TEXT, "what to take care of", lambda c: c.repair.caution),
    Key(
        "proof",
        "list of objects",
        "tests that prove it",
        lambda c: [proof for proof in c.model.proofs if proof.name in c.repair.proof],
        PROOF,
    ),
)
