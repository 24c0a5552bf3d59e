"""Two passes over a junction tree that stores only what is possible.

Rules and "worst of" conditions make most joint states of a clique impossible; tables
here hold the possible ones only (zero compression, Jensen & Andersen 1990), one row
per joint state and one column per evidence set. Otherwise as in
`faultfinder.inference.propagation`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import TREE_LIMIT, family_factor
from faultfinder.inference.propagation import calibrate, initial_tables
from faultfinder.inference.tree import JunctionTree, build_tree
from faultfinder.model.network import Array, DiscreteNetwork, Ints

Scope = tuple[int, ...]

_SETTLE = 8
"""Factors multiplied into one clique before its columns are scaled again."""


@dataclass(frozen=True, eq=False)
class Sums:
    """How the rows of a clique add up over a part of its variables.

    `order` sorts the rows by joint state of the part (None: they are sorted already),
    `starts` are where each group begins, `group` says which group a row is in, `keys`
    are the joint states (flat) that the groups stand for.
    """

    order: Ints | None
    starts: Ints
    group: Ints
    keys: Ints

    def over(self, table: Array) -> Array:
        """Shape (groups, batch) from shape (rows, batch)."""
        rows = table if self.order is None else table[self.order]
        added: Array = np.add.reduceat(rows, self.starts, axis=0)
        return added


@dataclass(frozen=True, eq=False)
class Link:
    """A tree edge: both sides sum to the same groups, in the same order."""

    child: int
    parent: int
    below: Sums
    above: Sums


@dataclass(frozen=True, eq=False)
class SparseTree:
    """Possible joint states of each clique: `states[c]` has shape (variables, rows)."""

    cards: tuple[int, ...]
    tree: JunctionTree
    states: tuple[Ints, ...] = field(repr=False)
    links: tuple[Link, ...] = field(repr=False)

    @property
    def rows(self) -> int:
        """Rows of all cliques together."""
        return sum(states.shape[1] for states in self.states)

    def home(self, scope: Iterable[int]) -> int:
        """The clique with the fewest rows that holds the whole scope."""
        wanted = set(scope)
        fits = [c for c, clique in enumerate(self.tree.cliques) if wanted <= set(clique)]
        return min(fits, key=lambda c: self.states[c].shape[1])

    def keys(self, clique: int, scope: Scope) -> Ints:
        """The joint state of `scope` (its last variable varying fastest) in each row."""
        keys = np.zeros(self.states[clique].shape[1], dtype=np.int64)
        for variable in scope:
            place = self.tree.cliques[clique].index(variable)
            keys = keys * self.cards[variable] + self.states[clique][place]
        return keys

    def sums(self, clique: int, scope: Scope) -> Sums:
        return _sums(self.keys(clique, scope))


def sparse_tree(
    network: DiscreteNetwork,
    members: Sequence[int],
    scopes: Iterable[Scope],
    known: Mapping[int, Array] | None = None,
) -> SparseTree:
    """A tree that holds the families of `members` and each of `scopes`.

    `members` must hold the parents of each member. What is possible is judged by the
    zeros in the network's tables and by `known`: zeros and ones over the states of some
    members. What is known must be possible. Raises FaultfinderError beyond TREE_LIMIT.
    """
    families = [(*network.parents[number], number) for number in members]
    tree = build_tree([*families, *scopes], network.cards)
    if tree.size > TREE_LIMIT:
        raise FaultfinderError(
            f"Learning with these findings needs a table of {tree.size:,} numbers; the limit is "
            f"{TREE_LIMIT:,}. Give the findings fewer parents."
        )
    # Even shares over what is possible, so that no product of small figures underflows.
    even = []
    for number in members:
        scope, values = family_factor(network, number)
        even.append((scope, (values > 0.0) / float(network.cards[number])))
        if known and number in known:
            even.append(((number,), known[number][:, None]))
    possible = calibrate(tree, initial_tables(tree, even), []).tables
    flat = [np.flatnonzero(table[..., 0] > 0.0) for table in possible]
    states = [
        np.array(np.unravel_index(rows, shape), dtype=np.int64).reshape(len(shape), len(rows))
        for rows, shape in zip(flat, tree.shapes, strict=True)
    ]
    bare = SparseTree(network.cards, tree, tuple(states), ())
    # Rows in the order of the message upwards, so that it needs no sorting.
    for edge in tree.edges:
        shared = _shared(tree, edge.child, edge.parent)
        order = np.argsort(bare.keys(edge.child, shared), kind="stable")
        states[edge.child] = states[edge.child][:, order]
    bare = SparseTree(network.cards, tree, tuple(states), ())
    links = []
    for edge in tree.edges:
        shared = _shared(tree, edge.child, edge.parent)
        below, above = bare.sums(edge.child, shared), bare.sums(edge.parent, shared)
        assert np.array_equal(below.keys, above.keys), "calibrated cliques agree on what is shared"
        links.append(Link(edge.child, edge.parent, below, above))
    return SparseTree(network.cards, tree, tuple(states), tuple(links))


def _shared(tree: JunctionTree, child: int, parent: int) -> Scope:
    return tuple(v for v in tree.cliques[child] if v in set(tree.cliques[parent]))


def _sums(keys: Ints) -> Sums:
    present, group, counts = np.unique(keys, return_inverse=True, return_counts=True)
    order: Ints | None = np.argsort(keys, kind="stable")
    if np.all(keys[1:] >= keys[:-1]):
        order = None
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    return Sums(order, starts, group.reshape(-1).astype(np.int64), present)


@dataclass(frozen=True, eq=False)
class Placed:
    """A factor's place: its home clique and, for each row there, the entry of the factor."""

    clique: int
    entry: Ints


def propagate(
    sparse: SparseTree,
    start: Sequence[Array],
    factors: Sequence[tuple[Placed, Array]],
    batch: int,
) -> tuple[list[Array], Array]:
    """Beliefs of every clique, shape (rows, batch), and log evidence, shape (batch,).

    `start[c]` has shape (rows,); factors have shape (entries, batch). Where the evidence
    is impossible the beliefs are zero and the log is minus infinity.
    """
    log = np.zeros(batch)
    tables: list[Array] = [values[:, None] for values in start]
    taken = [0] * len(tables)
    for placed, values in factors:
        scaled, peak = _peak(values)
        log += peak
        home = placed.clique
        tables[home] = tables[home] * scaled[placed.entry]
        taken[home] += 1
        if taken[home] % _SETTLE == 0:
            tables[home], peak = _peak(tables[home])
            log += peak
    messages: list[Array] = []
    for link in sparse.links:
        message = link.below.over(tables[link.child])
        message, total = _whole(message)
        log += total
        messages.append(message)
        tables[link.parent] = tables[link.parent] * message[link.above.group]
    top = sparse.tree.root
    tables[top], total = _whole(tables[top])
    log += total
    for link, message in zip(reversed(sparse.links), reversed(messages), strict=True):
        above = link.above.over(tables[link.parent])
        # 0/0 is 0: what the child holds impossible stays impossible.
        wide = np.broadcast_to(message, np.broadcast_shapes(above.shape, message.shape))
        ratio = np.divide(above, wide, out=np.zeros(wide.shape), where=wide > 0.0)
        child = tables[link.child] * ratio[link.below.group]
        # The message was scaled, not the table: so is the belief now.
        tables[link.child], _ = _whole(child)
    return [np.broadcast_to(table, (len(table), batch)) for table in tables], log


def _peak(values: Array) -> tuple[Array, Array]:
    peak = values.max(axis=0)
    safe = np.where(peak > 0.0, peak, 1.0)
    return values / safe, np.log(safe)


def _whole(values: Array) -> tuple[Array, Array]:
    total = values.sum(axis=0)
    if total.min() > 0.0:
        return values / total, np.log(total)
    possible = total > 0.0
    safe = np.where(possible, total, 1.0)
    return values / safe, np.where(possible, np.log(safe), -np.inf)


def start_tables(
    sparse: SparseTree, homes: Mapping[int, Placed], tables: Mapping[int, Array]
) -> list[Array]:
    """Product of the families, clique by clique: `tables[number]` axes (parents..., own)."""
    start = [np.ones(states.shape[1]) for states in sparse.states]
    for number, placed in homes.items():
        start[placed.clique] = start[placed.clique] * tables[number].reshape(-1)[placed.entry]
    return start


def columns_at_once(rows: int, entries: int = 1 << 20) -> int:
    """Evidence sets a pass, so that its tables stay within about `entries` numbers."""
    return int(min(1024, max(16, 1 << int(math.log2(max(1.0, entries / max(rows, 1)))))))
