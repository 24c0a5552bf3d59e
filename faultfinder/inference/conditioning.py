"""Beliefs given each of many joint states of some variables, a column each.

Variables that are known in every column (the conditioned ones and sure evidence)
leave the junction tree: their families are sliced, and a tree over what is left is
smaller, often by far (cutset conditioning, Pearl 1988, with all cases at once).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from faultfinder.inference.compiled import CompiledModel, Readout, family_factor, ordered_factor
from faultfinder.inference.firsts import Factor
from faultfinder.inference.posterior import Evidence, beliefs
from faultfinder.inference.propagation import calibrate, initial_tables
from faultfinder.inference.tree import JunctionTree, build_tree
from faultfinder.model.network import Array

Ints = NDArray[np.int64]
Known = dict[int, Ints | int]
"""State of each known variable: one for all columns, or one per column."""


@lru_cache(maxsize=32)
def sliced_tree(
    compiled: CompiledModel, known: frozenset[int], scopes: frozenset[tuple[int, ...]]
) -> tuple[JunctionTree, tuple[Array, ...], tuple[int, ...]]:
    """A tree over the unknown variables that also holds each of `scopes` (ascending).

    Returns the tree, its tables from the families without a known variable, and the
    variables whose families have one.
    """
    network = compiled.network
    whole: list[Factor] = []
    touched: list[int] = []
    wanted = list(scopes)
    for number in range(len(network.names)):
        if number in compiled.leaves:
            continue
        family = (*network.parents[number], number)
        wanted.append(tuple(v for v in family if v not in known))
        if known.intersection(family):
            touched.append(number)
        else:
            whole.append(family_factor(network, number))
    tree = build_tree(wanted, network.cards)
    return tree, initial_tables(tree, whole), tuple(touched)


def columns_given(
    compiled: CompiledModel,
    variables: tuple[int, ...],
    states: Ints,
    evidence: Evidence,
    ways: Sequence[Readout],
) -> tuple[Array, list[Array]]:
    """P(evidence, state) and P(results | evidence, state) for each column of states.

    `states` has shape (variables, columns). Returns the natural log of the former,
    shape (columns,), and for each readout an array (joint results, columns); zeros
    where a column is impossible.
    """
    network = compiled.network
    if network.firsts:
        return _as_columns(compiled, variables, states, evidence, ways)
    known: Known = {}
    for number, vector in evidence.likelihoods.items():
        if number not in compiled.leaves and np.count_nonzero(vector) == 1:
            known[number] = int(np.argmax(vector))
    known.update({v: states[place] for place, v in enumerate(variables)})
    factors: list[Factor] = []
    for number, vector in evidence.weighed.items():
        if number in compiled.leaves:
            values = network.tables[number] @ vector
            factors.append(_slice(network.parents[number], values, known))
        elif number in known:
            state = known[number]
            factors.append(((), np.atleast_1d(np.asarray(vector[state], dtype=np.float64))))
        else:
            factors.append(((number,), vector[:, None]))
    ways = [_ascending(way, network.cards) for way in ways]
    free = frozenset(tuple(v for v in way.scope if v not in known) for way in ways)
    scopes = free | {scope for scope, _ in factors}
    tree, start, touched = sliced_tree(compiled, frozenset(known), scopes)
    for number in touched:
        family = (*network.parents[number], number)
        factors.append(_slice(family, network.tables[number], known))
    calibrated = calibrate(tree, start, factors)
    count = states.shape[1]
    told = []
    for way in ways:
        scope = tuple(v for v in way.scope if v not in known)
        weights = calibrated.marginal(scope)
        weights = weights.reshape(-1, weights.shape[-1])
        dims = tuple(network.cards[v] for v in way.scope)
        rows = way.rows.reshape(-1, *dims)
        # The results become a variable of their own, named by a number nobody has.
        axes, values = _slice((*way.scope, -1), np.moveaxis(rows, 0, -1), known)
        results = len(way.rows)
        values = values.reshape(*(d for v, d in _dims(axes, network.cards, results)), -1)
        place = axes.index(-1)
        values = np.moveaxis(values, place, 0).reshape(results, -1, values.shape[-1])
        told.append(np.broadcast_to((values * weights).sum(axis=1), (results, count)))
    return np.broadcast_to(calibrated.log_evidence, (count,)), told


def _as_columns(
    compiled: CompiledModel,
    variables: tuple[int, ...],
    states: Ints,
    evidence: Evidence,
    ways: Sequence[Readout],
) -> tuple[Array, list[Array]]:
    """The same in the model's own tree, with each joint state as evidence.

    Where a condition is the first of many causes the tree is small, and cannot be sliced.
    """
    count = states.shape[1]
    network = compiled.network
    known = {
        variable: np.eye(network.cards[variable])[:, states[place]]
        for place, variable in enumerate(variables)
    }
    calibrated = beliefs(compiled, evidence.with_columns(known))
    told = []
    for way in ways:
        weights = calibrated.marginal(way.scope)
        given = way.rows @ weights.reshape(-1, weights.shape[-1])
        told.append(np.broadcast_to(given, (len(way.rows), count)))
    return np.broadcast_to(calibrated.log_evidence, (count,)), told


def _ascending(way: Readout, cards: Sequence[int]) -> Readout:
    """The readout with its scope in ascending order, in which beliefs are handed out."""
    order = sorted(range(len(way.scope)), key=lambda axis: way.scope[axis])
    dims = tuple(cards[v] for v in way.scope)
    rows = way.rows.reshape(-1, *dims).transpose([0, *(1 + axis for axis in order)])
    entropy = way.entropy.reshape(dims).transpose(order)
    scope = tuple(way.scope[axis] for axis in order)
    return Readout(way.findings, scope, rows.reshape(len(way.rows), -1), entropy.reshape(-1))


def _dims(axes: tuple[int, ...], cards: Sequence[int], results: int) -> list[tuple[int, int]]:
    return [(v, results if v == -1 else cards[v]) for v in axes]


def _slice(scope: tuple[int, ...], values: Array, known: Known) -> Factor:
    """A table at the known states: over the unknown variables, ascending, and columns."""
    fixed = [axis for axis, v in enumerate(scope) if v in known]
    free = [axis for axis, v in enumerate(scope) if v not in known]
    turned = values.transpose([*fixed, *free])
    left = tuple(scope[axis] for axis in free)
    if not fixed:
        return ordered_factor(left, turned[..., None])
    index = tuple(known[scope[axis]] for axis in fixed)
    picked = turned[index]
    if all(isinstance(state, int) for state in index):
        return ordered_factor(left, picked[..., None])
    return ordered_factor(left, np.moveaxis(picked, 0, -1))
