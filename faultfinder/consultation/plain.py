"""The documented plain form of a consultation: what `faultfinder next --json` prints.

Changed from forms without a number: `form`, `change`, `saves`, `next_step` and `cautions`
are new; `next` is null whenever `advice` says repair or hand over, also where a question for
the counter was worth asking.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from faultfinder.consultation.advice import Advice, CheckAdvice
from faultfinder.consultation.consult import Consultation, NextStep
from faultfinder.consultation.quote import Quote
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.decide.belief import Tried
from faultfinder.model.parts import Check, Move
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


class Asked(NamedTuple):
    """A consultation, and the check whose rank is to be explained, if any."""

    told: Consultation
    why: str | None = None


class Open(NamedTuple):
    """An open check of a consultation."""

    told: Consultation
    ranked: RankedCheck

    @property
    def itself(self) -> Check:
        return self.told.case.model.model.checks_by_name[self.ranked.check]


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

ADVICE = Form[tuple[Advice, Quote | None]](
    "Repair, check on or hand over",
    Key("kind", WORD, "check, repair or hand over", lambda a: a[0].kind),
    Key("name", WORD + OR_NULL, "the check or repair", lambda a: a[0].name or None),
    Key("expected_cost", MONEY, "of the whole job so", lambda a: a[0].cost),
    Key("expected_cost_repairing_now", MONEY, "without any check", lambda a: a[0].cost_repairing),
    Key("saves", MONEY, "the difference", lambda a: a[0].saves),
    Key("repair_order", WORDS, "repairs without a check between", lambda a: a[0].order),
    Key("quote", "object or null", "what to tell the customer", lambda a: a[1], QUOTE),
    Key(
        "checks",
        "list of objects",
        "those looked at, by expected cost",
        lambda a: a[0].checks,
        CHECK_ADVICE,
    ),
    Key(
        "neglected_probability",
        PROBABILITY,
        "of combinations of faults left out",
        lambda a: a[0].neglected,
    ),
)

CAUSE = Form[tuple[str, Consultation]](
    "A cause",
    Key("cause", WORD, "its name", lambda c: c[0]),
    Key("title", TEXT, "in words", lambda c: c[1].case.model.model.by_name[c[0]].title),
    Key("probability", PROBABILITY, "of any faulty state", lambda c: c[1].causes[c[0]]),
    Key(
        "change",
        NUMBER + OR_NULL,
        "of the probability, by what came last; null when nothing did",
        lambda c: c[1].change.get(c[0]),
    ),
    Key(
        "states",
        "number from 0 to 1 for each state",
        "the probability of each of its states",
        lambda c: c[1].cause_states[c[0]],
    ),
)

CHECK = Form[Open](
    "An open check",
    Key("check", WORD, "its name", lambda c: c.ranked.check),
    Key("title", TEXT, "in words", lambda c: c.itself.title),
    Key("gain_bits", BITS, "expected about the target", lambda c: c.ranked.gain_bits),
    Key("minutes", MINUTES, "of the check and the way to it", lambda c: c.ranked.minutes),
    Key("cost", MONEY, "of these and of what is used up", lambda c: c.ranked.cost),
    Key(
        "gain_per_cost",
        NUMBER + OR_NULL,
        "bits for each unit of money; null when it costs nothing",
        lambda c: c.ranked.gain_per_cost,
    ),
    Key("worth", FLAG, "whether it is worth its cost", lambda c: bool(c.ranked.worth)),
    Key(
        "saves",
        MONEY + OR_NULL,
        "on the whole job; null where that was not weighed",
        lambda c: c.ranked.saves,
    ),
    Key(
        "outcomes",
        "number from 0 to 1 for each result",
        "how likely it is",
        lambda c: c.ranked.outcomes,
    ),
    Key("stage", WORD, "the teardown stage it needs", lambda c: c.itself.stage),
)

STEP = Form[NextStep](
    "The next step",
    Key("kind", WORD, "check, repair or hand over"),
    Key("name", WORD + OR_NULL, "the check or repair", lambda s: s.name or None),
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

WHY = Form[Open](
    "Why a check has its rank",
    Key("check", WORD, "its name", lambda c: c.ranked.check),
    Key("rank", COUNT, "from 1", lambda c: c.told.order.index(c.ranked) + 1),
    Key("own_minutes", MINUTES, "without the way", lambda c: c.itself.minutes),
    Key("consumables", MONEY, "used up by it", lambda c: c.itself.consumables),
    Key("way", "list of objects", "moves to its stage", lambda c: c.ranked.route.moves, MOVE),
    Key(
        "results",
        "list of objects",
        "what each result would do",
        lambda c: [
            (c.ranked, label, dict(causes))
            for label, causes in c.told.after(c.ranked.check).items()
        ],
        RESULT,
    ),
)


def _open_checks(asked: Asked) -> list[Open]:
    told = asked.told
    return [] if told.stop else [Open(told, ranked) for ranked in told.order]


NEXT = Form[Asked](
    "Likely causes and the next step; nothing is offered while a safety rule stands",
    Key("form", COUNT, "the version of this form", lambda _: 1),
    Key("model", WORD, "its name", lambda a: a.told.case.model.model.name),
    Key("stage", WORD, "the teardown stage now", lambda a: a.told.stage),
    Key("target", TEXT, "what the gain is about", lambda a: a.told.aim.title),
    Key("findings", "word for each finding", "what is known", lambda a: a.told.case.findings),
    Key("unclear", WORDS, "what could not be told", lambda a: a.told.case.unclear),
    Key(
        "evidence_probability",
        PROBABILITY,
        "of what is known, before it was known",
        lambda a: a.told.evidence_probability,
    ),
    Key(
        "causes",
        "list of objects",
        "the most likely first",
        lambda a: [(name, a.told) for name in a.told.causes],
        CAUSE,
    ),
    Key("checks", "list of objects", "all that are open, the best first", _open_checks, CHECK),
    Key(
        "next",
        WORD + OR_NULL,
        "the check to make now; null when it is time to repair or hand over",
        lambda a: a.told.next and a.told.next.check,
    ),
    Key(
        "next_step",
        "object or null",
        "what to do now; null after a stop",
        lambda a: a.told.next_step,
        STEP,
    ),
    Key("warnings", "list of texts", "how well the findings fit", lambda a: a.told.warnings),
    Key(
        "stop",
        TEXT + OR_NULL,
        "the safety rule that ends the diagnosis",
        lambda a: a.told.stop or None,
    ),
    Key(
        "cautions",
        "list of texts",
        "what must be known before the next step",
        lambda a: a.told.cautions,
    ),
    Key("tried", "list of objects", "repairs in order", lambda a: a.told.case.tried, TRIED),
    Key(
        "advice",
        "object or null",
        "what the step is weighed against; null without repairs",
        lambda a: a.told.advice and (a.told.advice, a.told.quote),
        ADVICE,
    ),
    Key("currency", WORD, "of all money", lambda a: a.told.case.shop.currency),
    Key(
        "why",
        "object",
        "only with --why: that check's rank",
        lambda a: Open(a.told, a.told.ranked(a.why or "")),
        WHY,
        when=lambda a: a.why is not None and not a.told.stop,
    ),
)


def plain_form(told: Consultation, why: str | None = None) -> dict[str, Any]:
    """A consultation as numbers, texts, lists and dictionaries; `why` names a check to explain.

    `NEXT` says what each key means, as does `faultfinder next --json --help`.
    """
    return NEXT.plain(Asked(told, why))
