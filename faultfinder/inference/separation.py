"""Which parts of a target a check can still depend on.

Shachter's Bayes-ball (UAI 1998): the requisite observations of a variable, with
variables that are functions of known ones counted as known.
"""

from __future__ import annotations

from collections.abc import Iterable

from faultfinder.model.network import DiscreteNetwork


def determined(network: DiscreteNetwork, known: Iterable[int]) -> frozenset[int]:
    """`known` and all variables that are functions of it."""
    closed = set(known)
    for number in network.order:
        if network.deterministic[number] and all(p in closed for p in network.parents[number]):
            closed.add(number)
    return frozenset(closed)


def requisite(
    network: DiscreteNetwork,
    start: Iterable[int],
    known: frozenset[int],
    judged: frozenset[int] = frozenset(),
) -> tuple[set[int], set[int]]:
    """The members of `known` on which P(start | known) can depend, and the variables whose
    tables it takes.

    `judged` are unknown variables with a likelihood of their own, as if something
    below them had been seen.
    """
    starts = set(start)
    top: set[int] = set()
    bottom: set[int] = set()
    reached: set[int] = set()
    stack = [(number, True) for number in starts]
    while stack:
        number, from_child = stack.pop()
        if number in known and number not in starts:
            reached.add(number)
        observed = number in known and number not in starts
        if from_child and not observed:
            if number not in top:
                top.add(number)
                stack.extend((parent, True) for parent in network.parents[number])
            if number not in bottom:
                bottom.add(number)
                stack.extend((child, False) for child in network.children[number])
        elif not from_child:
            if (observed or number in judged) and number not in top:
                top.add(number)
                stack.extend((parent, True) for parent in network.parents[number])
            if not observed and number not in bottom:
                bottom.add(number)
                stack.extend((child, False) for child in network.children[number])
    return reached, top
