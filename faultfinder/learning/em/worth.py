"""How much the author's belief is worth beside the tickets, chosen by the tickets.

The file says of each figure how many tickets it counts for. That is right where the file was
close to this shop and wrong where it was not, so a factor on it is chosen for each group of
figures by cross-validation: the belief weighted by the factor, with the expected counts of all
folds but one, is scored on the counts of the fold held out. The score is the expected
complete-data log-likelihood, what an EM round maximises, at the file's figures; it is a sum
over groups, and so each group is chosen by itself. Whether the shop is another one at all is
one question to all of them together: unless they gain enough, the file's figures stand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.learning.em.engine import Engine
from faultfinder.learning.em.expected_counts import expect
from faultfinder.learning.em.parameters import DEFAULT_WORTH, Family
from faultfinder.learning.em.patterns import Patterns
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel, Kind

FOLDS = 10
KEPT = 1e7
FACTORS = (KEPT, 64.0, 32.0, 16.0, 8.0, 4.0, 2.0, 1.0, 0.5, 0.25)
"""On the tickets that the file says; the first keeps its figures (a choice, no source)."""

LEAST_WORTH = DEFAULT_WORTH
"""Tickets that a figure counts for at least, or as many as the file says where that is none. A
belief that may be off by one in log odds counts for 1 / (p (1 - p)) tickets, 21 where p is 5 %."""

EVIDENCE = math.log(20.0)
"""What all groups together must gain, in nats over all tickets, before any figure moves: tickets
held out have to be twenty times as likely by what the others say as by the file. Of what is as
likely on average or less (an unchanged shop, where fitting only adds noise) that happens in one
draw in twenty at most (Markov's inequality)."""


@dataclass(frozen=True)
class Weighed:
    """A group of figures ("base rates" or "results"), the factor on the worth that its file
    says, and what the score gains by that over the file's figures, in nats over all tickets.

    Of figures that families have in common ("common results"), `alike` is how many tickets those
    of the other families count for at most, and the gain is over learning from the own alone.
    """

    group: str
    factor: float
    gain: float
    alike: float | None = None


def weigh(
    engine: Engine, patterns: Patterns, label_error: float
) -> tuple[tuple[Family, ...], tuple[Weighed, ...]]:
    """The families with the worth that the tickets choose, and what was chosen."""
    at = engine.at({family.number: family.file for family in engine.families})
    parts = [expect(at, part, label_error).counts for part in folds_of(patterns)]
    by_group: dict[str, list[Family]] = {}
    for family in engine.families:
        by_group.setdefault(group_of(engine.compiled.model, family), []).append(family)
    chosen = []
    for group, own in by_group.items():
        held = [_score(_weighted(engine, own, factor), parts) for factor in FACTORS]
        best = int(np.argmax(held))
        chosen.append(Weighed(group, FACTORS[best], held[best] - held[0]))
    if sum(one.gain for one in chosen) <= EVIDENCE:
        chosen = [Weighed(one.group, KEPT, 0.0) for one in chosen]
    found = {
        family.number: family
        for one in chosen
        for family in _weighted(engine, by_group[one.group], one.factor)
    }
    return tuple(found[family.number] for family in engine.families), tuple(chosen)


def group_of(model: FaultModel, family: Family) -> str:
    """Which figures are weighed together."""
    kind = model.variables[family.number].kind
    return "base rates" if kind in (Kind.CAUSE, Kind.HISTORY) else "results"


def folds_of(patterns: Patterns) -> list[Patterns]:
    """The tickets in folds of nearly equal size, the same whatever order they came in."""
    order = sorted(range(len(patterns.codes)), key=lambda row: patterns.codes[row].tobytes())
    # What only adds a share of a ticket counted elsewhere is held out as one.
    many = np.maximum(patterns.tickets, 1)
    tickets = np.repeat(np.array(order, dtype=np.int64), many[order])
    fold = np.random.default_rng(0).permutation(len(tickets)) % FOLDS
    found = []
    for number in range(min(FOLDS, len(tickets))):
        counts = np.bincount(tickets[fold == number], minlength=len(order))
        part = replace(patterns, weights=patterns.weights * counts / many)
        found.append(part.without(counts == 0))
    return found


def _weighted(engine: Engine, families: Sequence[Family], factor: float) -> list[Family]:
    return [replace(family, worth=weighted(engine, family, factor)) for family in families]


def weighted(engine: Engine, family: Family, factor: float) -> Array:
    """The worth of each figure group at a factor: shape (groups,)."""
    least = LEAST_WORTH * machines(engine, family)
    return np.where(family.worth > 0.0, np.maximum(family.worth * factor, least), 0.0)


def machines(engine: Engine, family: Family) -> float:
    """How many machines a ticket stands for: for rates among all, 1 / seen_share of them."""
    kind = engine.compiled.model.variables[family.number].kind
    among_all = family.number in engine.above_complaint and kind in (Kind.CAUSE, Kind.HISTORY)
    return 1.0 / engine.seen_share if among_all else 1.0


def _score(families: Sequence[Family], parts: Sequence[Mapping[int, Array]]) -> float:
    """The score of the folds held out, each after learning from all others."""
    return float(sum(scores(family, counts_of(family, parts)).sum() for family in families))


def counts_of(family: Family, parts: Sequence[Mapping[int, Array]]) -> Array:
    """A variable's counts by fold: shape (folds, groups, states)."""
    return np.stack([part.get(family.number, np.zeros_like(family.file)) for part in parts])


def scores(family: Family, held: Array) -> Array:
    """The score of each figure group, shape (groups,), from its counts by fold."""
    added = family.prior + held.sum(axis=0) - held
    # What a file without a worth has never seen is no reason to choose by.
    spoken = (held > 0.0) & (added > 0.0)
    share = np.log(np.where(spoken, added, 1.0))
    total = added.sum(axis=2)
    found = np.where(spoken, held * share, 0.0).sum(axis=(0, 2))
    norm = held.sum(axis=2) * np.log(np.where(total > 0.0, total, 1.0))
    result: Array = found - norm.sum(axis=0)
    return result
