"""How well a share is known from a count, and a mean from a sample."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from faultfinder.errors import MisuseError
from faultfinder.model.network import Array

_AT_ONCE = 1 << 21
"""Values that are drawn at once."""


def wilson(hits: int, trials: int, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share (Wilson, J. Am. Stat. Assoc. 22 (1927) 209).

    All of 0 to 1 without a trial. Raises MisuseError unless 0 <= hits <= trials and
    0 < level < 1.
    """
    if not 0 <= hits <= trials or not 0.0 < level < 1.0:
        raise MisuseError("A share needs 0 <= hits <= trials, and a level between 0 and 1.")
    if trials == 0:
        return 0.0, 1.0
    # Imported here: no everyday command needs it.
    from statistics import NormalDist

    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    share, extra = hits / trials, z * z / trials
    middle = (share + extra / 2.0) / (1.0 + extra)
    half = math.sqrt(share * (1.0 - share) * extra + extra * extra / 4.0) / (1.0 + extra)
    # At the ends the formula gives 0 and 1 but for rounding.
    low = 0.0 if hits == 0 else max(0.0, middle - half)
    return low, 1.0 if hits == trials else min(1.0, middle + half)


def bootstrap(
    values: Sequence[float] | Array,
    of: Callable[..., Array] = np.mean,
    level: float = 0.95,
    draws: int = 10_000,
    seed: int = 1,
) -> tuple[float, float]:
    """The percentile bootstrap interval of a mean over cases (Efron & Tibshirani, An introduction
    to the bootstrap, 1993, chapter 13), or of what `of` makes of drawn cases along axis 1. With
    fewer than some 30 cases it is too narrow; NaNs without one. The same seed gives the same.

    `values` has shape (cases, ...).
    """
    count = len(values)
    if not count:
        return math.nan, math.nan
    held, rng, rows = np.asarray(values), np.random.default_rng(seed), max(1, _AT_ONCE // count)
    parts = [
        of(held[rng.integers(count, size=(min(rows, draws - begin), count))], axis=1)
        for begin in range(0, draws, rows)
    ]
    low, high = np.quantile(np.concatenate(parts), [(1.0 - level) / 2.0, (1.0 + level) / 2.0])
    return float(low), float(high)
