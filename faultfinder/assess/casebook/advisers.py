"""How far the tool's next steps agree with those of advisers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from faultfinder.assess.casebook.books import Advised, RealCase
from faultfinder.assess.casebook.judging import Entry, Judged

FIRST = 3
"""Entries of the tool's order among which the adviser's first step is looked for."""


@dataclass(frozen=True)
class Agreement:
    """Means over cases and advisers: `first` is how often the adviser's first step is among the
    tool's first three, `overlap` the Jaccard index of both rounds; `count` rounds compared."""

    count: int
    first: float
    overlap: float


def agreement(
    intakes: Sequence[tuple[RealCase, Judged]], rounds: Mapping[str, Sequence[Advised]]
) -> Agreement | None:
    """The agreement over the cases that advisers judged; None for no such case."""
    first: list[float] = []
    overlap: list[float] = []
    for case, judged in intakes:
        for adviser in rounds.get(case.id, ()):
            words = asked(adviser, judged.judge.mapped.skipped_first)
            if words:
                first.append(float(words[0] in words_of(judged.order[:FIRST])))
                overlap.append(jaccard(words_of(judged.round), set(words)))
    if not first:
        return None
    return Agreement(len(first), sum(first) / len(first), sum(overlap) / len(overlap))


def asked(words: Advised, skipped: frozenset[str]) -> Advised:
    """The adviser's round; it counts from its second word where it begins with a skipped one."""
    return words[1:] if words and words[0] in skipped else words


def words_of(entries: Sequence[Entry]) -> set[str]:
    """The facts that some checks bring."""
    return {fact for one in entries for fact in one.facts}


def jaccard(one: set[str], other: set[str]) -> float:
    """What both hold over what either holds (Jaccard, Bull. Soc. Vaudoise
    Sci. Nat. 37 (1901) 241).

    >>> jaccard({"a", "b"}, {"b", "c"})
    0.3333333333333333
    """
    return len(one & other) / len(one | other) if one or other else 1.0
