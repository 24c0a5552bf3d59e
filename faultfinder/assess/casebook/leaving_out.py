"""Whether the share of what is not listed rises when the truth is taken out of the model.

For each group with enough cases its causes are taken out, which is exactly the model given
that none of them is present, and its cases are judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from faultfinder.assess.casebook.books import RealCase
from faultfinder.assess.casebook.judging import Judge, absent, chances_of_any, joined
from faultfinder.assess.casebook.scores import normalised, scored_groups
from faultfinder.assess.casebook.whole_book import Book
from faultfinder.inference.posterior import evidence_from
from faultfinder.inference.unlisted import average, unlisted_share

ENOUGH = 5
"""Cases that a group needs."""

UNLISTED = "unlisted"


@dataclass(frozen=True)
class LeftOut:
    """A group taken out of its models: in how many of its cases with all findings the unlisted
    share is among the first three of the groups and itself, and in how many first."""

    group: str
    cases: int
    in_three: int
    first: int


@dataclass(frozen=True)
class LeavingOut:
    """All groups left out in turn, and how often `whole_first` of `whole` cases the unlisted
    share is first with the whole model."""

    groups: tuple[LeftOut, ...]
    whole: int
    whole_first: int

    @property
    def in_three(self) -> float:
        """Share of the cases with their group left out that have the unlisted in three."""
        return sum(g.in_three for g in self.groups) / max(1, sum(g.cases for g in self.groups))


def ranked_with_unlisted(groups: Mapping[str, float], unlisted: float) -> list[str]:
    """The groups and the unlisted share, likeliest first; `groups` are chances given that the
    cause is listed and sum to one."""
    chances = {g: p * (1.0 - unlisted) for g, p in groups.items()} | {UNLISTED: unlisted}
    return sorted(chances, key=lambda name: (-chances[name], name))


def place_left_out(case: RealCase, judge: Judge, out: str) -> int:
    """The place, from 1, of the unlisted share with the group `out` taken out of the model."""
    causes = judge.wording.causes
    gone = absent(judge.compiled, joined(judge.vocabulary.groups[out], causes))
    findings = judge.settled(judge.wording.results(case.told("all"))[0])
    evidence = evidence_from(judge.compiled, findings).with_columns(gone)
    wanted = {
        group: held
        for group in scored_groups(judge)
        if group != out and (held := joined(judge.vocabulary.groups[group], causes))
    }
    chances, log = chances_of_any(judge.compiled, evidence, wanted)
    share = unlisted_share(judge.compiled, evidence, log, average(judge.compiled, gone))
    kept = [group for group in scored_groups(judge) if group != out]
    return ranked_with_unlisted(normalised(chances, kept), share).index(UNLISTED) + 1


def leaving_out(book: Book) -> LeavingOut:
    """The measurement over a book, with all findings."""
    judged = {id(line.case): line.judged["all"] for line in book.lines if line.judged}
    rows = book.scored["all"]
    groups = dict.fromkeys(sorted(g for row in rows for g in row.truth))
    left = []
    for group in groups:
        cases = [row.case for row in rows if group in row.truth]
        if len(cases) >= ENOUGH:
            places = [place_left_out(case, judged[id(case)].judge, group) for case in cases]
            in_three = sum(place <= 3 for place in places)
            left.append(LeftOut(group, len(cases), in_three, places.count(1)))
    first = sum(
        ranked_with_unlisted(row.groups, judged[id(row.case)].unlisted)[0] == UNLISTED
        for row in rows
    )
    return LeavingOut(tuple(left), len(rows), first)
