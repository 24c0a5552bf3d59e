"""Credible intervals from the observed information.

The covariance is the inverse of the prior's information plus the sum over tickets of
the outer product of their scores (the empirical information, Meilijson 1989), so that
what was not recorded widens an interval. Scores follow from each pattern's expected
counts N: d log P / d eta_k = N_k - theta_k sum(N), with theta = softmax(eta) in a group.
Intervals are normal on the logit scale and therefore stay within (0, 1).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import NormalDist

import numpy as np

from faultfinder.learning.em.engine import At, Joints
from faultfinder.learning.em.expected_counts import passes
from faultfinder.learning.em.parameters import Family
from faultfinder.learning.em.patterns import Patterns
from faultfinder.model.network import Array, Ints

LEVEL = 0.90

JOINT_LIMIT = 2500
"""Free figures up to which their covariance is worked out jointly; beyond, per variable."""

_RIDGE = 1e-6
"""Information of a figure that nothing tells about: its interval is then all of (0, 1)."""

Bounds = dict[int, tuple[Array, Array]]


class _Free:
    """The free figures: in each group all possible states but its most probable one."""

    def __init__(self, families: Sequence[Family], figures: Mapping[int, Array]) -> None:
        self.families = [f for f in families if f.number in figures]
        self.figures = figures
        self.slots: dict[int, Ints] = {}
        count = 0
        for family in self.families:
            theta = figures[family.number]
            slot = np.full(theta.shape, -1, dtype=np.int64)
            loose = (theta > 0.0) & (np.arange(theta.shape[1]) != theta.argmax(axis=1)[:, None])
            slot[loose] = np.arange(count, count + int(loose.sum()))
            count += int(loose.sum())
            self.slots[family.number] = slot
        self.count = count

    def scores(self, counts: Mapping[int, Array], batch: int) -> Array:
        """Shape (free figures, batch) from counts (groups, states, batch) by variable."""
        scores = np.zeros((self.count, batch))
        for family in self.families:
            if family.number not in counts:
                continue
            found, slot = counts[family.number], self.slots[family.number]
            theta = self.figures[family.number][..., None]
            change = found - theta * found.sum(axis=1, keepdims=True)
            scores[slot[slot >= 0]] = change[slot >= 0]
        return scores

    def prior(self) -> Array:
        """Information of the prior, at its weight in pseudo-counts."""
        information = np.zeros((self.count, self.count))
        for family in self.families:
            theta = self.figures[family.number]
            worth = family.prior.sum(axis=1)
            for group, slot in enumerate(self.slots[family.number]):
                own = slot[slot >= 0]
                share = theta[group][slot >= 0]
                information[np.ix_(own, own)] += worth[group] * (
                    np.diag(share) - np.outer(share, share)
                )
        return information


def intervals(at: At, patterns: Patterns, label_error: float = 0.0) -> Bounds:
    """Lower and upper ends of each figure, shape (groups, states), by variable."""
    free = _Free(at.engine.families, at.figures)
    joint = free.count <= JOINT_LIMIT
    blocks = [np.arange(free.count)]
    if not joint:
        blocks = [
            free.slots[f.number][free.slots[f.number] >= 0].reshape(-1) for f in free.families
        ]
    sums = [np.zeros((len(block), len(block))) for block in blocks]

    def add(scores: Array, weights: Array) -> None:
        for total, block in zip(sums, blocks, strict=True):
            part = scores[block]
            total += (part * weights) @ part.T

    for part, rows, mixed in passes(at, patterns, label_error):
        tables, log = part.beliefs(mixed.codes)
        joints = part.joints(tables, mixed.codes)
        scores = free.scores(_counts(at, joints), len(mixed.codes))
        _, share = mixed.weigh(log)
        own = scores[:, : len(share)] * share
        pairs = np.flatnonzero(mixed.twin >= 0)
        own[:, pairs] += scores[:, mixed.twin[pairs]] * (1.0 - share[pairs])
        add(own, patterns.weights[rows])
    engine = at.engine
    if engine.codec.complaint is not None and engine.seen_share < 1.0:
        codes = engine.codec.unseen()
        tables, _ = at.beliefs(codes)
        joints = at.joints(tables, codes)
        above = {n: joint for n, joint in joints.items() if n in engine.above_complaint}
        never = float(patterns.weights.sum()) * (1.0 - engine.seen_share) / engine.seen_share
        add(free.scores(_counts(at, above), 1), np.array([never]))
    prior = free.prior()
    spread = np.zeros((free.count, free.count))
    for total, block in zip(sums, blocks, strict=True):
        if len(block):
            information = total + prior[np.ix_(block, block)] + _RIDGE * np.eye(len(block))
            spread[np.ix_(block, block)] = np.linalg.inv(information)
    return _bounds(free, spread)


def _counts(at: At, joints: Joints) -> dict[int, Array]:
    return {
        family.number: family.form.counts(at.figures[family.number], joints)
        for family in at.engine.families
        if any(number in joints for number in family.form.numbers)
    }


def _bounds(free: _Free, spread: Array) -> Bounds:
    # Imported here: no everyday command needs it.
    from scipy.special import expit

    width = NormalDist().inv_cdf(0.5 + LEVEL / 2.0)
    bounds: Bounds = {}
    for family in free.families:
        theta = free.figures[family.number]
        low, high = theta.copy(), theta.copy()
        for group, slot in enumerate(free.slots[family.number]):
            own = slot[slot >= 0]
            if not len(own):
                continue
            share = theta[group][slot >= 0]
            part = spread[np.ix_(own, own)]
            for state in np.flatnonzero(theta[group] > 0.0).tolist():
                value = theta[group, state]
                # Slope of logit(theta_k) along each eta: 1 for its own, else
                # -theta_j / (1 - theta_k).
                slope = -share / max(1.0 - value, 1e-300)
                slope[own == slot[state]] = 1.0
                deviation = float(np.sqrt(max(slope @ part @ slope, 0.0)))
                logit = np.log(value) - np.log1p(-value) if value < 1.0 else np.inf
                low[group, state] = expit(logit - width * deviation)
                high[group, state] = expit(logit + width * deviation)
        bounds[family.number] = (low, high)
    return bounds
