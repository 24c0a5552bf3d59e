"""Factors over the first of many causes, written out as small ones.

A finding that hangs on "the first cause present, and how" depends on all causes. But in
each joint state exactly one cause speaks: the one present with none in front of it. So a
factor f(first) is the product, over the members in the order of hiding, of

    f(member's state)  where none in front is present and the member is,  else 1,

and of f(none) where no member is present. Each needs two variables: whether any in front
is present, and the member (context-specific independence, Boutilier et al. 1996; the chain
is that of Heckerman & Breese 1996). Nothing is approximated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from faultfinder.model.network import Array, First

Scope = tuple[int, ...]
Factor = tuple[Scope, Array]
"""A scope of ascending variable numbers and a table over it, with a last batch axis."""

Firsts = Mapping[int, First]


def first_in(scope: Sequence[int], firsts: Firsts) -> int | None:
    """A variable of the scope that is the first of others, or None."""
    return next((v for v in scope if v in firsts), None) if firsts else None


def scopes_of(scope: Sequence[int], firsts: Firsts) -> list[Scope]:
    """The scopes of the small factors that a factor over `scope` is written out to."""
    number = first_in(scope, firsts)
    if number is None:
        return [tuple(scope)]
    others = [v for v in scope if v != number]
    found: list[Scope] = []
    for piece in _pieces(firsts[number]):
        found += scopes_of(tuple(sorted({*piece, *others})), firsts)
    return found


def _pieces(first: First) -> list[Scope]:
    """(some in front, member) for each member, and last (some of all,)."""
    pairs = zip(first.some, first.members[1:], strict=False)
    return [(first.members[0],), *pairs, (first.some[-1],)]


def factors_of_first(factor: Factor, firsts: Firsts, cards: Mapping[int, int]) -> list[Factor]:
    """A factor written out, until no scope holds a first any more."""
    scope, values = factor
    number = first_in(scope, firsts)
    if number is None:
        return [factor]
    axis = scope.index(number)
    values = np.moveaxis(values, axis, 0)
    others = [v for v in scope if v != number]
    first = firsts[number]
    found: list[Factor] = []
    start = 1
    for place, member in enumerate(first.members):
        front = first.some[place - 1] if place else None
        count = cards[member]
        states = np.concatenate([[0], np.arange(start, start + count - 1)])
        start += count - 1
        found.append(_speaking(values, others, front, member, states, cards))
    last = first.some[-1]
    states = np.zeros(2, dtype=np.int64)
    found.append(_speaking(values, others, None, last, states, cards, speaks=0))
    if len(firsts) > 1:
        return [small for piece in found for small in factors_of_first(piece, firsts, cards)]
    return found


def _speaking(
    values: Array,
    others: Sequence[int],
    front: int | None,
    member: int,
    states: np.ndarray,
    cards: Mapping[int, int],
    speaks: int | None = None,
) -> Factor:
    """The factor of one member: `values` where it speaks, one elsewhere.

    `states` maps the member's states to those of the first (axis 0 of `values`). It speaks
    in all but its first state, or only in the state `speaks`.
    """
    talks = np.arange(len(states)) > 0 if speaks is None else np.arange(len(states)) == speaks
    if not others:
        own = np.where(talks[:, None], values[states], 1.0)
        if front is None:
            return (member,), own
        both = np.stack([own, np.ones_like(own)])
        return ((front, member), both) if front < member else ((member, front), both.swapaxes(0, 1))
    scope = tuple(sorted({member, *others} | (set() if front is None else {front})))
    grids = dict(
        zip(
            scope,
            np.ogrid[tuple(slice(0, 2 if v == front else cards[v]) for v in scope)],
            strict=True,
        )
    )
    where = talks[grids[member]]
    if front is not None:
        where = where & (grids[front] == 0)
    picked = values[(states[grids[member]], *(grids[v] for v in others))]
    shape = tuple(grids[v].shape[i] for i, v in enumerate(scope))
    where = np.broadcast_to(where, shape)[..., None]
    picked = np.broadcast_to(picked, (*shape, values.shape[-1]))
    return scope, np.where(where, picked, 1.0)


def marginal_of_first(
    scope: Sequence[int], number: int, first: First, marginal: Callable[[Sequence[int]], Array]
) -> Array:
    """P(scope), where `number` among it is a first, from marginals over small scopes.

    Axes in the order of `scope`, then the batch axis.
    """
    others = [v for v in scope if v != number]
    parts: list[Array] = []
    for place, member in enumerate(first.members):
        front = [first.some[place - 1]] if place else []
        if member in others:
            known = marginal([*front, *others])
            known = known[0] if front else known
            axis = others.index(member)
            for state in range(1, known.shape[axis]):
                only = np.zeros_like(known)
                at = (slice(None),) * axis + (state,)
                only[at] = known[at]
                parts.append(only[None])
            continue
        known = marginal([*front, member, *others])
        parts.append((known[0] if front else known)[1:])
    none = marginal([first.some[-1], *others])[:1]
    joined = np.concatenate([none, *parts], axis=0)
    return np.moveaxis(joined, 0, list(scope).index(number))
