"""Paired differences with bootstrap intervals: the same tickets under two models."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faultfinder.errors import MisuseError
from faultfinder.model.network import Array

RESAMPLES = 2000
"""Bootstrap resamples unless asked otherwise."""

_AT_ONCE = 1 << 21


@dataclass(frozen=True)
class Difference:
    """The mean of new minus old over `count` tickets; `interval` holds 95 % of the resampled
    means."""

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
) -> Difference:
    """Mean of `new - old`, both of shape (tickets,), resampling whole tickets.

    The interval is the bootstrap's percentile interval (Efron & Tibshirani, An introduction
    to the bootstrap, 1993, chapter 13, from memory). With fewer than some 30
    tickets it is too narrow.
    Tickets where either is NaN are left out. The same seed gives the same interval.
    Raises MisuseError when the shapes differ or fewer than two tickets are left.
    """
    old, new = np.asarray(old, dtype=np.float64), np.asarray(new, dtype=np.float64)
    if old.shape != new.shape or old.ndim != 1:
        raise MisuseError("Paired figures need the same tickets on both sides, in one order.")
    if resamples < 1:
        raise MisuseError("A bootstrap needs at least one resample.")
    both = ~(np.isnan(old) | np.isnan(new))
    change = new[both] - old[both]
    if len(change) < 2:
        raise MisuseError(
            f"A difference needs at least 2 tickets to be compared on; there are {len(change)}."
        )
    means = resampled_means(change, np.random.default_rng(seed), resamples)
    low, high = np.quantile(means, [0.025, 0.975]).tolist()
    return Difference(
        mean=float(change.mean()),
        interval=(low, high),
        count=len(change),
    )


def resampled_means(values: Array, rng: np.random.Generator, resamples: int) -> Array:
    """Means of `values` drawn anew with replacement, shape (resamples,)."""
    count = len(values)
    rows = max(1, _AT_ONCE // count)
    parts = [
        values[rng.integers(count, size=(min(rows, resamples - begin), count))].mean(axis=1)
        for begin in range(0, resamples, rows)
    ]
    return np.concatenate(parts)
