"""What is worked out for many beliefs side by side is what it is for each of them alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder import Case, consult, load_model
from faultfinder.decide.orders_abreast import order_costs
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.policies.roll_out import RollOut
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import order_cost
from faultfinder.decide.situation import Action, Situation, start
from tests.problems import independent_faults, policy_cost, single_fault, small_problems

SEEDS = st.integers(0, 2**32 - 1)


def held_against_one_at_a_time(case: Problem, count: int, seed: int) -> None:
    """Orders from random beliefs, stages and repairs made, against each alone."""
    rng = np.random.default_rng(seed)
    weights = rng.dirichlet(np.full(len(case.weights), 0.2), count)
    # Beliefs that are sure of something, too, and of a sound machine.
    weights[::5] = np.eye(len(case.weights))[rng.integers(0, len(case.weights), len(weights[::5]))]
    stages = rng.integers(0, len(case.stages), count)
    done = rng.random((count, len(case.repairs))) < 0.2
    beliefs = case.in_classes(weights)
    costs = order_costs(case, beliefs, stages, done)
    for n in range(count):
        made = frozenset(np.flatnonzero(done[n]).tolist())
        stage = int(stages[n])
        assert costs[n] == pytest.approx(
            order_cost(case, weights[n], stage, made), rel=1e-9, nan_ok=True
        )


@given(small_problems(), SEEDS)
@settings(max_examples=200, deadline=None)
def test_orders_side_by_side_are_those_of_each_alone(case: Problem, seed: int) -> None:
    held_against_one_at_a_time(case, 12, seed)
    held_against_one_at_a_time(replace(case, give_up=np.inf), 12, seed)


@pytest.mark.parametrize("family", ["thin_clamshell", "onepiece_desktop"])
def test_so_are_those_of_a_family(family: str) -> None:
    held_against_one_at_a_time(consult(Case(load_model(family))).problem, 60, 3)


def test_several_faults_are_taken_one_after_the_other() -> None:
    """Two certain faults, which no single repair ends."""
    case = independent_faults([0.999, 0.999, 0.2], [3.0, 5.0, 2.0], give_up=200.0)
    held_against_one_at_a_time(case, 30, 1)


@given(small_problems())
@settings(max_examples=200, deadline=None)
def test_what_a_roll_out_follows_costs_what_following_it_costs(case: Problem) -> None:
    """Nothing folded: the mean over all results of the simple policy, played to its ends."""
    policy = RollOut(case, 20.0, fold=0.0)
    expected = policy_cost(case, OneStep(case, 20.0))
    assert policy.cost(start(case)) == pytest.approx(expected, rel=1e-9)


@dataclass(frozen=True)
class InTurnThen:
    """Some checks in turn, then a policy."""

    turn: tuple[int, ...]
    policy: OneStep

    def decide(self, situation: Situation) -> Action:
        problem = self.policy.problem
        for check in self.turn:
            if problem.is_open(check, situation.checked):
                return Action("check", check, 0.0)
        return self.policy.decide(situation)


def test_a_cheap_check_is_weighed_with_the_best_one_right_after_it() -> None:
    """The simple policy does not look deep after it; doing so is open to the bench all the same."""
    case = single_fault(
        [0.1, 0.45, 0.45],
        {"R0": (2, {0: 1.0}), "R1": (24, {1: 1.0}), "R2": (26, {2: 1.0})},
        {"cheap": (1, [[1, 0, 0], [0, 1, 1]]), "deep": (10, [[0.5, 1, 0], [0.5, 0, 1]])},
    )
    base = OneStep(case, 5.0)
    cheap, deep, both = (policy_cost(case, InTurnThen(turn, base)) for turn in ((0,), (1,), (0, 1)))
    # By hand: 1 + 10 + .1 x 2 + .45 x 24 + .45 x 26; after what settles it nothing deep is done.
    assert both == pytest.approx(33.7)
    assert both <= deep < cheap
    chosen = RollOut(case, 5.0, fold=0.0).decide(start(case))
    assert (chosen.kind, chosen.number) == ("check", 0)
    assert chosen.expected_cost == pytest.approx(both - 0.1 * 10)
