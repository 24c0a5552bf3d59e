"""No plan costs less than the lower bound, and the bound says so of every situation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from faultfinder.decide.bounds import LowerBound
from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import start
from tests.problems import brute_force, small_problems


@given(small_problems())
@settings(max_examples=150, deadline=None)
def test_the_bound_is_never_above_the_best_plan(case: Problem) -> None:
    """Against trying everything: noisy checks, ways, failing repairs, looks that miss."""
    assert LowerBound(case).at(start(case)) <= brute_force(case, start(case)) + 1e-6


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_a_known_state_costs_what_the_best_plan_for_it_costs(case: Problem) -> None:
    """With all weight on one joint state there is nothing to learn before the first repair;
    where a repair settles it for sure, the bound is the cost itself, else below it."""
    known = LowerBound(case).known(case.stage)
    sure = replace(case, missed=0.0)
    for number in range(1, len(case.scenarios)):
        weights = np.zeros(len(case.scenarios))
        weights[number] = 1.0
        only = replace(case, weights=weights)
        assert known[number] <= brute_force(only, start(only)) + 1e-6
        if (case.scenarios[number] != 0).sum() == 1 and case.missed == 0.0:
            only = replace(sure, weights=weights)
            assert known[number] == pytest.approx(brute_force(only, start(only)), abs=1e-6)
