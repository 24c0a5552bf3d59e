"""Do forecasts mean what they say: Murphy's decomposition, calibration table, Wilson interval.

Everything here takes single yes/no events; where causes of tickets are pooled, the
events of one ticket are not independent of each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from faultfinder.assess.intervals import wilson
from faultfinder.model.network import Array, Flags, Ints

BINS = 10
"""Bins of equal width that forecasts are grouped in."""


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
    `interval` is the Wilson 95 % interval of the share, taking events as independent.
    """

    low: float
    high: float
    count: int
    happened: int
    mean_forecast: float
    observed: float
    interval: tuple[float, float]


def decompose(forecasts: Array, happened: Flags) -> Murphy:
    """Murphy's decomposition by bins. Any shape; one forecast at least."""
    values, outcome = forecasts.reshape(-1), happened.reshape(-1).astype(np.float64)
    _, group = np.unique(_bin_of(values), return_inverse=True)
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


def calibration_table(forecasts: Array, happened: Flags) -> tuple[CalibrationBin, ...]:
    """How often things happened that were forecast with about the same probability. Any shape."""
    values = forecasts.reshape(-1)
    place = _bin_of(values)
    count = np.bincount(place, minlength=BINS)
    hits = np.bincount(place[happened.reshape(-1)], minlength=BINS)
    total = np.bincount(place, weights=values, minlength=BINS)
    return tuple(
        CalibrationBin(
            low=i / BINS,
            high=(i + 1) / BINS,
            count=int(count[i]),
            happened=int(hits[i]),
            mean_forecast=float(total[i] / count[i]) if count[i] else math.nan,
            observed=float(hits[i] / count[i]) if count[i] else math.nan,
            interval=wilson(int(hits[i]), int(count[i])),
        )
        for i in range(BINS)
    )


def _bin_of(values: Array) -> Ints:
    inner = [i / BINS for i in range(1, BINS)]
    place: Ints = np.searchsorted(np.asarray(inner), values, side="right").astype(np.int64)
    return place
