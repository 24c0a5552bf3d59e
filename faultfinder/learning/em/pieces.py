"""Networks cut where every ticket knows the state.

What is known in every ticket separates what hangs on it from the rest: a family of known variables
has the same counts in every round, and what is hidden hangs together in small groups, whose joint
states are listed for each different row of what is known around them. The likelihood is the
product over the groups, so that an E-step over them is exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from faultfinder.learning.em.engine import At, Engine
from faultfinder.learning.em.expected_counts import Expected, counted, expect
from faultfinder.learning.em.patterns import Patterns
from faultfinder.model.network import Array, Ints

GAIN = 0.5
"""Numbers that listing may take at most, as a share of those of the whole network's tables."""

AT_MOST = 1 << 22
"""Numbers that are listed at most."""


@dataclass(frozen=True, eq=False)
class Group:
    """Hidden variables that hang together: `entries` has for each of their families the place in
    its table of each joint state and row, shape (joint states, rows). `possible` is 0 where what
    is known excludes the joint state and else 1, or None; `weights` (rows,) are the tickets',
    `told` (rows,) marks those that tell a finding which not all do: an open one says nothing of
    its own figures."""

    entries: Mapping[int, Ints] = field(repr=False)
    possible: Array | None = field(repr=False)
    weights: Array = field(repr=False)
    told: Mapping[int, Array] = field(repr=False)


@dataclass(frozen=True, eq=False)
class Pieces:
    """The groups, and the counts of families that are known in every ticket, by variable and in
    the order of its table."""

    groups: Sequence[Group]
    fixed: Mapping[int, Array] = field(repr=False)

    def expect(self, at: At, patterns: Patterns) -> Expected:
        """One E-step, the same as `expect` makes."""
        flat: dict[int, Array] = {}
        log_likelihood = 0.0
        with np.errstate(divide="ignore"):
            logs = {number: np.log(table.reshape(-1)) for number, table in at.tables.items()}
        for number, counts in self.fixed.items():
            held = counts > 0.0
            log_likelihood += float(counts[held] @ logs[number][held])
            flat[number] = counts
        for group in self.groups:
            with np.errstate(divide="ignore"):
                joint = np.log(group.possible) if group.possible is not None else 0.0
            for number, entry in group.entries.items():
                joint = joint + logs[number][entry]
            top = np.max(joint, axis=0)
            with np.errstate(invalid="ignore"):
                share = np.exp(joint - top)
            total = share.sum(axis=0)
            log_likelihood += float(group.weights @ (top + np.log(total)))
            share = share * (group.weights / total)
            for number, entry in group.entries.items():
                size = at.tables[number].size
                own = share * group.told[number] if number in group.told else share
                flat[number] = np.bincount(entry.reshape(-1), own.reshape(-1), size).astype(float)
        if not np.isfinite(log_likelihood):
            return expect(at, patterns)  # It says which pattern is impossible.
        cards = at.engine.compiled.network.cards
        joints = {n: counts.reshape(-1, cards[n], 1) for n, counts in flat.items()}
        spoken = counted(at, joints)
        impossible = np.zeros(len(patterns.codes), dtype=bool)
        return Expected(dict(spoken), spoken, log_likelihood, impossible, {})


def cut(engine: Engine, patterns: Patterns, label_error: float) -> Pieces | None:
    """The pieces of a network; None where they do not pay.

    Nor where somebody complained, which leaves out machines, where what is missing says
    something, and where tickets have labels: those have engines of their own.
    """
    codec, network, codes = engine.codec, engine.compiled.network, patterns.codes
    if codec.complaint is not None or engine.written or label_error or patterns.labelled.any():
        return None
    places = {codec.columns[place]: place for place in range(codec.findings)}
    known = {number for number, place in places.items() if codes[:, place].all()}
    leaves = {leaf for read in engine.reads for leaf, _ in read.leaves}
    relevant = leaves.union(engine.homes)
    scopes = {number: (*network.parents[number], number) for number in relevant}
    # Imported here: no everyday command needs it.
    import networkx as nx

    together = nx.Graph()
    hidden_in = {n: [v for v in scope if v not in known] for n, scope in scopes.items()}
    for some in hidden_in.values():
        nx.add_path(together, some)
    head = {v: min(some) for some in nx.connected_components(together) for v in some}
    families: dict[int, list[int]] = {}
    for number, some in hidden_in.items():
        if some:
            families.setdefault(head[some[0]], []).append(number)
    groups, listed = [], 0
    limit = min(AT_MOST, GAIN * len(codes) * engine.sparse.rows)
    for own in families.values():
        around = sorted({v for number in own for v in scopes[number]})
        hidden = [v for v in around if v not in known]
        told = [places[v] for v in around if v in places and codes[:, places[v]].any()]
        rows, which = np.unique(codes[:, told], axis=0, return_inverse=True)
        which = which.reshape(-1)
        size = int(np.prod([float(network.cards[v]) for v in hidden]))
        listed += len(own) * size * len(rows)
        if listed > limit:
            return None
        column = {codec.columns[place]: rows[:, n].astype(np.int64) for n, place in enumerate(told)}
        states: dict[int, Ints] = {v: column[v][None] - 1 for v in around if v in known}
        parts = np.unravel_index(np.arange(size), [network.cards[v] for v in hidden])
        states |= {v: part[:, None] for v, part in zip(hidden, parts, strict=True)}
        possible = None
        for v in hidden:
            if v in column:
                fits = codec.lookup(places[v])[states[v], column[v][None]]
                possible = fits if possible is None else possible * fits
        entries = {}
        for number in own:
            entry = np.zeros((size, len(rows)), dtype=np.int64)
            for v in scopes[number]:
                entry = entry * network.cards[v] + states[v]
            entries[number] = entry
        weights = np.bincount(which, patterns.weights, len(rows)).astype(np.float64)
        open_ones = {v: (column[v] > 0).astype(np.float64) for v in leaves & column.keys() - known}
        groups.append(Group(entries, possible, weights, open_ones))
    fixed: dict[int, Array] = {}
    for number, scope in scopes.items():
        if known.issuperset(scope):
            cells = np.zeros(len(codes), dtype=np.int64)
            for v in scope:
                cells = cells * network.cards[v] + (codes[:, places[v]].astype(np.int64) - 1)
            size = network.tables[number].size
            fixed[number] = np.bincount(cells, patterns.weights, size).astype(np.float64)
    return Pieces(groups, fixed)
