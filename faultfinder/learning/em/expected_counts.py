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

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from faultfinder.learning.em.engine import At, Joints, Totals
from faultfinder.learning.em.patterns import Codec, Codes, Patterns
from faultfinder.model.network import Array, Flags, Ints


@dataclass(frozen=True, eq=False)
class Mixture:
    """Rows to pass for a chunk of patterns, and how they make up each pattern.

    Without label errors a pattern is its own row. With them a labelled pattern is a
    mixture: with the label right, its own row; with the label wrong, the row without it.
    `twin` has the place of that row, or -1.
    """

    codes: Codes
    twin: Ints
    wrong: Array
    """Log of e q(label), shape (patterns,); see `mixture`."""
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
    probability zero (left out of the counts). `written[v]` are the results by state of a finding
    that is not always written down: shape (2, states), written and expected not written.
    """

    counts: dict[int, Array]
    spoken: dict[int, Array]
    log_likelihood: float
    impossible: Flags
    written: dict[int, Array]


def expect(at: At, patterns: Patterns, label_error: float = 0.0) -> Expected:
    """One E-step."""
    engine = at.engine
    totals: dict[int, tuple[At, Totals]] = {}
    log_likelihood = 0.0
    impossible = np.zeros(len(patterns.codes), dtype=bool)
    for part, rows, mixed in passes(at, patterns, label_error):
        tables, log = part.beliefs(mixed.codes)
        pattern_log, share = mixed.weigh(log)
        dead = np.isneginf(pattern_log)
        impossible[rows] = dead
        weights = np.where(dead, 0.0, patterns.weights[rows])
        log_likelihood += float(weights @ np.where(dead, 0.0, pattern_log))
        if id(part) not in totals:
            totals[id(part)] = (part, Totals.empty(part))
        totals[id(part)][1].add(part.engine, tables, mixed.codes, mixed.spread(share, weights))
    seen: Joints = {}
    written = {number: np.zeros((2, len(share))) for number, share in at.written.items()}
    for part, total in totals.values():
        for number, joint in total.joints(part).items():
            seen[number] = seen[number] + joint if number in seen else joint
        for number in written:
            if number in total.leaves:
                told = total.leaves[number]
                silent = told[:, -1] @ part.unwritten_shares(number)
                written[number] += np.stack([told[:, :-1].sum(axis=0), silent])
    spoken = counted(at, seen)
    counts = dict(spoken)
    weight = float(patterns.weights[~impossible].sum())
    if engine.codec.complaint is not None and engine.seen_share < 1.0:
        never = weight * (1.0 - engine.seen_share) / engine.seen_share
        tables, log = at.beliefs(engine.codec.unseen())
        log_likelihood += never * float(log[0])
        unseen = Totals.empty(at)
        unseen.add(engine, tables, engine.codec.unseen(), np.array([never]))
        more = counted(at, unseen.joints(at, engine.above_complaint))
        counts = {v: spoken[v] + more[v] if v in more else spoken[v] for v in spoken}
    return Expected(counts, spoken, log_likelihood, impossible, written)


def passes(at: At, patterns: Patterns, label_error: float) -> Iterator[tuple[At, Ints, Mixture]]:
    """Patterns in pieces small enough for a pass, each with what to pass it through.

    Where labels can be wrong a pattern is passed with and without its label, and so
    through the engine for any label.
    """
    groups = patterns.by_label
    if label_error > 0.0 or not at.engine.parts:
        groups = ((b"", np.arange(len(patterns.codes), dtype=np.int64)),)
    else:
        rare = [rows for label, rows in groups if label not in at.engine.parts]
        groups = tuple(item for item in groups if item[0] in at.engine.parts)
        if rare:
            groups = (*groups, (b"", np.sort(np.concatenate(rare))))
    for label, members in groups:
        part = at.part(label)
        size = part.engine.columns_at_once
        if label_error > 0.0:
            size = max(1, size // 2)
        for start in range(0, len(members), size):
            rows = members[start : start + size]
            yield part, rows, mixture(patterns.codec, patterns.codes[rows], label_error)


def counted(at: At, joints: Joints) -> dict[int, Array]:
    """Counts of figure groups (groups, states) from those of families, batch of one."""
    found = {}
    for family in at.engine.families:
        if any(number in joints for number in family.form.numbers):
            counts = family.form.counts(at.figures[family.number], joints)
            found[family.number] = counts[..., 0]
    return found
