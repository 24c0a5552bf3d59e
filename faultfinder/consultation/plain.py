"""The documented plain form of a consultation: what `faultfinder next --json` prints.

Changed from forms without a number: `form`, `change`, `saves`, `next_step` and `cautions`
are new; `next` is null whenever `advice` says repair or hand over, also where a question for
the counter was worth asking.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from faultfinder.consultation.advice import Advice, CheckAdvice
from faultfinder.consultation.branches import Branch, Seen
from faultfinder.consultation.consult import Consultation, NextStep
from faultfinder.consultation.habit import Instead
from faultfinder.consultation.in_words import WORDS, step_in_words
from faultfinder.consultation.judgement import SAID
from faultfinder.consultation.quote import Quote
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.consultation.steadiness import Steadiness
from faultfinder.consultation.suggestions import Suggested
from faultfinder.consultation.tipping import Tip
from faultfinder.decide.belief import Tried
from faultfinder.model.parts import Check, Move
from faultfinder.plain import Form, Key, within

SEEN = Form[Seen](
    "A finding of a branch",
    Key("check", "word", "the check of the round that brings it"),
    Key("finding", "word", "that is told apart"),
    Key("results", "probability for each result", "of those that lead there, after those before"),
)
BRANCH = Form[Branch](
    "Where some results of a round lead",
    Key("seen", "objects", "what is found there", form=SEEN),
    Key("chance", "probability", "of finding that"),
    Key("causes", "probability for each cause", "the likeliest causes then"),
    Key("check", "word or null", "inside, that tells most between them", lambda b: b.check or None),
    Key("repairs", "list of words", "right most often then, in the order to make them"),
    Key("none", "probability", "that none is right: it does not pay, or nothing is faulty"),
)


SUGGESTED = Form[Suggested](
    "What results, or likely causes, suggest",
    Key("findings", "list of words", "whose results suggest it; none where causes do"),
    Key("causes", "list of words", "of which one is likely; none where results suggest it"),
    Key("chance", "probability", "that one of the causes is there; 1 where results suggest it"),
    Key("say", "text", "what they suggest, without what is known already"),
)


class Asked(NamedTuple):
    """A consultation, and the check to explain or the habit to price, if any."""

    told: Consultation
    why: str | None = None
    instead: Instead | None = None


class Open(NamedTuple):
    """An open check of a consultation."""

    told: Consultation
    ranked: RankedCheck

    @property
    def itself(self) -> Check:
        return self.told.case.model.model.checks_by_name[self.ranked.check]


QUOTE = Form[Quote](
    "What to tell the customer",
    Key("low", "money", "a tenth of such jobs cost less"),
    Key("likely", "money", "half of them cost less"),
    Key("high", "money", "nine tenths of them cost less"),
    Key("probability_dearer", "probability", "of more than high", lambda q: q.exceeds),
    Key("probability_handed_over", "probability", "of no repair", lambda q: q.given_up),
    Key("dear_parts_for_nothing", "number", "a job, on average", lambda q: q.dear_for_nothing),
    Key("looking", "money", "likely, where it is only looked at"),
    Key("repaired", "money or null", "likely, where it is repaired"),
    Key("repaired_high", "money or null", "nine tenths of those cost less"),
)

CHECK_ADVICE = Form[CheckAdvice](
    "A check weighed by the whole job",
    Key("check", "word", "its name"),
    Key("cost", "money", "of the check and the way to it"),
    Key("expected_cost", "money", "of the whole job with this check first"),
    Key("saves", "money", "against repairing at once, with the checks after it"),
    Key("saves_alone", "money", "the same without checks after it"),
    Key("then", "word or null", "the check most often after it", lambda c: c.then or None),
)

ADVICE = Form[tuple[Advice, Quote | None]](
    "Repair, check on or hand over",
    *within(
        lambda pair: pair[0],
        Key("kind", "word", "check, repair, name or hand over"),
        Key("name", "word or null", "the check or repair, or what it is", lambda a: a.name or None),
        Key("expected_cost", "money", "of the whole job so", lambda a: a.cost),
        Key("expected_cost_repairing_now", "money", "without checks", lambda a: a.cost_repairing),
        Key("saves", "money", "the difference"),
        Key("repair_order", "list of words", "repairs without a check between", lambda a: a.order),
        Key("checks", "objects", "those looked at, by expected cost", form=CHECK_ADVICE),
        Key("neglected_probability", "probability", "of faults left out", lambda a: a.neglected),
    ),
    Key("quote", "object or null", "what to tell the customer", lambda pair: pair[1], QUOTE),
)

INSTEAD = Form[Instead](
    "A repair made now instead of what is advised",
    Key("repair", "word", "its name"),
    Key("cost", "money", "of the whole job with it first"),
    Key("cost_advised", "money", "of the whole job as advised"),
    Key("minutes", "minutes", "of bench time with it first, on average"),
    Key("minutes_advised", "minutes", "of bench time as advised, on average"),
    Key("right", "probability", "that the machine is sound after it"),
    Key("teaches", "object", "cause: its probability now, and where it has not cured"),
)

CAUSE = Form[tuple[str, Consultation]](
    "A cause",
    Key("cause", "word", "its name", lambda c: c[0]),
    Key("title", "text", "in words", lambda c: c[1].case.model.model.by_name[c[0]].title),
    Key("probability", "probability", "of any faulty state", lambda c: c[1].causes[c[0]]),
    Key(
        "change",
        "number or null",
        "of the probability, by what came last; null when nothing did",
        lambda c: c[1].change.get(c[0]),
    ),
    Key(
        "states",
        "probability for each state",
        "the probability of each of its states",
        lambda c: c[1].cause_states[c[0]],
    ),
)

TIP = Form[Tip](
    "A cause whose chance would change the step",
    Key("cause", "word", "its name"),
    Key("chance", "probability", "of it now"),
    Key("then", "probability", "of it where another step is advised"),
    Key("kind", "word", "of that step: check, repair or hand over"),
    Key("name", "word or null", "the check or repair", lambda tip: tip.name or None),
)

CHECK = Form[Open](
    "An open check",
    Key("check", "word", "its name", lambda check: check.ranked.check),
    Key("title", "text", "in words", lambda check: check.itself.title),
    *within(
        lambda check: check.ranked,
        Key("gain_bits", "bits", "expected about the target"),
        Key("minutes", "minutes", "of the check and the way to it"),
        Key("cost", "money", "of these and of what is used up"),
        Key("gain_per_cost", "number or null", "bits a unit of money; null when it costs nothing"),
        Key("worth", "true or false", "worth its cost", lambda ranked: bool(ranked.worth)),
        Key("saves", "money or null", "on the whole job; null where that was not weighed"),
        Key("outcomes", "probability for each result", "how likely it is"),
    ),
    Key("stage", "word", "the teardown stage it needs", lambda check: check.itself.stage),
)

STEP = Form[NextStep](
    "The next step",
    Key("kind", "word", "check, repair, name or hand over"),
    Key("name", "word or null", "the check or repair, or what it is", lambda s: s.name or None),
)

TRIED = Form[Tried](
    "A repair that did not cure",
    Key("repair", "word", "its name"),
    Key("findings", "word for each finding", "what was found since"),
)

MOVE = Form[Move](
    "A move between stages",
    Key("from", "word", "stage", lambda m: m.start),
    Key("to", "word", "stage", lambda m: m.end),
    Key("minutes", "minutes", "it takes"),
)

RESULT = Form[tuple[RankedCheck, str, dict[str, float]]](
    "What a result would do",
    Key("result", "text", "a result, or finding=result for each", lambda r: r[1]),
    Key("probability", "probability", "of it", lambda r: r[0].outcomes[r[1]]),
    Key("causes", "probability for each cause", "probabilities after it", lambda r: r[2]),
)

STEADINESS = Form[Steadiness](
    "How often the next step stays when all figures move by what their basis allows",
    Key("draws", "count", "times that they were moved"),
    Key("same", "count", "in which the next step is the same"),
    Key("near", "count", "in which it is that or another check of the round"),
    Key("other", "word or null", "most often instead", lambda s: s.other or None),
)

WHY = Form[Open](
    "Why a check has its rank",
    Key("check", "word", "its name", lambda c: c.ranked.check),
    Key("rank", "count", "from 1", lambda c: c.told.order.index(c.ranked) + 1),
    Key("own_minutes", "minutes", "without the way", lambda c: c.itself.minutes),
    Key("consumables", "money", "used up by it", lambda c: c.itself.consumables),
    Key("way", "objects", "moves to its stage", lambda c: c.ranked.route.moves, MOVE),
    Key(
        "average_cost",
        "money or null",
        "of the whole job with the advised step first; null without repairs",
        lambda c: c.told.advice and c.told.job.expected_cost,
    ),
    Key(
        "least_cost",
        "money or null",
        "no plan can cost less, on average",
        lambda c: c.told.advice and c.told.job.least,
    ),
    Key(
        "results",
        "objects",
        "what each result would do",
        lambda c: [
            (c.ranked, label, dict(causes))
            for label, causes in c.told.after(c.ranked.check).items()
        ],
        RESULT,
    ),
    Key(
        "steadiness",
        "object or null",
        "of the advised step; null where none is weighed",
        lambda c: c.told.steadiness,
        STEADINESS,
    ),
    Key("tips", "objects", "causes whose chances it hangs on most", lambda c: c.told.tips, TIP),
)


def _open_checks(told: Consultation) -> list[Open]:
    return [] if told.stop else [Open(told, ranked) for ranked in told.order]


NEXT = Form[Asked](
    "Likely causes and the next step; nothing is offered while a safety rule stands",
    Key("form", "count", "the version of this form", lambda _: 1),
    Key("model", "word", "its name", lambda asked: asked.told.case.model.model.name),
    *within(
        lambda asked: asked.told,
        Key("stage", "word", "the teardown stage now"),
        Key("target", "text", "what the gain is about", lambda told: told.aim.title),
    ),
    *within(
        lambda asked: asked.told.case,
        Key("findings", "word for each finding", "what is known"),
        Key("unclear", "list of words", "what could not be told"),
        Key("judged", "word for each cause", f"named without proof; each {SAID}"),
    ),
    *within(
        lambda asked: asked.told,
        Key("evidence_probability", "probability", "of what is known, before it was known"),
        Key("causes", "objects", "likeliest first", lambda t: [(c, t) for c in t.causes], CAUSE),
        Key("checks", "objects", "all that are open, the best first", _open_checks, CHECK),
        Key("too_large", "list of words", "open checks whose exact gain is too large to compute"),
        Key(
            "next",
            "word or null",
            "the check to make now; null when it is time to repair or hand over",
            lambda told: told.next and told.next.check,
        ),
        Key("next_step", "object or null", "what to do now; null after a stop", form=STEP),
        Key(
            "pays_from",
            "money or null",
            "what it has to be worth for going on to pay, where handing over is advised",
            lambda told: told.pays_from and told.pays_from[0],
        ),
        Key(
            "made_already",
            "word or null",
            "the check that made that repair and seems to have mended the machine",
            lambda told: told.made_already or None,
        ),
        Key(
            "in_words",
            "text",
            f"the step and where it leads, said in {WORDS} words or less; a stop is said whole",
            step_in_words,
        ),
        Key("round", "list of words", "checks to make together now, in turn"),
        Key("round_note", "text or null", "what ends it early", lambda t: t.round_note or None),
        Key("branches", "objects", "where its results lead, the likeliest first", form=BRANCH),
        Key(
            "suggestions",
            "objects",
            "what was told and what is likely suggest, the first leads",
            form=SUGGESTED,
        ),
        Key("warnings", "list of texts", "how well the findings fit"),
        Key("stop", "text or null", "the safety rule that ends work", lambda t: t.stop or None),
        Key("cautions", "list of texts", "what must be known before the next step"),
    ),
    *within(
        lambda asked: asked.told.case,
        Key("tried", "objects", "repairs in order", form=TRIED),
    ),
    *within(
        lambda asked: asked.told,
        Key(
            "advice",
            "object or null",
            "what the step is weighed against; null without repairs, and where one has to be sure",
            lambda told: (told.advice, told.quote) if told.by_money else None,
            ADVICE,
        ),
    ),
    Key("currency", "word", "of all money", lambda asked: asked.told.case.shop.currency),
    Key(
        "names",
        "probability for each name",
        "what it can be called; empty without --wrong or --sure",
        lambda asked: asked.told.names,
    ),
    Key(
        "why",
        "object",
        "only with --why: that check's rank",
        lambda asked: Open(asked.told, asked.told.ranked(asked.why or "")),
        WHY,
        when=lambda asked: asked.why is not None and not asked.told.stop,
    ),
    Key(
        "instead",
        "object",
        "only with --instead: the price of that repair now",
        lambda asked: asked.instead,
        INSTEAD,
        when=lambda asked: asked.instead is not None,
    ),
)


def plain_form(told: Consultation, why: str | None = None) -> dict[str, Any]:
    """A consultation as numbers, texts, lists and dictionaries; `why` names a check to explain.

    `NEXT` says what each key means, as does `faultfinder next --json --help`.
    """
    return NEXT.plain(Asked(told, why))
