"""Averages that are printed are what machines cost that are walked through the same tree."""

from __future__ import annotations

import numpy as np
import pytest

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.inference.loading import load_model
from tests.benchmarks.bench_averages import FAMILIES, MODELS, walked

MACHINES = 2_000


def near(printed: float, money: np.ndarray) -> bool:
    """Within the larger of 2 % and three standard errors."""
    error = float(money.std() / np.sqrt(len(money)))
    return bool(abs(printed - money.mean()) <= max(0.02 * money.mean(), 3.0 * error))


@pytest.mark.parametrize("family", FAMILIES)
def test_the_average_of_why_is_what_machines_cost(family: str) -> None:
    """The machines come from the network, faults that the plan leaves out among them: with only
    the complaint known those make it up to several percent too low (RESULTS.md)."""
    rng = np.random.default_rng(26)
    told = consult(Case(load_model(MODELS / f"{family}.yaml"), {"screen_light": "dark"}))
    assert near(told.job.expected_cost, walked(told, told.job, MACHINES, rng).money)
    assert told.job.least <= told.job.expected_cost
