"""The plain forms of a diagnosis with its advice, and of a repair."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.consultation.advice import Advice, CheckAdvice, Quote
from faultfinder.consultation.next_check import RankedCheck
from faultfinder.decide.belief import Tried
from faultfinder.model.parts import FaultModel, Move, Price, Proof, Repair
from faultfinder.plain import (
    BITS,
    COUNT,
    FLAG,
    MINUTES,
    MONEY,
    NUMBER,
    OR_NULL,
    PROBABILITY,
    TEXT,
    WORD,
    WORDS,
    Form,
    Key,
)
from faultfinder.report.consultation.view import View


class Asked(NamedTuple):
    """A diagnosis, and the check whose rank is to be explained, if any."""

    view: View
    why: RankedCheck | None = None


class Chosen(NamedTuple):
    """A repair of a model, in the shop's currency."""

    model: FaultModel
    repair: Repair
    currency: str


QUOTE = Form[Quote](
    "What to tell the customer",
    Key("low", MONEY, "a tenth of such jobs cost less"),
    Key("likely", MONEY, "half of them cost less"),
    Key("high", MONEY, "nine tenths of them cost less"),
    Key("probability_dearer", PROBABILITY, "of more than high", lambda q: q.exceeds),
    Key("probability_handed_over", PROBABILITY, "of no repair", lambda q: q.given_up),
    Key("dear_parts_for_nothing", NUMBER, "a job, on average", lambda q: q.dear_for_nothing),
)

CHECK_ADVICE = Form[CheckAdvice](
    "A check weighed by the whole job",
    Key("check", WORD, "its name"),
    Key("cost", MONEY, "of the check and the way to it"),
    Key("expected_cost", MONEY, "of the whole job with this check first"),
    Key("saves", MONEY, "against repairing at once, with the checks after it"),
    Key("saves_alone", MONEY, "the same without checks after it"),
    Key("then", WORD + OR_NULL, "the check most often after it", lambda c: c.then or None),
)

ADVICE = Form[Advice](
    "Repair, check on or hand over",
    Key("kind", WORD, "check, repair or hand over"),
    Key("name", WORD + OR_NULL, "the check or repair", lambda a: a.name or None),
    Key("expected_cost", MONEY, "of the whole job so", lambda a: a.cost),
    Key("expected_cost_repairing_now", MONEY, "without any check", lambda a: a.cost_repairing),
    Key("saves", MONEY, "the difference"),
    Key("repair_order", WORDS, "repairs without a check between", lambda a: a.order),
    Key("quote", "object", "what to tell the customer", form=QUOTE),
    Key("checks", "list of objects", "those looked at, by expected cost", form=CHECK_ADVICE),
    Key(
        "neglected_probability",
        PROBABILITY,
        "of combinations of faults left out",
        lambda a: a.neglected,
    ),
)

CAUSE = Form[tuple[str, View]](
    "A cause",
    Key("cause", WORD, "its name", lambda c: c[0]),
    Key("title", TEXT, "in words", lambda c: c[1].cause(c[0])),
    Key("probability", PROBABILITY, "of any faulty state", lambda c: c[1].diagnosis.causes[c[0]]),
    Key(
        "states",
        "number from 0 to 1 for each state",
        "the probability of each of its states",
        lambda c: c[1].diagnosis.cause_states[c[0]],
    ),
)

CHECK = Form[tuple[RankedCheck, View]](
    "An open check",
    Key("check", WORD, "its name", lambda c: c[0].check),
    Key("title", TEXT, "in words", lambda c: c[1].check(c[0]).title),
    Key("gain_bits", BITS, "expected about the target", lambda c: c[0].gain_bits),
    Key("minutes", MINUTES, "of the check and the way to it", lambda c: c[0].minutes),
    Key("cost", MONEY, "of these and of what is used up", lambda c: c[0].cost),
    Key(
        "gain_per_cost",
        NUMBER + OR_NULL,
        "bits for each unit of money; null when it costs nothing",
        lambda c: c[0].gain_per_cost,
    ),
    Key("worth", FLAG, "whether it is worth its cost", lambda c: bool(c[0].worth)),
    Key(
        "outcomes",
        "number from 0 to 1 for each result",
        "how likely each is",
        lambda c: c[0].outcomes,
    ),
    Key("stage", WORD, "the teardown stage it needs", lambda c: c[1].check(c[0]).stage),
)

TRIED = Form[Tried](
    "A repair that did not cure",
    Key("repair", WORD, "its name"),
    Key("findings", "word for each finding", "what was found since"),
)

MOVE = Form[Move](
    "A move between stages",
    Key("from", WORD, "stage", lambda m: m.start),
    Key("to", WORD, "stage", lambda m: m.end),
    Key("minutes", MINUTES, "it takes"),
)

RESULT = Form[tuple[RankedCheck, str, dict[str, float]]](
    "What a result would do",
    Key("result", TEXT, "a result, or finding=result for each", lambda r: r[1]),
    Key("probability", PROBABILITY, "of it", lambda r: r[0].outcomes[r[1]]),
    Key("causes", "number from 0 to 1 for each cause", "probabilities after it", lambda r: r[2]),
)

WHY = Form[tuple[RankedCheck, View]](
    "Why a check has its rank",
    Key("check", WORD, "its name", lambda c: c[0].check),
    Key("rank", COUNT, "from 1", lambda c: c[1].diagnosis.checks.index(c[0]) + 1),
    Key("own_minutes", MINUTES, "without the way", lambda c: c[1].check(c[0]).minutes),
    Key("consumables", MONEY, "used up by it", lambda c: c[1].check(c[0]).consumables),
    Key("way", "list of objects", "moves to its stage", lambda c: c[0].route.moves, MOVE),
    Key(
        "results",
        "list of objects",
        "what each result would do",
        lambda c: [(c[0], label, dict(causes)) for label, causes in c[1].after.items()],
        RESULT,
    ),
)


def _open_checks(asked: Asked) -> list[tuple[RankedCheck, View]]:
    found = asked.view.diagnosis
    return [] if found.stop else [(ranked, asked.view) for ranked in found.checks]


NEXT = Form[Asked](
    "Likely causes and the next check; nothing is offered while a safety rule stands",
    Key("model", WORD, "its name", lambda a: a.view.model.name),
    Key("stage", WORD, "the teardown stage now", lambda a: a.view.diagnosis.stage),
    Key("target", TEXT, "what the gain is about", lambda a: a.view.diagnosis.target),
    Key("findings", "word for each finding", "what is known", lambda a: a.view.diagnosis.findings),
    Key("unclear", WORDS, "what could not be told", lambda a: a.view.diagnosis.unclear),
    Key(
        "evidence_probability",
        PROBABILITY,
        "of what is known, before it was known",
        lambda a: a.view.diagnosis.evidence_probability,
    ),
    Key(
        "causes",
        "list of objects",
        "the most likely first",
        lambda a: [(name, a.view) for name in a.view.diagnosis.causes],
        CAUSE,
    ),
    Key("checks", "list of objects", "the best first", _open_checks, CHECK),
    Key(
        "next",
        WORD + OR_NULL,
        "the check to make; null when none is worth its cost",
        lambda a: a.view.diagnosis.next and a.view.diagnosis.next.check,
    ),
    Key("warnings", "list of texts", "what to mind", lambda a: a.view.diagnosis.warnings),
    Key(
        "stop",
        TEXT + OR_NULL,
        "the safety rule that ends the diagnosis",
        lambda a: a.view.diagnosis.stop or None,
    ),
    Key("tried", "list of objects", "repairs in order", lambda a: a.view.tried, TRIED),
    Key("advice", "object or null", "in money", lambda a: a.view.advice, ADVICE),
    Key("currency", WORD, "of all money", lambda a: a.view.shop.currency),
    Key(
        "why",
        "object",
        "only with --why: that check's rank",
        lambda a: a.why and (a.why, a.view),
        WHY,
        when=lambda a: a.why is not None and not a.view.diagnosis.stop,
    ),
)

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
