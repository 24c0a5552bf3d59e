"""Families tuned together learn what they share from each other's tickets, and no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.em.pooling import tune_together
from faultfinder.model.parts import Dense, FaultModel, Kind, Variable
from tests.benchmarks.bench_pooling import families, one_shop
from tests.closed_tickets import drawn
from tests.networks import make_model, root


def family(own: float, common: float, other: float) -> CompiledModel:
    """One cause; a finding of the family's own and a common one, by P(second state | cause)."""
    told = [("own", own), ("common", common)]
    findings = [
        Variable(name, Kind.FINDING, name, ("s0", "s1"),
                 Dense(("cause",), np.array([[0.9, 0.1], [1 - share, share]])))
        for name, share in told
    ]  # fmt: skip
    return compile_model(make_model([root("cause", Kind.CAUSE, 1 - other, other), *findings]))


def figure(model: FaultModel, name: str) -> float:
    told = model.by_name[name].distribution
    assert isinstance(told, Dense)
    return float(told.values[1, 1])


def test_what_is_common_is_pooled_and_what_is_own_is_not() -> None:
    # By the files 70 % both; in the shop the common figure is 20 % in each family.
    first, second = family(0.7, 0.7, 0.4), family(0.6, 0.7, 0.3)
    shops = family(0.9, 0.2, 0.4), family(0.3, 0.2, 0.3)
    few, many = drawn(shops[0], 60, seed=1), drawn(shops[1], 2_000, seed=2)
    alone = tune(first, few, weigh_belief=True)
    both, _ = tune_together([(first, few), (second, many)])
    assert abs(figure(both.model, "common") - 0.2) < abs(figure(alone.model, "common") - 0.2)
    assert abs(figure(both.model, "common") - 0.2) < 0.04
    # The other family's own figure is 30 %: nothing of it comes over.
    assert figure(both.model, "own") == pytest.approx(figure(alone.model, "own"), abs=0.02)
    assert any(one.alike for one in both.weighed)


def test_families_that_differ_are_learnt_as_alone() -> None:
    first, second = family(0.7, 0.7, 0.4), family(0.6, 0.7, 0.3)
    shops = family(0.9, 0.05, 0.4), family(0.3, 0.95, 0.3)
    tickets = drawn(shops[0], 1_000, seed=1), drawn(shops[1], 1_000, seed=2)
    alone = [
        tune(model, some, weigh_belief=True)
        for model, some in zip((first, second), tickets, strict=True)
    ]
    both = tune_together([(first, tickets[0]), (second, tickets[1])])
    for one, other in zip(both, alone, strict=True):
        assert figure(one.model, "common") == pytest.approx(figure(other.model, "common"), abs=0.02)


def test_another_belief_is_another_figure() -> None:
    """A family whose file says something else of the same finding has a figure of its own."""
    first, second = family(0.7, 0.7, 0.4), family(0.6, 0.5, 0.3)
    changed = replace(
        second.model,
        variables=tuple(
            replace(v, distribution=Dense(("cause",), np.array([[0.8, 0.2], [0.5, 0.5]])))
            if v.name == "common"
            else v
            for v in second.model.variables
        ),
    )
    few = drawn(family(0.7, 0.2, 0.4), 60, seed=1)
    many = drawn(family(0.6, 0.9, 0.3), 500, seed=2)
    alone = tune(first, few, weigh_belief=True)
    both, _ = tune_together([(first, few), (compile_model(changed), many)])
    assert figure(both.model, "common") == pytest.approx(figure(alone.model, "common"), abs=1e-6)


def test_on_a_shop_of_four_families_pooling_gains() -> None:
    """The simulation of tests/benchmarks/bench_pooling.py, one shop of it."""
    _, alone, together, _, said = one_shop(families(), 500, apart=False, fresh=400)
    assert said
    assert np.mean(together) < 0.99 * np.mean(alone)
