"""The exact planner finds what trying everything finds."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from faultfinder.decide.plan import make_plan
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.policies.look_ahead import LookAhead
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order, evaluate_order, order_cost
from faultfinder.decide.situation import start
from faultfinder.decide.walk import policy_cost
from tests.problems import brute_force, small_problems


@given(small_problems())
@settings(max_examples=300, deadline=None)
def test_no_plan_is_cheaper_than_the_exact_one(case: Problem) -> None:
    """Against brute force: noisy tests, stage moves, imperfect repairs and missed looks."""
    assert Exact(case).decide(start(case)).expected_cost == pytest.approx(
        brute_force(case, start(case)), abs=1e-6
    )


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_following_the_exact_planner_costs_what_it_says(case: Problem) -> None:
    planner = Exact(case)
    assert policy_cost(case, planner) == pytest.approx(
        planner.decide(start(case)).expected_cost, abs=1e-6
    )


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_no_planner_beats_the_exact_one(case: Problem) -> None:
    least = Exact(case).decide(start(case)).expected_cost
    for planner in (LookAhead(case), OneStep(case, 5.0)):
        assert policy_cost(case, planner) >= least - 1e-6


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_an_order_costs_the_same_however_it_is_worked_out(case: Problem) -> None:
    order = best_order(case, case.weights, case.stage)
    steps = [step.repair for step in order.steps]
    # The quick figure looks less far, so it is never below what the order costs.
    assert order_cost(case, case.weights, case.stage) >= order.cost - 1e-9
    again = evaluate_order(case, case.weights, case.stage, steps)
    assert again.cost == pytest.approx(order.cost)


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_folding_a_branch_still_pays_for_it(case: Problem) -> None:
    plan = make_plan(case, LookAhead(case), fold_below=0.3, depth=2)
    total = sum(
        node.reached * node.cost
        for node in plan.root.walk()
        if node.kind in ("check", "repair", "order", "hand over")
    ) + sum(node.reached * node.expected_cost for node in plan.root.walk() if node.kind == "closed")
    assert total == pytest.approx(plan.expected_cost, abs=1e-6)
