"""Paired differences with intervals: the same tickets under two models."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from faultfinder.assess.intervals import bootstrap
from faultfinder.model.network import Array, Ints

RESAMPLES = 2000
"""Bootstrap resamples unless asked otherwise."""


@dataclass(frozen=True)
class Difference:
    """The mean of new minus old over `count` tickets; `interval` is its 95 % interval."""

    mean: float
    interval: tuple[float, float]
    count: int

    @property
    def clear(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.interval[0] > 0.0 or self.interval[1] < 0.0


def paired_difference(
    old: Array,
    new: Array,
    *,
    seed: int = 0,
    resamples: int = RESAMPLES,
    groups: Ints | None = None,
) -> Difference:
    """Mean of `new - old`, both of shape (tickets,), at least two of them.

    The interval is the bootstrap's over whole tickets. Where tickets of a group share what was
    decided, `groups` (tickets,) says which they are in: each group then counts as one observation
    (`_by_groups`), unless all are in one. Tickets where either is NaN are left out.
    """
    both = ~(np.isnan(old) | np.isnan(new))
    change = new[both] - old[both]
    held = np.zeros(len(change), dtype=np.int64) if groups is None else groups[both]
    if len(np.unique(held)) > 1:
        interval = _by_groups(change, held)
    else:
        interval = bootstrap(change, draws=resamples, seed=seed)
    return Difference(float(change.mean()), interval, len(change))


def _by_groups(change: Array, groups: Ints) -> tuple[float, float]:
    """Student's 95 % interval of the mean, the K groups being independent of one another and not
    the tickets in them: variance K / (K - 1) sum_k (sum of what is over the mean in k)^2 / n^2,
    with K - 1 degrees of freedom (Liang & Zeger, Biometrika 73 (1986) 13)."""
    # Imported here: no everyday command needs it.
    from scipy.stats import t

    _, place = np.unique(groups, return_inverse=True)
    mean = float(change.mean())
    sums = np.bincount(place.reshape(-1), weights=change - mean)
    count = len(sums)
    error = math.sqrt(count / (count - 1) * float((sums**2).sum())) / len(change)
    half = float(t.ppf(0.975, count - 1)) * error
    return mean - half, mean + half
