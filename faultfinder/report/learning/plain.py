"""The plain forms of a tuning, a replay, and doubts about a model's shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faultfinder.learning.em.estimates import Figure, Tuned
from faultfinder.learning.judge.calibration import CalibrationBin
from faultfinder.learning.judge.paired import Difference
from faultfinder.learning.judge.played import Played
from faultfinder.learning.judge.replay import Comparison, ModelScores
from faultfinder.learning.proposal import effect
from faultfinder.learning.watch.drift import Shift
from faultfinder.learning.watch.structure import Doubt, ShapeTest
from faultfinder.learning.watch.unlikely import UnlikelyTicket
from faultfinder.plain import (
    BITS,
    COUNT,
    FLAG,
    MINUTES,
    NUMBER,
    OR_NULL,
    PROBABILITIES,
    PROBABILITY,
    TEXT,
    WORD,
    WORDS,
    Form,
    Key,
)


@dataclass(frozen=True)
class Tuning:
    """What `tune` found. `changed`, `doubtful` and `shifts` in the order to be told."""

    tuned: Tuned
    changed: Sequence[Figure]
    doubtful: Sequence[UnlikelyTicket]
    shifts: Sequence[Shift]
    proposal: str


@dataclass(frozen=True)
class Replayed:
    """Old and new figures on tickets held out; `played` is (old, new), if any was played."""

    found: Comparison
    played: tuple[Played, Played] | None


FIGURE = Form[Figure](
    "A figure that would change",
    Key("figure", TEXT, "which one", lambda f: str(f.place)),
    Key("variable", WORD, "whose it is", lambda f: f.place.variable),
    Key("states", WORDS, "in the order of the lists that follow"),
    Key("before", PROBABILITIES, "in the model's file"),
    Key("after", PROBABILITIES, "as tuned"),
    Key("low", PROBABILITIES, "lower ends of the 90 % credible intervals"),
    Key("high", PROBABILITIES, "upper ends"),
    Key("tickets", NUMBER, "expected tickets that it rests on"),
    Key("effect_bits", BITS, "how far the change moves beliefs", effect),
)

DOUBTFUL = Form[UnlikelyTicket](
    "A ticket to read again",
    Key("ticket", COUNT, "its number", lambda t: t.number),
    Key("causes", WORDS, "as confirmed"),
    Key("probability", PROBABILITY, "of what was confirmed"),
    Key("leading", WORD, "the cause that the model leads with"),
    Key("leading_probability", PROBABILITY, "of that cause"),
)

SHIFT = Form[Shift](
    "What is recorded more or less often in the last 90 days",
    Key("name", WORD, "a finding, history or cause"),
    Key("states", WORDS, "in the order of the counts"),
    Key("before", "list of whole numbers", "tickets before", lambda s: s.counts_before),
    Key("after", "list of whole numbers", "tickets since", lambda s: s.counts_after),
    Key("p_value", PROBABILITY + OR_NULL, "of a difference like this by chance"),
    Key("adjusted", PROBABILITY + OR_NULL, "the same, adjusted for how many were looked at"),
)

TUNING = Form[Tuning](
    "Figures proposed from closed tickets",
    Key("tickets", COUNT, "tickets used", lambda t: t.tuned.tickets),
    Key("rounds", COUNT, "rounds of the search", lambda t: t.tuned.rounds),
    Key("converged", FLAG, "whether it settled", lambda t: t.tuned.converged),
    Key("log_likelihood", "number, nats", "at the end", lambda t: t.tuned.log_likelihood),
    Key("warnings", "list of texts", "what to mind", lambda t: t.tuned.warnings),
    Key(
        "changed",
        "list of objects",
        "the greatest effect first",
        lambda t: sorted(t.changed, key=effect, reverse=True),
        FIGURE,
    ),
    Key("doubtful", "list of objects", "the least likely cause first", form=DOUBTFUL),
    Key("shifts", "list of objects", "none where the tickets are too few", form=SHIFT),
    Key("proposal", TEXT, "the file that holds the proposal"),
)

CALIBRATION = Form[CalibrationBin](
    "Causes given about the same probability",
    Key("said", PROBABILITY + OR_NULL, "mean probability", lambda b: b.mean_forecast),
    Key("seen", PROBABILITY + OR_NULL, "share that were present", lambda b: b.observed),
    Key("low", PROBABILITY, "lower end of its 95 % interval", lambda b: b.interval[0]),
    Key("high", PROBABILITY, "upper end", lambda b: b.interval[1]),
    Key("cases", COUNT, "causes on tickets", lambda b: b.count),
)


def score(scores: ModelScores, name: str) -> float:
    """A score by its name, shares as numbers from 0 to 1."""
    value = getattr(scores, name)
    return value.share if hasattr(value, "share") else float(value)


SCORES = Form[ModelScores](
    "Scores of figures on the tickets",
    Key("log_loss", "number, nats", "of each cause; less is better"),
    Key("brier", NUMBER, "Brier score of each cause; less is better"),
    Key("label_log_loss", "number, nats", "of the whole confirmed label; less is better"),
    Key("top1", PROBABILITY, "the confirmed cause leads", lambda s: score(s, "top1")),
    Key("top3", PROBABILITY, "it is among the first three", lambda s: score(s, "top3")),
    Key("reliability", NUMBER, "of the Brier score by tenths", lambda s: s.binned.reliability),
    Key("resolution", NUMBER, "more is better", lambda s: s.binned.resolution),
    Key("uncertainty", NUMBER, "of the cases themselves", lambda s: s.binned.uncertainty),
    Key("calibration", "list of objects", "by tenths of probability", form=CALIBRATION),
)

DIFFERENCE = Form[Difference](
    "New less old",
    Key("mean", NUMBER, "over the tickets"),
    Key("low", NUMBER, "lower end of its 95 % interval", lambda d: d.interval[0]),
    Key("high", NUMBER, "upper end", lambda d: d.interval[1]),
    Key("clear", FLAG, "whether the interval leaves 0 out"),
)

PLAYED = Form[Played](
    "Tickets played again, check by check",
    Key("tickets", COUNT, "that were played", lambda p: len(p.plays)),
    Key("checks", NUMBER + OR_NULL, "mean checks a ticket", lambda p: p.mean("checks")),
    Key(
        "drawn",
        NUMBER + OR_NULL,
        "of these, result drawn from the model",
        lambda p: p.mean("drawn"),
    ),
    Key("minutes", MINUTES + OR_NULL, "mean minutes a ticket", lambda p: p.mean("minutes")),
    Key("successes", COUNT, "tickets whose confirmed cause led at the end"),
)

REPLAY = Form[Replayed](
    "Old and new figures on tickets held out",
    Key("tickets", COUNT, "scored", lambda r: len(r.found.numbers)),
    Key("without_cause", COUNT, "left out: no confirmed cause", lambda r: r.found.without_cause),
    Key(
        "impossible_old",
        "list of whole numbers",
        "tickets the old figures hold impossible",
        lambda r: r.found.impossible_old,
    ),
    Key(
        "impossible_new", "list of whole numbers", "the same, new", lambda r: r.found.impossible_new
    ),
    Key("old", "object", "scores of the old figures", lambda r: r.found.old, SCORES),
    Key("new", "object", "scores of the new figures", lambda r: r.found.new, SCORES),
    Key(
        "differences",
        "object for each score",
        "ticket by ticket",
        lambda r: r.found.differences,
        DIFFERENCE,
    ),
    Key(
        "played",
        "list of two objects",
        "old, new; only where tickets were played",
        form=PLAYED,
        when=lambda r: r.played is not None,
    ),
)

DOUBT = Form[Doubt](
    "Two results that depend on each other",
    Key("first", WORD, "a finding"),
    Key("second", WORD, "another"),
    Key("tickets", COUNT, "compared"),
    Key("cause_sets", COUNT, "sets of causes under which both varied"),
    Key("chi_square", NUMBER, "the test's statistic", lambda d: d.statistic),
    Key("degrees_of_freedom", COUNT, "of it", lambda d: d.degrees),
    Key("p_value", PROBABILITY, "of this much dependence by chance"),
    Key("p_value_from_drawn_tables", FLAG, "or from the distribution", lambda d: d.drawn),
    Key("adjusted", PROBABILITY, "p value adjusted for the pairs tested"),
    Key(
        "results",
        "word for each finding",
        "the results that stand together most against expectation",
        lambda d: dict(zip((d.first, d.second), d.results, strict=True)),
    ),
    Key("observed", COUNT, "tickets with both"),
    Key("expected", NUMBER, "from the causes"),
    Key("means", TEXT, "what it may mean"),
)

DOUBTS = Form[ShapeTest](
    "Doubts about a model's shape",
    Key("tickets", COUNT, "closed tickets with confirmed causes"),
    Key("unconfirmed", COUNT, "closed tickets without"),
    Key("pairs_tested", COUNT, "of results", lambda s: s.tested),
    Key(
        "pairs_explained",
        COUNT,
        "not tested: the model lets them depend, or too few tickets",
        lambda s: s.explained,
    ),
    Key("pairs_constant", COUNT, "not tested: they did not vary", lambda s: s.constant),
    Key("doubts", "list of objects", "the surest first", form=DOUBT),
)
