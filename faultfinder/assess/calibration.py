"""Do forecasts mean what they say: Murphy's decomposition, calibration table, Wilson interval.

Everything here takes single yes/no events; where causes of tickets are pooled, the
events of one ticket are not independent of each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from faultfinder.assess.intervals import wilson
from faultfinder.model.network import Array, Flags, Ints

TENTHS = tuple(i / 10 for i in range(11))
"""Ends of the bins of equal width that forecasts are grouped in."""


@dataclass(frozen=True)
class Murphy:
    """The mean Brier score in parts (Murphy, J. Appl. Meteor. 12 (1973) 595).

    With K bins of n_k forecasts each, mean forecast f_k and observed share o_k, and o over all
    n: reliability = sum n_k (f_k - o_k)^2 / n, lower is better; resolution =
    sum n_k (o_k - o)^2 / n, higher is better; uncertainty = o (1 - o), no merit of the
    forecasts. reliability - resolution + uncertainty is the mean Brier score of forecasts that
    all say their bin's mean (algebra); what forecasts differ inside a bin is left out.
    """

    reliability: float
    resolution: float
    uncertainty: float


@dataclass(frozen=True)
class CalibrationBin:
    """Forecasts from `low` up to below `high` (the last bin: up to and with it).

    `mean_forecast` and `observed` (the share that happened) are NaN in an empty bin;
    `interval` is the Wilson interval of the share, taking events as independent.
    """

    low: float
    high: float
    count: int
    happened: int
    mean_forecast: float
    observed: float
    interval: tuple[float, float]

    @property
    def fits(self) -> bool:
        """Whether the interval holds the mean forecast."""
        return self.interval[0] <= self.mean_forecast <= self.interval[1]


def decompose(forecasts: Array, happened: Flags) -> Murphy:
    """Murphy's decomposition by tenths. Any shape; one forecast at least."""
    values, outcome = forecasts.reshape(-1), happened.reshape(-1).astype(np.float64)
    _, group = np.unique(_bin_of(values, TENTHS), return_inverse=True)
    count = np.bincount(group).astype(np.float64)
    n = float(len(values))
    mean = np.bincount(group, weights=values) / count
    share = np.bincount(group, weights=outcome) / count
    overall = float(outcome.mean())
    return Murphy(
        reliability=float((count * (mean - share) ** 2).sum() / n),
        resolution=float((count * (share - overall) ** 2).sum() / n),
        uncertainty=overall * (1.0 - overall),
    )


def calibration_table(
    forecasts: Array, happened: Flags, ends: Sequence[float] = TENTHS, level: float = 0.95
) -> tuple[CalibrationBin, ...]:
    """How often things happened that were forecast with about the same probability, in bins
    between `ends` (0, ..., 1), with intervals of `level`. Any shape."""
    values, bins = forecasts.reshape(-1), len(ends) - 1
    place = _bin_of(values, ends)
    count = np.bincount(place, minlength=bins)
    hits = np.bincount(place[happened.reshape(-1)], minlength=bins)
    total = np.bincount(place, weights=values, minlength=bins)
    return tuple(
        CalibrationBin(
            low=low,
            high=high,
            count=int(count[i]),
            happened=int(hits[i]),
            mean_forecast=float(total[i] / count[i]) if count[i] else math.nan,
            observed=float(hits[i] / count[i]) if count[i] else math.nan,
            interval=wilson(int(hits[i]), int(count[i]), level),
        )
        for i, (low, high) in enumerate(pairwise(ends))
    )


def _bin_of(values: Array, ends: Sequence[float]) -> Ints:
    place: Ints = np.searchsorted(np.asarray(ends[1:-1]), values, side="right").astype(np.int64)
    return place
