"""The plain forms of a tuning, a replay, and doubts about a model's shape."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from faultfinder.assess.calibration import CalibrationBin
from faultfinder.learning.bench.figures import BenchFigure
from faultfinder.learning.bench.learn import BenchLearnt
from faultfinder.learning.em.estimates import Figure, Tuned
from faultfinder.learning.em.worth import Weighed
from faultfinder.learning.judge.changed_advice import AdviceChange, ChangedAdvice
from faultfinder.learning.judge.judging import Jobs, Judged
from faultfinder.learning.judge.kept import Judgement
from faultfinder.learning.judge.paired import Difference
from faultfinder.learning.judge.replay import ModelScores
from faultfinder.learning.proposal import effect
from faultfinder.learning.watch.drift import Shift
from faultfinder.learning.watch.structure import Doubt, ShapeTest
from faultfinder.learning.watch.unlikely import UnlikelyTicket
from faultfinder.learning.watch.unwritten import Habits, Written
from faultfinder.plain import Form, Key, within


@dataclass(frozen=True)
class Tuning:
    """What `tune` found. `changed`, `doubtful` and `shifts` in the order to be told."""

    tuned: Tuned
    changed: Sequence[Figure]
    doubtful: Sequence[UnlikelyTicket]
    shifts: Sequence[Shift]
    habits: Habits
    bench: BenchLearnt
    proposal: str


@dataclass(frozen=True)
class Replayed:
    """A proposal by the digest of its text, and what was made of it."""

    proposal: str
    judgement: Judgement


FIGURE = Form[Figure](
    "A figure that would change",
    Key("figure", "text", "which one", lambda f: str(f.place)),
    Key("variable", "word", "whose it is", lambda f: f.place.variable),
    Key("states", "list of words", "in the order of the lists that follow"),
    Key("before", "list of probabilities", "in the model's file"),
    Key("after", "list of probabilities", "as tuned"),
    Key("low", "list of probabilities", "lower ends of the 90 % credible intervals"),
    Key("high", "list of probabilities", "upper ends"),
    Key("tickets", "number", "expected tickets that it rests on"),
    Key("effect_bits", "bits", "how far the change moves beliefs", effect),
)

DOUBTFUL = Form[UnlikelyTicket](
    "A ticket to read again",
    Key("ticket", "count", "its number", lambda t: t.number),
    Key("causes", "list of words", "as confirmed"),
    Key("probability", "probability", "of what was confirmed"),
    Key("leading", "word", "the cause that the model leads with"),
    Key("leading_probability", "probability", "of that cause"),
)

SHIFT = Form[Shift](
    "What is recorded more or less often in the last 90 days",
    Key("name", "word", "a finding, history or cause"),
    Key("states", "list of words", "in the order of the counts"),
    Key("before", "list of counts", "tickets before", lambda s: s.counts_before),
    Key("after", "list of counts", "tickets since", lambda s: s.counts_after),
    Key("p_value", "probability or null", "of a difference like this by chance"),
    Key("adjusted", "probability or null", "the same, adjusted for how many were looked at"),
)

WEIGHED = Form[Weighed](
    "What the file's figures count for beside the tickets",
    Key("group", "text", "base rates or results"),
    Key("factor", "number", "on the tickets that the file says; 1e7 where its figures stand"),
    Key("gain", "nats", "on tickets held out, over the file's figures or over the own tickets"),
    Key("alike", "number or null", "tickets that those of other families count for at most"),
)

WRITTEN = Form[Written](
    "Normal results that are on record",
    Key("name", "word", "the finding or the person; empty for all together"),
    Key("records", "count", "results on record"),
    Key("normal", "count", "of them normal"),
    Key("expected", "number", "normal ones expected"),
    Key("p_value", "probability", "of so few by chance"),
    Key("adjusted", "probability", "the same, adjusted for how many were looked at"),
    Key("clear", "true or false", "good results seem to be left out"),
)

HABITS = Form[Habits](
    "Whether good results are written down",
    Key("shop", "object", "all findings together", form=WRITTEN),
    Key("findings", "objects", "against the model, the surest first", form=WRITTEN),
    Key("persons", "objects", "against the other persons", form=WRITTEN),
)

BENCH_FIGURE = Form[BenchFigure](
    "A figure of minutes, prices, cures or missed faults that would change",
    Key("figure", "text", "where it stands in the model", lambda f: " ".join(f.spot)),
    Key("before", "number for each part", "as its author says it; one number has the name ''"),
    Key("after", "number for each part", "as learnt"),
    Key("low", "number for each part", "lower ends of the 90 % intervals"),
    Key("high", "number for each part", "upper ends"),
    Key("times", "number", "that the logs speak on it", lambda f: f.count),
)

BENCH_LEARNT = Form[BenchLearnt](
    "What the bench teaches beside probabilities",
    Key("changed", "objects", "in the order of the model", form=BENCH_FIGURE),
    Key("times_read", "count", "times between entries", lambda b: b.spans),
    Key("cut", "probability", "share of them let go as pauses"),
    Key("worth", "number", "of times that the file's minutes count for"),
    Key(
        "step_minutes",
        "list of minutes",
        "besides the work of a step: the shop's setting, learnt, low and high; not proposed",
        lambda b: b.step,
    ),
)

TUNING = Form[Tuning](
    "Figures proposed from closed tickets",
    *within(
        lambda tuning: tuning.tuned,
        Key("tickets", "count", "tickets used"),
        Key("rounds", "count", "rounds of the search"),
        Key("converged", "true or false", "whether it settled"),
        Key("log_likelihood", "nats", "at the end"),
        Key("weighed", "objects", "chosen by tickets held out", form=WEIGHED),
        Key("warnings", "list of texts", "what to mind"),
        Key(
            "written",
            "list of probabilities for each finding",
            "of --unwritten: shares of normal and of other results that are written down",
        ),
    ),
    Key("changed", "objects", "the greatest effect first", lambda t: by_effect(t.changed), FIGURE),
    Key("doubtful", "objects", "the least likely cause first", form=DOUBTFUL),
    Key("shifts", "objects", "none where the tickets are too few", form=SHIFT),
    Key("habits", "object", "of writing down", form=HABITS),
    Key("bench", "object", "minutes, prices, cures", form=BENCH_LEARNT),
    Key("proposal", "text", "the file that holds the proposal"),
)

CALIBRATION = Form[CalibrationBin](
    "Causes given about the same probability",
    Key("said", "probability or null", "mean probability", lambda b: b.mean_forecast),
    Key("seen", "probability or null", "share that were present", lambda b: b.observed),
    Key("low", "probability", "lower end of its 95 % interval", lambda b: b.interval[0]),
    Key("high", "probability", "upper end", lambda b: b.interval[1]),
    Key("cases", "count", "causes on tickets", lambda b: b.count),
)


def by_effect(figures: Iterable[Figure]) -> list[Figure]:
    """The greatest effect on beliefs first."""
    return sorted(figures, key=effect, reverse=True)


SCORES = Form[ModelScores](
    "Scores of figures on the tickets",
    Key("log_loss", "nats", "of each cause; less is better"),
    Key("brier", "number", "Brier score of each cause; less is better"),
    Key("label_log_loss", "nats", "of the whole confirmed label; less is better"),
    Key("top1", "probability", "the confirmed cause leads", lambda s: s.top1.share),
    Key("top3", "probability", "it is among the first three", lambda s: s.top3.share),
    Key("reliability", "number", "of the Brier score by tenths", lambda s: s.binned.reliability),
    Key("resolution", "number", "more is better", lambda s: s.binned.resolution),
    Key("uncertainty", "number", "of the cases themselves", lambda s: s.binned.uncertainty),
    Key("calibration", "objects", "by tenths of probability", form=CALIBRATION),
)

DIFFERENCE = Form[Difference](
    "New less old",
    Key("mean", "number", "over the tickets"),
    Key("low", "number", "lower end of its 95 % interval", lambda d: d.interval[0]),
    Key("high", "number", "upper end", lambda d: d.interval[1]),
    Key("clear", "true or false", "whether the interval leaves 0 out"),
)

JOBS = Form[Jobs](
    "Jobs played again to their end",
    Key("tickets", "count", "that were played", lambda jobs: len(jobs.numbers)),
    Key(
        "old",
        "number for each mean",
        "under the rival's figures: money of a job, comebacks and handing over included; minutes "
        "on the bench; needless dear parts; wrong repairs, that mended nothing; the share solved; "
        "checks; and those of them drawn, with a result that is not on the ticket",
    ),
    Key("new", "number for each mean", "under the proposal's"),
    Key("differences", "object for each mean", "each fold one observation", form=DIFFERENCE),
    Key(
        "in_vain",
        "number for each repair",
        "how many more, a job, that mend nothing are made under the proposal's",
    ),
)

JUDGED = Form[Judged](
    "The proposal, new, against other figures, old",
    Key("rival", "text", "whose figures the old ones are"),
    Key("verdict", "text", "better, worse or cannot tell yet", lambda j: j.verdict.word),
    Key(
        "more_tickets",
        "count or null",
        "about how many more would tell; null where that is settled or out of reach",
        lambda judged: judged.verdict.more,
    ),
    Key(
        "against",
        "list of words",
        "what speaks against the new beyond chance: label_log_loss, money, needless, wrong",
        lambda judged: judged.verdict.against,
    ),
    *within(
        lambda judged: judged.found,
        Key("tickets", "count", "scored", lambda found: len(found.numbers)),
        Key("without_cause", "count", "left out: no confirmed cause"),
        Key("impossible_old", "list of counts", "tickets the old figures hold impossible"),
        Key("impossible_new", "list of counts", "the same, new"),
        Key("old", "object", "scores of the old figures", form=SCORES),
        Key("new", "object", "scores of the new figures", form=SCORES),
        Key("differences", "object for each score", "ticket by ticket", form=DIFFERENCE),
    ),
    Key("jobs", "object or null", "null where none was played", form=JOBS),
)

CHANGE = Form[AdviceChange](
    "A ticket on which the advice differs, at its first moment that does",
    Key("ticket", "count", "its number"),
    Key("seen", "count", "results known at that moment"),
    Key("after", "word", "the check just made; empty before any at the bench"),
    Key("old_kind", "word", "check, repair, hand over, stop or impossible", lambda c: c.old[0]),
    Key("old", "word", "the check or repair advised by the figures in force", lambda c: c.old[1]),
    Key("new_kind", "word", "the same of the proposal", lambda c: c.new[0]),
    Key("new", "word", "what the proposal advises", lambda c: c.new[1]),
)

ADVICE = Form[ChangedAdvice](
    "The advice of both on the last closed tickets, along their logs",
    Key("tickets", "count", "looked at"),
    Key("moments", "count", "states of these tickets looked at"),
    Key("changes", "objects", "tickets on which it differs", form=CHANGE),
)

REPLAY = Form[Replayed](
    "A proposal judged on tickets held out",
    Key("proposal", "text", "what identifies it"),
    *within(
        lambda replayed: replayed.judgement,
        Key("verdict", "text", "against the figures in force", lambda j: j.word),
        Key("against", "objects", "one for each set of figures", form=JUDGED),
        Key("advice", "object", "what it would advise otherwise", form=ADVICE),
    ),
)

DOUBT = Form[Doubt](
    "Two results that depend on each other",
    Key("first", "word", "a finding"),
    Key("second", "word", "another"),
    Key("tickets", "count", "compared"),
    Key("cause_sets", "count", "sets of causes under which both varied"),
    Key("chi_square", "number", "the test's statistic", lambda d: d.statistic),
    Key("degrees_of_freedom", "count", "of it", lambda d: d.degrees),
    Key("p_value", "probability", "of this much dependence by chance"),
    Key(
        "p_value_from_drawn_tables", "true or false", "or from the distribution", lambda d: d.drawn
    ),
    Key("adjusted", "probability", "p value adjusted for the pairs tested"),
    Key(
        "results",
        "word for each finding",
        "the results that stand together most against expectation",
        lambda d: dict(zip((d.first, d.second), d.results, strict=True)),
    ),
    Key("observed", "count", "tickets with both"),
    Key("expected", "number", "from the causes"),
    Key("means", "text", "what it may mean"),
)

DOUBTS = Form[ShapeTest](
    "Doubts about a model's shape",
    Key("tickets", "count", "closed tickets with confirmed causes"),
    Key("unconfirmed", "count", "closed tickets without"),
    Key("pairs_tested", "count", "of results", lambda s: s.tested),
    Key(
        "pairs_explained",
        "count",
        "not tested: the model lets them depend, or too few tickets",
        lambda s: s.explained,
    ),
    Key("pairs_constant", "count", "not tested: they did not vary", lambda s: s.constant),
    Key("doubts", "objects", "the surest first", form=DOUBT),
)
