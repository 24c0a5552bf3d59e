"""Scores of forecasts: what each figure says, and when it must say nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder.assess.calibration import (
    calibration_table,
    decompose,
)
from faultfinder.assess.intervals import wilson
from faultfinder.errors import MisuseError
from faultfinder.learning.judge.paired import paired_difference
from faultfinder.learning.judge.scores import in_top, ticket_scores

SAYS = np.array([[0.8, 0.1, 0.4], [0.2, 0.5, 0.5], [0.3, 0.3, 0.1]])
PRESENT = np.array([[1, 0, 1], [0, 1, 0], [0, 0, 0]], dtype=bool)

coarse = st.sampled_from([0.0, 0.1, 0.25, 0.3, 0.7, 1.0])
fine = st.floats(0.0, 1.0)


def events(chance: st.SearchStrategy[float]) -> st.SearchStrategy[list[tuple[float, bool]]]:
    return st.lists(st.tuples(chance, st.booleans()), min_size=1, max_size=60)


def split(pairs: list[tuple[float, bool]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([p for p, _ in pairs]), np.array([y for _, y in pairs])


def test_a_ticket_is_scored_by_the_mean_over_its_causes() -> None:
    scores = ticket_scores(SAYS, PRESENT)
    assert scores.brier[0] == pytest.approx((0.2**2 + 0.1**2 + 0.6**2) / 3)
    assert scores.log_loss[0] == pytest.approx(-(math.log(0.8) + math.log(0.9 * 0.4)) / 3)


def test_a_tie_counts_against_the_named_cause() -> None:
    scores = ticket_scores(SAYS, PRESENT)
    assert scores.place.tolist() == [1, 2, 0]
    assert in_top(scores, 1)[:2].tolist() == [1.0, 0.0]
    assert in_top(scores, 2)[:2].tolist() == [1.0, 1.0]


def test_saying_the_same_of_every_cause_puts_the_named_one_last() -> None:
    scores = ticket_scores(np.full((1, 5), 0.2), np.array([[1, 0, 0, 0, 0]], dtype=bool))
    assert scores.place.tolist() == [5]


def test_a_ticket_without_a_fault_has_no_place() -> None:
    scores = ticket_scores(SAYS, PRESENT)
    assert np.isnan(in_top(scores, 3)[2])
    assert scores.brier[2] == pytest.approx((0.09 + 0.09 + 0.01) / 3)


def test_being_surely_right_costs_nothing_and_surely_wrong_is_capped() -> None:
    scores = ticket_scores(
        np.array([[1.0, 0.0], [0.0, 0.0]]), np.array([[1, 0], [1, 0]], dtype=bool)
    )
    assert scores.log_loss[0] == 0.0
    assert scores.log_loss[1] == pytest.approx(6 * math.log(10))


@given(events(coarse) | events(fine))
def test_murphys_parts_add_up_to_the_score_of_what_each_bin_says_on_average(
    pairs: list[tuple[float, bool]],
) -> None:
    says, happened = split(pairs)
    parts = decompose(says, happened)
    tenth = np.minimum((says * 10).astype(int), 9)
    tenth[says == 0.3] = 3  # 0.3 * 10 is a little less than 3, and no bin's edge.
    average = np.array([says[tenth == place].mean() for place in tenth])
    assert parts.reliability - parts.resolution + parts.uncertainty == pytest.approx(
        np.mean((average - happened) ** 2), abs=1e-12
    )
    assert min(parts.reliability, parts.resolution, parts.uncertainty) >= 0.0


def test_forecasting_the_share_of_all_is_reliable_and_tells_nothing_apart() -> None:
    parts = decompose(np.full(8, 0.25), np.arange(8) < 2)
    assert (parts.reliability, parts.resolution) == (0.0, 0.0)
    assert parts.uncertainty == pytest.approx(0.1875)


def test_the_calibration_table_counts_each_forecast_once_and_the_last_bin_holds_one() -> None:
    says = np.array([0.0, 0.05, 0.1, 0.95, 1.0])
    table = calibration_table(says, np.array([0, 1, 0, 1, 1], dtype=bool))
    assert [row.count for row in table] == [2, 1, 0, 0, 0, 0, 0, 0, 0, 2]
    assert (table[0].mean_forecast, table[0].observed) == (0.025, 0.5)
    assert (table[-1].mean_forecast, table[-1].happened) == (0.975, 2)
    assert table[0].interval == wilson(1, 2)


def test_an_empty_bin_says_nothing() -> None:
    row = calibration_table(np.array([0.5]), np.array([True]))[0]
    assert np.isnan(row.observed)
    assert row.interval == (0.0, 1.0)


@given(st.integers(0, 400), st.integers(0, 400))
def test_the_wilson_interval_holds_the_share_and_stays_inside(first: int, second: int) -> None:
    hits, trials = min(first, second), max(first, second)
    low, high = wilson(hits, trials)
    assert 0.0 <= low <= high <= 1.0
    if trials:
        assert low <= hits / trials <= high


@pytest.mark.parametrize(("hits", "trials", "level"), [(3, 2, 0.95), (-1, 2, 0.95), (1, 2, 1.0)])
def test_an_impossible_share_is_refused(hits: int, trials: int, level: float) -> None:
    with pytest.raises(MisuseError):
        wilson(hits, trials, level)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=50), st.integers(0, 2**32))
@settings(max_examples=25)
def test_a_model_never_differs_from_itself(figures: list[float], seed: int) -> None:
    values = np.array(figures)
    told = paired_difference(values, values, seed=seed, resamples=50)
    assert told.mean == 0.0
    assert told.interval == (0.0, 0.0)
    assert not told.clear


def test_swapping_the_models_turns_the_difference_round() -> None:
    rng = np.random.default_rng(2)
    old, new = rng.normal(size=40), rng.normal(size=40)
    there, back = paired_difference(old, new), paired_difference(new, old)
    assert there.mean == -back.mean
    assert there.interval == pytest.approx((-back.interval[1], -back.interval[0]), abs=1e-12)


def test_the_same_seed_gives_the_same_interval_and_another_one_nearly() -> None:
    rng = np.random.default_rng(3)
    old, new = np.zeros(50), rng.normal(size=50)
    first = paired_difference(old, new, seed=1)
    assert first == paired_difference(old, new, seed=1)
    other = paired_difference(old, new, seed=2)
    assert first.interval != other.interval
    assert first.interval == pytest.approx(other.interval, abs=0.05)


def test_the_pairing_takes_out_what_both_have_in_common() -> None:
    """Tickets differ by far more than the models do; the difference is told all the same."""
    rng = np.random.default_rng(4)
    hard = rng.normal(scale=10.0, size=100)
    told = paired_difference(hard, hard - 0.1 + rng.normal(scale=0.05, size=100))
    assert told.clear
    assert told.interval[1] - told.interval[0] < 0.05


def test_tickets_that_one_side_cannot_score_are_left_out() -> None:
    told = paired_difference(np.array([1.0, np.nan, 2.0, 3.0]), np.array([2.0, 1.0, 3.0, np.nan]))
    assert (told.count, told.mean) == (2, 1.0)


def test_the_bootstrap_interval_covers_the_true_difference_about_as_often_as_it_says() -> None:
    """400 sets of 80 skewed differences with a known mean of 1 (exponential). With 80 the
    percentile interval is a little short of 95 %; three standard errors of 400 are 3.3 %."""
    rng = np.random.default_rng(5)
    held = 0
    for trial in range(400):
        change = rng.exponential(size=80)
        told = paired_difference(np.zeros(80), change, seed=trial, resamples=500)
        held += told.interval[0] <= 1.0 <= told.interval[1]
    assert 0.90 <= held / 400 <= 0.98
