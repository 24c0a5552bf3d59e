"""Factors by which times and prices differ from what a file says, from noisy measurements.

Each measurement is a sum of known parts, each times a factor of its own; its logarithm is taken
to scatter around that of the sum. Long pauses and slips of the pen are let go by Tukey's biweight
(Beaton & Tukey, Technometrics 16 (1974) 147), which gives no weight to what lies beyond 4.685
scales. The logarithms of the factors are taken to scatter around 0, the file, by as much as the
measurements themselves say (empirical Bayes), so that what was seen few times stays near it.

A small part of what was measured can be next to nothing, but not much more than it seems: the
logarithm of its factor has a long tail to the left, which the curvature at the top of the posterior
does not see. So each factor's own posterior is worked out along it, the others following (Tierney
& Kadane, J. American Statistical Association 81 (1986) 82, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.model.network import Array, Flags, Ints

BIWEIGHT, HUBER = 4.685, 1.345
"""Tuning constants for 95 % efficiency with normal errors (as in the help of S-PLUS, `chb`)."""
LEAST_SCALE, LEAST_SPREAD, MOST_SPREAD = 0.05, 0.1, 1.0
"""Bounds of the scale of measurements and of the spread of factors, in logarithms (a choice)."""
ROUNDS = 60
GRID = np.linspace(-6.0, 4.0, 21)
"""Where each factor's posterior is worked out, in standard deviations by the curvature."""
Z90 = 1.6448536269514722


@dataclass(frozen=True, eq=False)
class Factors:
    """By part: the median of its `log` factor, the ends `low` and `high` of its 90 % interval, and
    `count`, the measurements that speak on it, each by the share that the part has of it. `worth`
    is for how many measurements the file counts, `cut` the share of measurements that were given
    no weight."""

    log: Array
    low: Array
    high: Array
    count: Array
    worth: float
    cut: float


def factors(
    measured: Array, parts: Sequence[Sequence[int]], sizes: Array, free: Sequence[int]
) -> Factors:
    """The factors of the parts in `free`, all others being as they are.

    `measured` (n,) above zero; `parts` names the parts of each, repeated where done twice;
    `sizes` (parts,) is what the file says of each, above zero where it is free.
    """
    count, width = len(measured), max((len(one) for one in parts), default=1)
    total = len(sizes)
    index = np.full((count, width), total, dtype=np.int64)
    for row, one in enumerate(parts):
        index[row, : len(one)] = one
    padded = np.append(sizes, 0.0)
    moves = np.zeros(total + 1, dtype=np.bool_)
    moves[list(free)] = True
    theta = np.zeros(total + 1)
    goal = np.log(measured)
    spread, scale = MOST_SPREAD / 2.0, 1.0
    weights: Array = np.ones(count)
    shares: Array = np.zeros((count, width))

    for turn in range(ROUNDS):
        each = padded[index] * np.exp(theta[index])
        whole = each.sum(axis=1)
        residual = goal - np.log(whole)
        scale = max(1.4826 * float(np.median(np.abs(residual - np.median(residual)))), LEAST_SCALE)
        far = np.abs(residual) / scale
        if turn < ROUNDS // 3:
            weights = np.minimum(1.0, HUBER / np.maximum(far, 1e-12))
        else:
            weights = np.where(far < BIWEIGHT, (1.0 - (far / BIWEIGHT) ** 2) ** 2, 0.0)
        shares = each / whole[:, None] * moves[index]
        normal = np.zeros((total + 1, total + 1))
        np.add.at(
            normal,
            (index[:, :, None], index[:, None, :]),
            weights[:, None, None] * shares[:, :, None] * shares[:, None, :],
        )
        slope = np.zeros(total + 1)
        np.add.at(slope, index, (weights * residual)[:, None] * shares)
        tight = scale**2 / spread**2
        normal += np.eye(total + 1) * tight
        step = np.linalg.solve(normal, slope - tight * theta)
        theta = theta + np.clip(np.where(moves, step, 0.0), -0.5, 0.5)
        cov = np.asarray(scale**2 * np.linalg.inv(normal), dtype=np.float64)
        told = _counts(index, weights[:, None] * shares, total)[:total]
        seen = told >= 2.0
        if seen.any():
            squares = theta[:total][seen] ** 2 + np.diag(cov)[:total][seen]
            # The mean of what the variance may be, given these, where any scale is as likely.
            variance = float(squares.sum()) / max(len(squares) - 2, 1)
            spread = float(np.clip(math.sqrt(variance), LEAST_SPREAD, MOST_SPREAD))
        if turn > ROUNDS // 2 and float(np.abs(step[moves]).max(initial=0.0)) < 1e-8:
            break
    spoken = _counts(index, weights[:, None] * shares, total)[:total]
    ends: list[Array] = [np.where(moves[:total], spread * z, 0.0) for z in (-Z90, 0.0, Z90)]
    low, middle, high = ends
    posterior = _Posterior.of(index, weights, goal, padded, moves, scale, spread)
    on = np.flatnonzero(spoken > 0.0)
    low[on], middle[on], high[on] = posterior.quantiles(theta, on)
    return Factors(
        middle,
        low,
        high,
        spoken,
        scale**2 / spread**2,
        float((weights == 0.0).mean()) if count else 0.0,
    )


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Minus the log posterior of the log factors, with the weights that the measurements have.

    Measurements of the same parts count as one: `index` (kinds, width) are their parts, `weights`
    and `goal` (kinds,) the sum of their weights and the mean of their logarithms.
    """

    index: Ints
    weights: Array
    goal: Array
    sizes: Array
    moves: Flags
    scale: float
    spread: float

    @staticmethod
    def of(index: Ints, weights: Array, goal: Array, sizes: Array, moves: Flags,
           scale: float, spread: float) -> _Posterior:  # fmt: skip
        kinds, which = np.unique(np.sort(index, axis=1), axis=0, return_inverse=True)
        total: Array = np.bincount(which.ravel(), weights, len(kinds)).astype(np.float64)
        mean: Array = np.bincount(which.ravel(), weights * goal, len(kinds)) / np.maximum(
            total, 1e-12
        )
        kept = total > 0.0
        return _Posterior(kinds[kept], total[kept], mean[kept], sizes, moves, scale, spread)

    def at(self, theta: Array, parts: Ints) -> tuple[float, Array, Array]:
        """Its value, slope and curvature in some parts, at log factors (parts + 1,)."""
        count = len(theta)
        each = self.sizes[self.index] * np.exp(theta[self.index])
        whole = each.sum(axis=1)
        residual = self.goal - np.log(whole)
        shares = each / whole[:, None] * self.moves[self.index]
        pull = np.bincount(
            self.index.ravel(), ((self.weights * residual)[:, None] * shares).ravel(), count
        )
        pairs = (self.index[:, :, None] * count + self.index[:, None, :]).ravel()
        both = (self.weights * (1.0 + residual))[:, None, None] * (
            shares[:, :, None] * shares[:, None, :]
        )
        bend = np.bincount(pairs, both.ravel(), count * count).reshape(count, count)
        bend = bend[np.ix_(parts, parts)] - np.diag(pull[parts])
        noise, prior = self.scale**2, self.spread**2
        own = theta[parts]
        value = float(self.weights @ residual**2) / noise + float(own @ own) / prior
        slope = own / prior - pull[parts] / noise
        return value / 2.0, slope, bend / noise + np.eye(len(parts)) / prior

    def quantiles(self, theta: Array, parts: Ints) -> tuple[Array, Array, Array]:
        """The 5 %, 50 % and 95 % quantiles of each of the `parts` that measurements speak on, from
        the most probable log factors."""
        cov: Array = np.linalg.inv(self.at(theta, parts)[2]).astype(np.float64)
        found = np.array(
            [self._quantiles(theta, parts, at, cov[:, at]) for at in range(len(parts))]
        ).reshape(len(parts), 3)
        return found[:, 0], found[:, 1], found[:, 2]

    def _quantiles(self, theta: Array, parts: Ints, at: int, cov: Array) -> Array:
        """Of one part: its density is the posterior where the others are most probable, times the
        room that they have there."""
        values, heights = [], []
        for z in GRID:
            moved = theta.copy()
            moved[parts] += cov / np.sqrt(cov[at]) * z
            for step in range(2):
                value, slope, bend = self.at(moved, parts)
                bend[at, :] = bend[:, at] = slope[at] = 0.0
                bend[at, at] = 1.0
                if not step:
                    moved[parts] -= np.clip(np.linalg.solve(bend, slope), -0.5, 0.5)
            sign, room = np.linalg.slogdet(bend)
            values.append(float(moved[parts[at]]))
            heights.append(-value - room / 2.0 if sign > 0.0 else -np.inf)
        fine = np.linspace(values[0], values[-1], 500)
        below = np.cumsum(np.exp(np.interp(fine, values, np.array(heights) - max(heights))))
        found: Array = np.interp(np.array([0.05, 0.5, 0.95]) * below[-1], below, fine)
        return found


def _counts(index: Ints, shares: Array, total: int) -> Array:
    found = np.zeros(total + 1)
    np.add.at(found, index, shares)
    return found
