"""Joint probability of a few variables by eliminating all others.

For questions that no clique of the junction tree can answer (Zhang & Poole 1994).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

import numpy as np

from faultfinder.inference.firsts import factors_of_first
from faultfinder.model.network import Array, DiscreteNetwork

WORK_LIMIT = 1 << 24
"""Entries above which an intermediate table is refused."""


class TooLarge(Exception):
    """An intermediate table would hold `entries` numbers."""

    def __init__(self, entries: int) -> None:
        self.entries = entries
        super().__init__(f"{entries:,} entries")


def joint_with_evidence(
    network: DiscreteNetwork,
    wanted: Sequence[int],
    likelihoods: Mapping[int, Array],
    families: Collection[int] | None = None,
) -> Array:
    """P(wanted, evidence): one axis per wanted variable, in order. With `families` the product of
    the tables of these variables alone.

    `likelihoods[i]` has shape (states of i,); a certain finding is a vector of
    zeros with a single one. Raises TooLarge above WORK_LIMIT entries.
    """
    # 1. Only ancestors of what is asked or known matter (barren nodes sum to one). A first of
    # others that is not asked for itself is written out over those.
    firsts = {
        number: first
        for number, first in network.firsts.items()
        if number not in wanted and number not in likelihoods
    }
    needed = set(families or ())
    stack = [*wanted, *likelihoods] if families is None else []
    while stack:
        number = stack.pop()
        if number in firsts:
            stack.extend((*firsts[number].members, *firsts[number].some))
        elif number not in needed:
            needed.add(number)
            stack.extend(network.parents[number])
    # 2. Known states leave the tables at once.
    factors: list[tuple[tuple[int, ...], Array]] = []
    keep = set(wanted)
    fixed = {
        number: int(np.argmax(vector))
        for number, vector in likelihoods.items()
        if number not in keep and np.count_nonzero(vector) == 1 and vector.max() == 1.0
    }
    for number in needed:
        scope = (*network.parents[number], number)
        table = network.tables[number]
        factors.append(_at(fixed, scope, table))
    for number, vector in likelihoods.items():
        if number not in fixed:
            factors.append(((number,), np.asarray(vector, dtype=np.float64)))
    if firsts:
        cards = dict(enumerate(network.cards))
        factors = [
            _at(fixed, small, table[..., 0])
            for scope, values in factors
            for small, table in factors_of_first((scope, values[..., None]), firsts, cards)
        ]
    # 3. Sum the others out, the cheapest first.
    waiting = {v for scope, _ in factors for v in scope} - keep
    weights = {v: _weight(network, factors, v) for v in waiting}
    while waiting:
        variable = min(waiting, key=lambda v: (weights[v], v))
        waiting.discard(variable)
        touching = [factor for factor in factors if variable in factor[0]]
        factors = [factor for factor in factors if variable not in factor[0]]
        scope = tuple(sorted({v for s, _ in touching for v in s} - {variable}))
        # State by state takes half the time of one table with the variable.
        summed = np.zeros(_shape(network, (*scope, variable))[:-1])
        for state in range(network.cards[variable]):
            one = [_at({variable: state}, *factor) for factor in touching]
            summed += _product(network, one, scope)
        factors.append((scope, summed))
        for touched in waiting.intersection(scope):
            weights[touched] = _weight(network, factors, touched)
    return _product(network, factors, tuple(wanted))


def _at(
    fixed: Mapping[int, int], scope: tuple[int, ...], table: Array
) -> tuple[tuple[int, ...], Array]:
    """A factor at the known states: over the variables left."""
    index = tuple(fixed[v] if v in fixed else slice(None) for v in scope)
    return tuple(v for v in scope if v not in fixed), table[index]


def _weight(
    network: DiscreteNetwork, factors: Iterable[tuple[tuple[int, ...], Array]], variable: int
) -> int:
    scope: set[int] = set()
    for own, _ in factors:
        if variable in own:
            scope.update(own)
    return math.prod([network.cards[v] for v in scope])


def _product(
    network: DiscreteNetwork,
    factors: Iterable[tuple[tuple[int, ...], Array]],
    scope: tuple[int, ...],
) -> Array:
    """The smaller first, so that few products are of the whole size."""
    shape = _shape(network, scope)
    result = np.ones(())
    for own, table in sorted(factors, key=lambda factor: factor[1].size):
        order = [v for v in scope if v in own]
        turned = table.transpose([own.index(v) for v in order])
        view = turned.reshape([network.cards[v] if v in own else 1 for v in scope])
        result = np.multiply(result, view, order="C")
    return np.broadcast_to(result, shape)


def _shape(network: DiscreteNetwork, scope: tuple[int, ...]) -> tuple[int, ...]:
    shape = tuple(network.cards[v] for v in scope)
    if math.prod(shape) > WORK_LIMIT:
        raise TooLarge(math.prod(shape))
    return shape
