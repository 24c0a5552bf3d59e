"""The plain forms of `model cases` and `model expectations`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faultfinder.assess.calibration import CalibrationBin
from faultfinder.assess.casebook.advisers import Agreement
from faultfinder.assess.casebook.beside import Beside, Difference
from faultfinder.assess.casebook.expectations import Verdict
from faultfinder.assess.casebook.judging import Entry, Judged, Step
from faultfinder.assess.casebook.leaving_out import LeavingOut, LeftOut
from faultfinder.assess.casebook.playing import Played
from faultfinder.assess.casebook.scores import Scored, Scores
from faultfinder.assess.casebook.whole_book import Book, Line, Ranks, Worst
from faultfinder.plain import Form, Key, within

ENTRY = Form[Entry](
    "A check",
    Key("check", "word", "its name in the model"),
    Key("facts", "list of words", "the fact words that it brings; may be none"),
)

STEP = Form[Step](
    "A next step",
    Key("kind", "word", "check, action or stop"),
    Key("word", "word or null", "the fact or action word; null where there is none for it"),
    Key("name", "word", "its name in the model; of a stop, the finding that stops"),
)

MOMENT = Form[Judged](
    "A moment",
    Key("moment", "word", "intake or all"),
    Key("impossible", "true or false", "whether the findings contradict each other"),
    Key("chances", "probability for each at_fault word", "of its being present, exact"),
    Key("groups", "probability for each group", "of any of its causes being present, exact"),
    Key("prior_groups", "probability for each group", "the same from the complaint alone"),
    Key("unlisted", "probability", "of a cause that the model does not list"),
    Key("next", "object", "what is advised", form=STEP),
    Key("round", "objects", "the checks to make together now", form=ENTRY),
    Key("order", "objects", "open checks and unasked histories, best first", form=ENTRY),
)

UNSAID = Form[Line](
    "What cannot be said",
    Key("facts", "list of words", "facts without a result in it", lambda ln: ln.unsaid_facts),
    Key("at_fault", "list of words", "causes that it does not name", lambda ln: ln.unsaid_faults),
)

CASE = Form[Line](
    "A case",
    Key("id", "word", "its name in the book", lambda line: line.case.id),
    Key("build", "word", "the sort of machine", lambda line: line.case.build),
    Key("model", "word or null", "the model it is judged by; null where the build has none"),
    Key("moments", "objects", "what is known when", lambda ln: list(ln.judged.values()), MOMENT),
    Key("cannot_say", "object", "words the model does not have", lambda line: line, UNSAID),
)

BIN = Form[CalibrationBin](
    "A bin of leaders",
    Key("low", "probability", "of the leader, at least"),
    Key("high", "probability", "of the leader, below"),
    Key("count", "count", "cases"),
    Key("chance", "probability", "of the leader, on average", lambda b: b.mean_forecast),
    Key("right", "probability", "the share of leaders that were true", lambda b: b.observed),
    Key("interval", "list of probabilities", "Wilson's 90 % interval of that share"),
)

SCORES = Form[Scores](
    "Scores of some cases at a moment",
    Key("count", "count", "cases scored"),
    Key("nameable", "count", "of them with causes that the model names"),
    Key("top1", "count", "of them with a true group leading"),
    Key("top3", "count", "of them with a true group among three"),
    Key("bits", "bits", "that the truth would still have told, on average"),
    Key("prior_bits", "bits", "the same from the complaint alone"),
    Key("gain", "number", "bits below the prior's"),
    Key("gain_interval", "list of numbers", "its 95 % bootstrap interval over cases"),
    Key("calibration", "objects", "leaders by chance", form=BIN),
    Key("leader_less_right", "number", "mean chance of the leader less right", lambda s: s.promise),
    Key("impossible", "count", "cases that the model holds to be impossible"),
)

RANKS = Form[Ranks](
    "Places in the order at intake",
    Key("settling", "number or null", "median place of the check that settled the case"),
    Key("settling_count", "count", "cases with such a check"),
    Key("closed", "count", "more of them, whose check is not open"),
    Key("outside", "number or null", "median place of the outside screen on machines that run"),
    Key("running", "count", "machines that run"),
)

UNNAMEABLE = Form[Scored](
    "A case that cannot be named",
    Key("id", "word", "its name in the book", lambda row: row.case.id),
    Key("leader", "word", "the group that leads"),
    Key("chance", "probability", "of the leader"),
)

WORST = Form[Worst](
    "A bad case",
    Key("id", "word", "its name in the book", lambda one: one.row.case.id),
    *within(
        lambda one: one.row,
        Key("bits", "bits", "of the truth"),
        Key("truth", "list of words", "groups at fault", lambda row: sorted(row.truth)),
        Key("leader", "word", "the group that led"),
        Key("chance", "probability", "of the leader"),
    ),
    Key("reason", "text", "why"),
)

AGREEMENT = Form[Agreement](
    "Agreement with advisers",
    Key("count", "count", "rounds compared"),
    Key("first", "probability", "their first step is among the first three here"),
    Key("overlap", "probability", "Jaccard index of the rounds, on average"),
)

PLAYED = Form[Played](
    "A case played",
    Key("id", "word", "its name in the book", lambda one: one.case.id),
    Key("steps", "count", "to its end; the most there are where it was not settled"),
    Key("end", "word", "settled, mended, or why it ended else"),
    Key("made", "list of words", "checks and repairs, in order"),
)

LEFT_OUT = Form[LeftOut](
    "A group taken out",
    Key("group", "word", "its name"),
    Key("cases", "count", "that had it"),
    Key("in_three", "count", "of them with the unlisted share among three"),
    Key("first", "count", "of them with it first"),
)

LEAVING_OUT = Form[LeavingOut](
    "Groups taken out in turn",
    Key("groups", "objects", "those with enough cases", form=LEFT_OUT),
    Key("in_three", "probability", "the share of all these with the unlisted among three"),
    Key("whole", "count", "cases with the whole model"),
    Key("whole_first", "count", "of them with the unlisted share first"),
)


DIFFERENCE = Form[Difference](
    "A figure here and there",
    Key("moment", "word", "intake or all"),
    Key("figure", "word", "top1 or top3, shares of the cases, or bits"),
    Key("count", "count", "cases that both judge"),
    Key("here", "number", "of the models, on average"),
    Key("there", "number", "by the other chances"),
    Key("interval", "list of numbers", "here less there, paired: its 90 % bootstrap interval"),
)

BESIDE = Form[Beside](
    "Other chances for the same cases",
    Key("name", "text", "the file"),
    Key("differences", "objects", "a figure at a moment each", form=DIFFERENCE),
)


@dataclass(frozen=True)
class ScoredBook:
    """A book, and what was measured on it on demand."""

    book: Book
    agreement: Agreement | None = None
    played: Sequence[Played] = ()
    left_out: LeavingOut | None = None
    besides: Sequence[Beside] = ()


PART = Form[tuple[Book, str]](
    "A part of the book",
    Key(
        "intake", "object or null", "at the counter", lambda p: p[0].scores(p[1], "intake"), SCORES
    ),
    Key("all", "object or null", "with all findings", lambda p: p[0].scores(p[1], "all"), SCORES),
)

BOOK = Form[ScoredBook](
    "Scores of a book",
    Key(
        "parts",
        "object for each part of the book",
        "all cases, each build, and others",
        lambda s: {part: (s.book, part) for part in s.book.parts},
        PART,
    ),
    Key(
        "leader_less_right",
        "number",
        "over all cases and both moments",
        lambda s: s.book.leaders_promise,
    ),
    Key("ranks", "object", "medians", lambda s: s.book.ranks(), RANKS),
    Key("unnameable", "objects", "with all findings", lambda s: s.book.unnameable(), UNNAMEABLE),
    Key("worst", "objects", "with all findings", lambda s: s.book.worst(), WORST),
    Key("agreement", "object or null", "with advisers, on demand", form=AGREEMENT),
    Key("played", "objects", "cases, on demand", form=PLAYED),
    Key("left_out", "object or null", "what is not listed, on demand", form=LEAVING_OUT),
    Key("besides", "objects", "other chances, on demand", form=BESIDE),
)

CASES = Form[ScoredBook](
    "Cases under their models",
    Key("form", "count", "of this form", lambda _: 1),
    Key("cases", "objects", "in the order of the files", lambda s: s.book.lines, CASE),
    Key("scores", "object", "as a whole", lambda s: s, BOOK),
)

VERDICT = Form[Verdict](
    "A clause for a build",
    Key("id", "word", "of the situation"),
    Key("build", "word", "the sort of machine"),
    Key("clause", "count", "its place in `then`, from 0"),
    Key("holds", "true or false or null", "null where the build cannot say a fact"),
    Key("saw", "text", "what there was"),
    Key(
        "added",
        "list of words",
        "(finding, result) that a variation adds",
        when=lambda one: one.added is not None,
    ),
)

EXPECTATIONS = Form[Sequence[Verdict]](
    "Situations and what must follow",
    Key("form", "count", "of this form", lambda _: 1),
    Key("expectations", "objects", "each clause once per build", lambda all_of: all_of, VERDICT),
)
