"""A model made ready for many passes: beliefs and family counts for rows of codes.

Tickets whose causes are confirmed leave few joint states possible, so that frequent
labels get an engine of their own, with tables over those states only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.parameters import Family
from faultfinder.learning.em.patterns import Codec, Codes, Patterns
from faultfinder.learning.em.sparse_tree import (
    Placed,
    SparseTree,
    Sums,
    columns_at_once,
    propagate,
    sparse_tree,
    start_tables,
)
from faultfinder.model.network import Array, Flags
from faultfinder.model.parts import Kind

Figures = Mapping[int, Array]
"""Figures by variable number, each of shape (groups, states)."""

Joints = dict[int, Array]
"""Expected counts by variable of the network: (parents' joint states, own states, batch)."""

FREQUENT, MOST_PARTS = 32, 64
"""Patterns that make a label worth an engine of its own, and how many get one at most."""


@dataclass(frozen=True, eq=False)
class _Evidence:
    """What is known about one scope: columns of codes, and how each turns into a factor."""

    placed: Placed
    columns: tuple[tuple[int, int | None], ...]
    """(column, leaf variable or None where the scope is the variable itself)."""


@dataclass(frozen=True, eq=False)
class _Read:
    """Leaves with the same parents, read from one clique."""

    clique: int
    sums: Sums
    size: int
    leaves: tuple[tuple[int, int], ...]
    """(variable, its column)."""


@dataclass(frozen=True, eq=False)
class Engine:
    """A model made ready for passes over rows of codes.

    `core` are the variables in the tree; leaves (findings that nothing depends on) are
    factors on their parents. Variables that no column in use can tell about are left out.
    """

    compiled: CompiledModel
    codec: Codec
    families: tuple[Family, ...]
    sparse: SparseTree = field(repr=False)
    homes: Mapping[int, Placed] = field(repr=False)
    evidence: tuple[_Evidence, ...] = field(repr=False)
    reads: tuple[_Read, ...] = field(repr=False)
    lookups: Mapping[int, Array] = field(repr=False)
    seen_share: float
    written: Mapping[int, Array] = field(default_factory=dict, repr=False)
    """P(written down | state), shape (states,), of leaves whose results are not all written
    down; of all others what is missing says nothing."""
    parts: Mapping[bytes, Engine] = field(default_factory=dict, repr=False)
    """Engines for rows with the complaint: by label, and b"" for all others."""

    @property
    def columns_at_once(self) -> int:
        return columns_at_once(self.sparse.rows)

    @cached_property
    def above_complaint(self) -> frozenset[int]:
        complaint = self.compiled.model.complaint
        if complaint is None:
            return frozenset()
        return self.compiled.network.above([self.compiled.network.index[complaint]])

    @cached_property
    def family_sums(self) -> dict[int, Sums]:
        """How to sum the home clique of each core family to it."""
        network = self.compiled.network
        return {
            number: self.sparse.sums(placed.clique, (*network.parents[number], number))
            for number, placed in self.homes.items()
        }

    def at(self, figures: Figures) -> At:
        return At(self, figures)


def build_engine(
    compiled: CompiledModel,
    codec: Codec,
    families: Sequence[Family],
    used: Flags,
    seen_share: float,
    known: Mapping[int, Array] | None = None,
) -> Engine:
    """Make a model ready; `used` marks the columns of codes that occur at all.

    `known` are zeros and ones over the states of some variables: the engine is then for
    rows that agree with it, and does not look at their columns.
    """
    known = known or {}
    network, model = compiled.network, compiled.model
    columns = {codec.columns[place]: place for place in np.flatnonzero(used).tolist()}
    relevant = network.above(columns)
    has_children = {p for number in relevant for p in network.parents[number]}
    leaves = [
        n
        for n in sorted(relevant)
        if n < network.own and n not in has_children and model.variables[n].kind is Kind.FINDING
    ]
    core = [n for n in sorted(relevant) if n not in leaves]
    scopes = {network.parents[n] for n in leaves}
    sparse = sparse_tree(network, core, sorted(tuple(sorted(scope)) for scope in scopes), known)
    homes = {}
    for number in core:
        scope = (*network.parents[number], number)
        clique = sparse.home(scope)
        homes[number] = Placed(clique, sparse.keys(clique, scope))
    told: dict[tuple[int, ...], list[tuple[int, int | None]]] = {}
    for number, place in columns.items():
        if number in known:
            continue
        if number in leaves:
            told.setdefault(network.parents[number], []).append((place, number))
        else:
            told.setdefault((number,), []).append((place, None))
    evidence, reads = [], []
    for scope, items in told.items():
        clique = sparse.home(scope)
        evidence.append(_Evidence(Placed(clique, sparse.keys(clique, scope)), tuple(items)))
        below = tuple((leaf, place) for place, leaf in items if leaf is not None)
        if below:
            size = int(np.prod([network.cards[v] for v in scope], dtype=np.int64))
            reads.append(_Read(clique, sparse.sums(clique, scope), size, below))
    return Engine(
        compiled,
        codec,
        tuple(families),
        sparse,
        homes,
        tuple(evidence),
        tuple(reads),
        {place: codec.lookup(place) for place in columns.values()},
        seen_share,
    )


def with_parts(engine: Engine, patterns: Patterns) -> Engine:
    """The engine, with others for the patterns' frequent labels and for the complaint."""
    codec, compiled = engine.codec, engine.compiled
    used = np.asarray(patterns.codes.any(axis=0))
    at = engine.at({family.number: family.file for family in engine.families})
    often = sorted(patterns.by_label, key=lambda item: (-len(item[1]), item[0]))[:MOST_PARTS]
    parts: dict[bytes, Engine] = {}
    blank = np.zeros((1, len(codec.columns)), dtype=np.uint8)
    if codec.complaint is not None:
        blank[0, codec.complaint] = patterns.codes[0, codec.complaint]
    for label in [b"", *(key for key, rows in often if any(key) and len(rows) >= FREQUENT)]:
        row = blank.copy()
        if label:
            row[0, codec.findings :] = np.frombuffer(label, dtype=np.uint8)
        if not row.any():
            continue  # Nothing is known of all of them: this engine.
        if np.isneginf(at.beliefs(row)[1][0]):
            continue  # An impossible label: for the general engine to find.
        known = {
            codec.columns[place]: codec.lookup(place)[:, int(row[0, place])]
            for place in np.flatnonzero(row[0]).tolist()
        }
        parts[label] = build_engine(
            compiled, codec, engine.families, used, engine.seen_share, known
        )
    return replace(engine, parts=parts)


class At:
    """An engine at given figures: tables and likelihoods worked out once for many rows."""

    def __init__(self, engine: Engine, figures: Figures, whole: At | None = None) -> None:
        self.engine = engine
        self.figures = figures
        self._parts: dict[bytes, At] = {}
        self.whole = whole
        self.tables: dict[int, Array]
        self.written: Mapping[int, Array]
        if whole is not None:
            self.tables = whole.tables
            self.written = whole.written
            return
        network = engine.compiled.network
        tables = dict(enumerate(network.tables))
        for family in engine.families:
            tables.update(family.form.tables(figures[family.number]))
        self.tables = tables
        self.written = engine.written

    @cached_property
    def start(self) -> list[Array]:
        """The product of the families, clique by clique."""
        return start_tables(self.engine.sparse, self.engine.homes, self.tables)

    @cached_property
    def likelihoods(self) -> dict[int, Array]:
        """What each code of a column says of the variable, or of the parents of a leaf."""
        if self.whole is not None:
            return self.whole.likelihoods
        engine, tables = self.engine, self.tables
        found = {}
        for item in engine.evidence:
            for place, leaf in item.columns:
                lookup = engine.lookups[place]
                if leaf is not None and leaf in self.written:
                    share = self.written[leaf]
                    lookup = np.concatenate(
                        [lookup[:, :1], np.diag(share), (1.0 - share)[:, None]], axis=1
                    )
                if leaf is not None:
                    lookup = tables[leaf].reshape(-1, len(lookup)) @ lookup
                    # An open finding says nothing, whatever rounding makes of its sum.
                    lookup[:, 0] = 1.0
                found[place] = lookup
        return found

    def part(self, label: bytes) -> At:
        """For rows with this label: the engine of that label, of all others, or this one."""
        key = label if label in self.engine.parts else b""
        if key not in self.engine.parts:
            return self
        if key not in self._parts:
            self._parts[key] = At(self.engine.parts[key], self.figures, self)
        return self._parts[key]

    def beliefs(self, codes: Codes) -> tuple[list[Array], Array]:
        """Beliefs of each clique (rows, batch) and log evidence (batch,) for rows of codes."""
        factors = []
        for item in self.engine.evidence:
            used = [place for place, _ in item.columns if codes[:, place].any()]
            # Few at a time: each product is scaled before it can underflow.
            for first in range(0, len(used), 16):
                values = self.likelihoods[used[first]][:, codes[:, used[first]]]
                for place in used[first + 1 : first + 16]:
                    values = values * self.likelihoods[place][:, codes[:, place]]
                factors.append((item.placed, values))
        return propagate(self.engine.sparse, self.start, factors, len(codes))

    def joints(self, tables: Sequence[Array], codes: Codes) -> Joints:
        """Counts of every family for each row of codes, kept apart (last axis)."""
        network, batch = self.engine.compiled.network, len(codes)
        found: Joints = {}
        for number, sums in self.engine.family_sums.items():
            placed = self.engine.homes[number]
            card = network.cards[number]
            full = np.zeros((self.tables[number].size, batch))
            full[sums.keys] = sums.over(tables[placed.clique])
            found[number] = full.reshape(-1, card, batch)
        for read in self.engine.reads:
            known = np.zeros((read.size, batch))
            known[read.sums.keys] = read.sums.over(tables[read.clique])
            for leaf, place in read.leaves:
                states = np.arange(1, network.cards[leaf] + 1 + (leaf in self.written))
                seen = (codes[:, place] == states[:, None]).astype(np.float64)
                found[leaf] = self.resolved(leaf, known[:, None, :] * seen)
        return found

    def resolved(self, leaf: int, counts: Array) -> Array:
        """Counts of a leaf, (parents' joint states, own states, batch), from those by code.

        What was not written down is spread over the states: P(state | parents, not written).
        """
        if leaf not in self.written:
            return counts
        return counts[:, :-1] + self.unwritten_shares(leaf)[..., None] * counts[:, -1:]

    def unwritten_shares(self, leaf: int) -> Array:
        """P(state | parents, not written), shape (parents' joint states, own states)."""
        share = self.written[leaf]
        both = self.tables[leaf].reshape(-1, len(share)) * (1.0 - share)
        total = both.sum(axis=1, keepdims=True)
        found: Array = both / np.where(total > 0.0, total, 1.0)
        return found


@dataclass
class Totals:
    """Running sums of weighted beliefs over chunks of rows."""

    cliques: list[Array]
    leaves: dict[int, Array]

    @staticmethod
    def empty(at: At) -> Totals:
        engine, network = at.engine, at.engine.compiled.network
        leaves = {
            leaf: np.zeros((read.size, network.cards[leaf] + (leaf in at.written)))
            for read in engine.reads
            for leaf, _ in read.leaves
        }
        return Totals([np.zeros(s.shape[1]) for s in engine.sparse.states], leaves)

    def add(self, engine: Engine, tables: Sequence[Array], codes: Codes, weights: Array) -> None:
        """Add the beliefs of rows of codes, each by its weight, shape (batch,)."""
        for place, table in enumerate(tables):
            self.cliques[place] += table @ weights
        sizes = {leaf: counts.shape[1] for leaf, counts in self.leaves.items()}
        for read in engine.reads:
            columns = [codes[:, place] for _, place in read.leaves]
            if not any(column.any() for column in columns):
                continue
            known = read.sums.over(tables[read.clique])
            marks = np.concatenate(
                [
                    (column[:, None] == np.arange(1, sizes[leaf] + 1)) * weights[:, None]
                    for (leaf, _), column in zip(read.leaves, columns, strict=True)
                ],
                axis=1,
            )
            added, start = known @ marks, 0
            for leaf, _ in read.leaves:
                self.leaves[leaf][read.sums.keys] += added[:, start : start + sizes[leaf]]
                start += sizes[leaf]

    def joints(self, at: At, only: frozenset[int] | None = None) -> Joints:
        """The counts of families, batch of one; of the core variables in `only`, if given."""
        engine, network = at.engine, at.engine.compiled.network
        found: Joints = {}
        for number, placed in engine.homes.items():
            if only is None or number in only:
                size = network.tables[number].size
                counts = np.bincount(
                    placed.entry, self.cliques[placed.clique], minlength=size
                ).astype(np.float64)
                found[number] = counts.reshape(-1, network.cards[number], 1)
        if only is None:
            for leaf, added in self.leaves.items():
                found[leaf] = at.resolved(leaf, added[..., None])
        return found
