"""Other chances for the same cases beside the models': an earlier version's, or any program's."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from faultfinder.assess.casebook.books import READ_AT_MOST, content_of
from faultfinder.assess.casebook.judging import MOMENTS
from faultfinder.assess.casebook.scores import Scored, bits_of, normalised
from faultfinder.assess.casebook.whole_book import Book
from faultfinder.assess.intervals import bootstrap
from faultfinder.errors import MisuseError

Chances = Mapping[tuple[str, str], Mapping[str, float]]
"""(case, moment) -> group -> the chance that it holds what is at fault."""

LEVEL = 0.9
"""Of the intervals of differences."""

FIGURES: Mapping[str, Callable[[Scored], float]] = {
    "top1": lambda row: float(row.right),
    "top3": lambda row: float(row.in_three),
    "bits": lambda row: row.bits,
}


@dataclass(frozen=True)
class Difference:
    """A figure of the models here and of the others, means over `count` cases at a moment, and
    the paired bootstrap interval of here less there, of LEVEL."""

    moment: str
    figure: str
    count: int
    here: float
    there: float
    interval: tuple[float, float]


@dataclass(frozen=True)
class Beside:
    """The figures of a book beside those of other chances, called `name`."""

    name: str
    differences: tuple[Difference, ...]


def scored_by(row: Scored, groups: Mapping[str, float]) -> Scored:
    """The same case at the same moment by other chances; groups that are missing have none."""
    now = normalised(groups, row.groups)
    return replace(row, groups=now, bits=bits_of(now, row.truth), impossible=False)


def beside(book: Book, name: str, chances: Chances) -> Beside:
    """The book beside other chances, over the scored cases that both judge.

    Raises MisuseError where they judge none in common.
    """
    found = []
    for moment in MOMENTS:
        ours = [row for row in book.scored[moment] if (row.case.id, moment) in chances]
        theirs = [scored_by(row, chances[row.case.id, moment]) for row in ours]
        if ours:
            found += [_difference(moment, figure, ours, theirs) for figure in FIGURES]
    if not found:
        raise MisuseError(f"{name} holds no chances for any of these cases.")
    return Beside(name, tuple(found))


def _difference(
    moment: str, figure: str, ours: Sequence[Scored], theirs: Sequence[Scored]
) -> Difference:
    here, there = ([FIGURES[figure](row) for row in rows] for rows in (ours, theirs))
    interval = bootstrap([a - b for a, b in zip(here, there, strict=True)], level=LEVEL)
    n = len(here)
    return Difference(moment, figure, n, sum(here) / n, sum(there) / n, interval)


def read_chances(place: Path) -> Chances:
    """The chances in a file of the form that `faultfinder model cases --json` prints; of each
    case only `id` and the `moment` and `groups` of its `moments` are read.

    Raises MisuseError.
    """
    text = content_of(place, READ_AT_MOST * 4 + 1)
    try:
        if len(text) > READ_AT_MOST * 4:
            raise ValueError
        return {
            (str(case["id"]), str(moment["moment"])): _groups(moment["groups"])
            for case in json.loads(text)["cases"]
            for moment in case["moments"]
        }
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise MisuseError(
            f"{place} does not hold chances of cases as `faultfinder model cases --json` "
            "prints them."
        ) from None


def _groups(held: Mapping[str, Any]) -> dict[str, float]:
    groups = {str(group): float(chance) for group, chance in held.items()}
    if not all(math.isfinite(one) and 0.0 <= one <= 1.0 for one in groups.values()):
        raise ValueError
    return groups
