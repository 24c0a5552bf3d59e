"""Factors by which times and prices differ from what a file says, from noisy measurements.

Each measurement is a sum of known parts, each times a factor of its own; its logarithm is taken
to scatter around that of the sum. Long pauses and slips of the pen are let go by Tukey's biweight
(Beaton & Tukey, Technometrics 16 (1974) 147), which gives no weight to what lies beyond 4.685
scales. The logarithms of the factors are taken to scatter around 0, the file, by as much as the
measurements themselves say (empirical Bayes), so that what was seen few times stays near it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.learning.judge.scores import Ints
from faultfinder.model.network import Array

BIWEIGHT, HUBER = 4.685, 1.345
"""Tuning constants for 95 % efficiency with normal errors (as in the help of S-PLUS, `chb`)."""
LEAST_SCALE, LEAST_SPREAD, MOST_SPREAD = 0.05, 0.1, 1.0
"""Bounds of the scale of measurements and of the spread of factors, in logarithms (a choice)."""
ROUNDS = 60
Z90 = 1.6448536269514722


@dataclass(frozen=True, eq=False)
class Factors:
    """By part: `log` factor, its standard deviation `sd`, and `count`, the measurements that
    speak on it, each by the share that the part has of it. `worth` is for how many measurements
    the file counts, `cut` the share of measurements that were given no weight."""

    log: Array
    sd: Array
    count: Array
    worth: float
    cut: float


def factors(
    measured: Array, parts: Sequence[Sequence[int]], sizes: Array, free: Sequence[int]
) -> Factors:
    """The most probable factors of the parts in `free`, all others being as they are.

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
    cov: Array = np.eye(total + 1)
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
            sizes_seen = theta[:total][seen] ** 2 + np.diag(cov)[:total][seen]
            spread = float(np.clip(np.sqrt(sizes_seen.mean()), LEAST_SPREAD, MOST_SPREAD))
        if turn > ROUNDS // 2 and float(np.abs(step[moves]).max(initial=0.0)) < 1e-8:
            break
    return Factors(
        theta[:total],
        np.sqrt(np.diag(cov))[:total],
        _counts(index, weights[:, None] * shares, total)[:total],
        scale**2 / spread**2,
        float((weights == 0.0).mean()) if count else 0.0,
    )


def _counts(index: Ints, shares: Array, total: int) -> Array:
    found = np.zeros(total + 1)
    np.add.at(found, index, shares)
    return found
