"""Scores against other libraries and published figures, each with its source."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest, bootstrap
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, log_loss

from faultfinder.assess.calibration import (
    calibration_table,
    decompose,
)
from faultfinder.assess.intervals import wilson
from faultfinder.learning.judge.paired import paired_difference
from faultfinder.learning.judge.scores import ticket_scores


def forecasts(seed: int, tickets: int = 200, causes: int = 6) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    says = rng.beta(0.4, 1.2, size=(tickets, causes))
    return says, rng.random(says.shape) < says


def test_documented_brier_score() -> None:
    """scikit-learn, docstring of brier_score_loss: 0.0375; asked again here."""
    says, happened = np.array([0.1, 0.9, 0.8, 0.3]), np.array([False, True, True, False])
    assert ticket_scores(says[None], happened[None]).brier[0] == pytest.approx(0.0375, abs=1e-12)
    assert brier_score_loss(happened, says) == pytest.approx(0.0375, abs=1e-12)


def test_documented_log_loss() -> None:
    """scikit-learn, docstring of log_loss: 0.21616 (the chance of spam is the second figure)."""
    table = [[0.1, 0.9], [0.9, 0.1], [0.8, 0.2], [0.35, 0.65]]
    spam = np.array([True, False, False, True])
    scores = ticket_scores(np.array(table)[None, :, 1], spam[None])
    assert scores.log_loss[0] == pytest.approx(0.21616, abs=5e-6)
    assert log_loss(["spam", "ham", "ham", "spam"], table) == pytest.approx(0.21616, abs=5e-6)


@pytest.mark.parametrize("seed", range(5))
def test_means_over_tickets_agree_with_scikit_learn_over_all_causes(seed: int) -> None:
    """scikit-learn's brier_score_loss and log_loss, on all causes of all tickets."""
    says, happened = forecasts(seed)
    says = np.clip(says, 1e-9, 1 - 1e-9)
    scores = ticket_scores(says, happened)
    flat, hits = says.reshape(-1), happened.reshape(-1)
    assert scores.brier.mean() == pytest.approx(brier_score_loss(hits, flat), rel=1e-12)
    assert scores.log_loss.mean() == pytest.approx(log_loss(hits, flat), rel=1e-12)
    for ticket in range(20):
        alone = log_loss(happened[ticket], says[ticket], labels=[False, True])
        assert scores.log_loss[ticket] == pytest.approx(alone, rel=1e-12)


def test_murphys_parts_add_up_to_scikit_learns_brier_score() -> None:
    """Murphy, J. Appl. Meteor. 12 (1973) 595: reliability - resolution + uncertainty."""
    says, happened = forecasts(7)
    says = np.clip((says * 10).astype(int), 0, 9) / 10 + 0.05  # One forecast a bin.
    brier = brier_score_loss(happened.reshape(-1), says.reshape(-1))
    parts = decompose(says, happened)
    assert parts.reliability - parts.resolution + parts.uncertainty == pytest.approx(brier)


def test_the_calibration_table_agrees_with_scikit_learn() -> None:
    """scikit-learn's calibration_curve with ten bins of equal width."""
    says, happened = forecasts(8)
    observed, mean = calibration_curve(happened.reshape(-1), says.reshape(-1), n_bins=10)
    table = [row for row in calibration_table(says, happened) if row.count]
    assert [row.observed for row in table] == pytest.approx(observed.tolist())
    assert [row.mean_forecast for row in table] == pytest.approx(mean.tolist())


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_intervals_as_published(hits: int, trials: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (as quoted in
    the tests of another program, read there; scipy gives the same)."""
    assert wilson(hits, trials) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_wilson_intervals_agree_with_scipy(level: float) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    for hits, trials in [(0, 1), (1, 1), (3, 7), (50, 50), (0, 50), (1, 1000), (512, 1000)]:
        told = binomtest(hits, trials).proportion_ci(level, method="wilson")
        assert wilson(hits, trials, level) == pytest.approx((told.low, told.high), abs=1e-12)


def test_the_bootstrap_interval_agrees_with_scipys() -> None:
    """scipy.stats.bootstrap, method "percentile"; both are random, so to a tenth of the width."""
    rng = np.random.default_rng(9)
    old, new = rng.exponential(size=120), rng.exponential(1.3, size=120)
    told = paired_difference(old, new, seed=1, resamples=10_000)
    theirs = bootstrap(
        (new - old,), np.mean, n_resamples=10_000, method="percentile", random_state=2
    ).confidence_interval
    width = theirs.high - theirs.low
    assert told.interval == pytest.approx((theirs.low, theirs.high), abs=0.1 * width)
