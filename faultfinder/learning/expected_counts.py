"""The E-step: expected counts of every family, and the log-likelihood, over all patterns.

A machine that never complained leaves no ticket. Taking tickets for a plain sample
would raise every base rate to its share among the complaints. So the file's own
p0 = P(complaint), which tickets cannot tell, is kept, and n tickets stand for n / p0
machines: one more pattern, "no complaint, nothing else known", weighs n (1 - p0) / p0.
That is ordinary EM over all machines.

An open finding says nothing about its own figures and is left out of their counts
(its part of the likelihood is one); histories and causes that do not lead to the
complaint are left out of the unseen machines' counts for the same reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.parameters import Family, ancestors
from faultfinder.learning.patterns import Codec, Codes, Patterns
from faultfinder.learning.sparse_tree import (
    Placed,
    SparseTree,
    Sums,
    columns_at_once,
    propagate,
    sparse_tree,
    start_tables,
)
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind

Figures = Mapping[int, Array]
"""Figures by variable number, each of shape (groups, states)."""

Joints = dict[int, Array]
"""Expected counts by variable of the network: (parents' joint states, own states, batch)."""


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

    @property
    def columns_at_once(self) -> int:
        return columns_at_once(self.sparse.rows)

    @cached_property
    def above_complaint(self) -> frozenset[int]:
        complaint = self.compiled.model.complaint
        if complaint is None:
            return frozenset()
        return ancestors(self.compiled, self.compiled.network.index[complaint])

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
    used: NDArray[np.bool_],
    seen_share: float,
) -> Engine:
    """Make a model ready; `used` marks the columns of codes that occur at all."""
    network, model = compiled.network, compiled.model
    columns = {codec.columns[place]: place for place in np.flatnonzero(used).tolist()}
    relevant: set[int] = set()
    for number in columns:
        relevant |= ancestors(compiled, number)
    has_children = {p for number in relevant for p in network.parents[number]}
    leaves = [
        n
        for n in sorted(relevant)
        if n < network.own and n not in has_children and model.variables[n].kind is Kind.FINDING
    ]
    core = [n for n in sorted(relevant) if n not in leaves]
    scopes = {network.parents[n] for n in leaves}
    sparse = sparse_tree(network, core, sorted(tuple(sorted(scope)) for scope in scopes))
    homes = {}
    for number in core:
        scope = (*network.parents[number], number)
        clique = sparse.home(scope)
        homes[number] = Placed(clique, sparse.keys(clique, scope))
    told: dict[tuple[int, ...], list[tuple[int, int | None]]] = {}
    for number, place in columns.items():
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


class At:
    """An engine at given figures: tables and likelihoods worked out once for many rows."""

    def __init__(self, engine: Engine, figures: Figures) -> None:
        self.engine = engine
        self.figures = figures
        network = engine.compiled.network
        tables = dict(enumerate(network.tables))
        for family in engine.families:
            tables.update(family.form.tables(figures[family.number]))
        self.tables = tables
        self.start = start_tables(engine.sparse, engine.homes, tables)
        self.likelihoods: dict[int, Array] = {}
        for item in engine.evidence:
            for place, leaf in item.columns:
                lookup = engine.lookups[place]
                if leaf is not None:
                    lookup = tables[leaf].reshape(-1, len(lookup)) @ lookup
                    # An open finding says nothing, whatever rounding makes of its sum.
                    lookup[:, 0] = 1.0
                self.likelihoods[place] = lookup

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
                states = np.arange(1, network.cards[leaf] + 1)
                seen = (codes[:, place] == states[:, None]).astype(np.float64)
                found[leaf] = known[:, None, :] * seen
        return found


@dataclass
class Totals:
    """Running sums of weighted beliefs over chunks of rows."""

    cliques: list[Array]
    leaves: dict[int, Array]

    @staticmethod
    def empty(engine: Engine) -> Totals:
        network = engine.compiled.network
        leaves = {
            leaf: np.zeros((read.size, network.cards[leaf]))
            for read in engine.reads
            for leaf, _ in read.leaves
        }
        return Totals([np.zeros(s.shape[1]) for s in engine.sparse.states], leaves)

    def add(self, engine: Engine, tables: Sequence[Array], codes: Codes, weights: Array) -> None:
        """Add the beliefs of rows of codes, each by its weight, shape (batch,)."""
        for place, table in enumerate(tables):
            self.cliques[place] += table @ weights
        cards = engine.compiled.network.cards
        for read in engine.reads:
            columns = [codes[:, place] for _, place in read.leaves]
            if not any(column.any() for column in columns):
                continue
            known = read.sums.over(tables[read.clique])
            marks = np.concatenate(
                [
                    (column[:, None] == np.arange(1, cards[leaf] + 1)) * weights[:, None]
                    for (leaf, _), column in zip(read.leaves, columns, strict=True)
                ],
                axis=1,
            )
            added, start = known @ marks, 0
            for leaf, _ in read.leaves:
                self.leaves[leaf][read.sums.keys] += added[:, start : start + cards[leaf]]
                start += cards[leaf]

    def joints(self, engine: Engine, only: frozenset[int] | None = None) -> Joints:
        """The counts of families, batch of one; of the core variables in `only`, if given."""
        network = engine.compiled.network
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
                found[leaf] = added[..., None]
        return found


@dataclass(frozen=True, eq=False)
class Mixture:
    """Rows to pass for a chunk of patterns, and how they make up each pattern.

    Without label errors a pattern is its own row. With them a labelled pattern is a
    mixture: with the label right, its own row; with the label wrong, the row without it.
    `twin` has the place of that row, or -1.
    """

    codes: Codes
    twin: NDArray[np.int64]
    wrong: Array
    """Log of e q(label), shape (patterns,); see `log_of_wrong_label`."""
    right: float
    """Log of 1 - e."""

    def weigh(self, log: Array) -> tuple[Array, Array]:
        """Log probability of each pattern, and the share of its own row, both (patterns,)."""
        count = len(self.twin)
        own = log[:count]
        mixed = self.twin >= 0
        if not mixed.any():
            return own, np.ones(count)
        alone = self.right + own[mixed]
        other = self.wrong[mixed] + log[self.twin[mixed]]
        both = np.logaddexp(alone, other)
        total, share = own.copy(), np.ones(count)
        total[mixed] = both
        share[mixed] = np.exp(alone - np.where(np.isneginf(both), 0.0, both))
        return total, share

    def spread(self, share: Array, weights: Array) -> Array:
        """Weights of the rows from weights of the patterns."""
        rows = np.zeros(len(self.codes))
        rows[: len(share)] = share * weights
        mixed = self.twin >= 0
        np.add.at(rows, self.twin[mixed], ((1.0 - share) * weights)[mixed])
        return rows


def mixture(codec: Codec, codes: Codes, label_error: float) -> Mixture:
    """The rows for a chunk of patterns."""
    count, first = len(codes), codec.findings
    twin = np.full(count, -1, dtype=np.int64)
    causes = codes[:, first:]
    labelled = np.flatnonzero(causes.any(axis=1))
    if label_error == 0.0 or not len(labelled):
        return Mixture(codes, twin, np.zeros(count), 0.0)
    bare = codes[labelled].copy()
    bare[:, first:] = 0
    twin[labelled] = count + np.arange(len(labelled))
    named = np.maximum((causes == 2).sum(axis=1), 1)
    wrong = np.log(label_error) - named * np.log(causes.shape[1])
    return Mixture(np.concatenate([codes, bare]), twin, wrong, float(np.log1p(-label_error)))


@dataclass(frozen=True, eq=False)
class Expected:
    """What an E-step found.

    `counts[v]` are expected counts of a family's groups, (groups, states), unseen
    machines included; `spoken[v]` those of tickets alone. `impossible` are patterns of
    probability zero (left out of the counts).
    """

    counts: dict[int, Array]
    spoken: dict[int, Array]
    log_likelihood: float
    impossible: NDArray[np.bool_]


def expect(at: At, patterns: Patterns, label_error: float = 0.0) -> Expected:
    """One E-step."""
    engine = at.engine
    totals = Totals.empty(engine)
    log_likelihood = 0.0
    impossible = np.zeros(len(patterns.codes), dtype=bool)
    for rows, mixed in chunks(engine, patterns, label_error):
        tables, log = at.beliefs(mixed.codes)
        pattern_log, share = mixed.weigh(log)
        dead = np.isneginf(pattern_log)
        impossible[rows] = dead
        weights = np.where(dead, 0.0, patterns.weights[rows])
        log_likelihood += float(weights @ np.where(dead, 0.0, pattern_log))
        totals.add(engine, tables, mixed.codes, mixed.spread(share, weights))
    seen = totals.joints(engine)
    spoken = counted(at, seen)
    counts = dict(spoken)
    weight = float(patterns.weights[~impossible].sum())
    if engine.codec.complaint is not None and engine.seen_share < 1.0:
        never = weight * (1.0 - engine.seen_share) / engine.seen_share
        tables, log = at.beliefs(engine.codec.unseen())
        log_likelihood += never * float(log[0])
        unseen = Totals.empty(engine)
        unseen.add(engine, tables, engine.codec.unseen(), np.array([never]))
        more = counted(at, unseen.joints(engine, engine.above_complaint))
        counts = {v: spoken[v] + more[v] if v in more else spoken[v] for v in spoken}
    return Expected(counts, spoken, log_likelihood, impossible)


def chunks(
    engine: Engine, patterns: Patterns, label_error: float
) -> Iterator[tuple[slice, Mixture]]:
    """Patterns in pieces small enough for a pass."""
    size = engine.columns_at_once
    if label_error > 0.0:
        size = max(1, size // 2)
    for start in range(0, len(patterns.codes), size):
        rows = slice(start, start + size)
        yield rows, mixture(patterns.codec, patterns.codes[rows], label_error)


def counted(at: At, joints: Joints) -> dict[int, Array]:
    """Counts of figure groups (groups, states) from those of families, batch of one."""
    found = {}
    for family in at.engine.families:
        if any(number in joints for number in family.form.numbers):
            counts = family.form.counts(at.figures[family.number], joints)
            found[family.number] = counts[..., 0]
    return found
