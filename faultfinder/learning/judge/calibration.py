"""Do forecasts mean what they say: Murphy's decomposition, calibration table, Wilson interval.

Everything here takes single yes/no events; where causes of tickets are pooled, the
events of one ticket are not independent of each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.assess.share_interval import wilson
from faultfinder.errors import MisuseError
from faultfinder.learning.judge.scores import Flags, Ints, checked
from faultfinder.model.network import Array

TENTHS = tuple(i / 10 for i in range(11))
"""Edges of ten bins of equal width."""


@dataclass(frozen=True)
class Murphy:
    """The mean Brier score in parts (Murphy, J. Appl. Meteor. 12 (1973) 595, from memory).

    brier = reliability - resolution + uncertainty + within_variance - within_covariance.
    For K groups of n_k forecasts with mean forecast f_k and observed share o_k, and o over
    all n: reliability = sum n_k (f_k - o_k)^2 / n, lower is better; resolution =
    sum n_k (o_k - o)^2 / n, higher is better; uncertainty = o (1 - o), no merit of the
    forecasts. The last two are zero where a group holds equal forecasts only; in bins they
    are what forecasts differ inside a bin: sum (f - f_k)^2 / n, and
    2 sum (f - f_k)(y - o_k) / n (Stephenson, Coelho & Jolliffe, Weather and Forecasting 23
    (2008) 752, from memory; the identity is algebra).
    """

    reliability: float
    resolution: float
    uncertainty: float
    within_variance: float
    within_covariance: float
    groups: int
    count: int

    @property
    def brier(self) -> float:
        """The mean Brier score that the parts add up to."""
        inside = self.within_variance - self.within_covariance
        return self.reliability - self.resolution + self.uncertainty + inside


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
    """Murphy's decomposition, exact: forecasts are grouped by equal value. Any shape.

    Raises MisuseError when there is no forecast.
    """
    values, flags = _flat(forecasts, happened)
    _, group = np.unique(values, return_inverse=True)
    return _parts(values, flags, group.reshape(-1), exact=True)


def decompose_in_bins(forecasts: Array, happened: Flags, edges: Sequence[float] = TENTHS) -> Murphy:
    """Murphy's decomposition by bins, with the two terms for what differs inside a bin.

    Raises MisuseError when there is no forecast, or `edges` do not ascend from 0 to 1.
    """
    values, flags = _flat(forecasts, happened)
    _, group = np.unique(_bin_of(values, edges), return_inverse=True)
    return _parts(values, flags, group.reshape(-1), exact=False)


def calibration_table(
    forecasts: Array, happened: Flags, edges: Sequence[float] = TENTHS
) -> tuple[CalibrationBin, ...]:
    """How often things happened that were forecast with about the same probability. Any shape.

    Raises MisuseError as `decompose_in_bins` does.
    """
    values, flags = _flat(forecasts, happened)
    place = _bin_of(values, edges)
    bins = len(edges) - 1
    count = np.bincount(place, minlength=bins)
    hits = np.bincount(place, weights=flags, minlength=bins).round().astype(np.int64)
    total = np.bincount(place, weights=values, minlength=bins)
    return tuple(
        CalibrationBin(
            low=edges[i],
            high=edges[i + 1],
            count=int(count[i]),
            happened=int(hits[i]),
            mean_forecast=float(total[i] / count[i]) if count[i] else math.nan,
            observed=float(hits[i] / count[i]) if count[i] else math.nan,
            interval=wilson(int(hits[i]), int(count[i])),
        )
        for i in range(bins)
    )


def _flat(forecasts: Array, happened: Flags) -> tuple[Array, Flags]:
    values, flags = checked(forecasts, happened)
    if values.size == 0:
        raise MisuseError("There is no forecast to judge.")
    return values.reshape(-1), flags.reshape(-1)


def _bin_of(values: Array, edges: Sequence[float]) -> Ints:
    steps = np.diff(edges)
    if len(edges) < 2 or edges[0] != 0.0 or edges[-1] != 1.0 or not (steps > 0.0).all():
        raise MisuseError("The edges of bins ascend from 0 to 1.")
    place: Ints = np.searchsorted(np.asarray(edges[1:-1]), values, side="right").astype(np.int64)
    return place


def _parts(values: Array, flags: Flags, group: Ints, exact: bool) -> Murphy:
    count = np.bincount(group).astype(np.float64)
    n = float(len(values))
    outcome = flags.astype(np.float64)
    mean = np.bincount(group, weights=values) / count
    share = np.bincount(group, weights=outcome) / count
    overall = float(outcome.mean())
    off = values - mean[group]
    inner = 0.0 if exact else float((off**2).sum() / n)
    mixed = 0.0 if exact else float(2.0 * (off * (outcome - share[group])).sum() / n)
    return Murphy(
        reliability=float((count * (mean - share) ** 2).sum() / n),
        resolution=float((count * (share - overall) ** 2).sum() / n),
        uncertainty=overall * (1.0 - overall),
        within_variance=inner,
        within_covariance=mixed,
        groups=len(count),
        count=len(values),
    )
