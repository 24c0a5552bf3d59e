"""Small repair problems for tests, and a plain brute-force planner as the oracle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import permutations

import numpy as np
from hypothesis import strategies as st

from faultfinder.decide.problem import CheckAction, Problem, RepairAction
from faultfinder.decide.situation import Policy, Situation, after_check, after_repair, check_cost
from faultfinder.decide.walk import EveryResult, closing_cost, walk


def single_fault(
    prior: Sequence[float],
    repairs: Mapping[str, tuple[float, Mapping[int, float]]],
    checks: Mapping[str, tuple[float, Sequence[Sequence[float]]]] | None = None,
    give_up: float = np.inf,
) -> Problem:
    """One fault at a time, one stage, no closing up, a look that misses nothing.

    `prior[i]` is the probability of cause i; `repairs` maps a name to (cost, {cause:
    success}); `checks` to (cost, rows of P(result | cause)).
    """
    count = len(prior)
    scenarios = np.vstack([np.zeros((1, count), dtype=np.int64), np.eye(count, dtype=np.int64)])
    return problem(scenarios, [0.0, *prior], repairs, checks or {}, give_up=give_up)


def independent_faults(
    chances: Sequence[float], costs: Sequence[float], give_up: float = np.inf
) -> Problem:
    """Independent faults, each with its own sure repair, given that at least one is there."""
    count = len(chances)
    scenarios = np.array(np.meshgrid(*[[0, 1]] * count, indexing="ij")).reshape(count, -1).T
    p = np.array(chances)
    weights = np.prod(np.where(scenarios == 1, p, 1 - p), axis=1)
    weights[0] = 0.0
    repairs = {f"R{i}": (cost, {i: 1.0}) for i, cost in enumerate(costs)}
    return problem(scenarios, weights / weights.sum(), repairs, {}, give_up=give_up)


def problem(
    scenarios: np.ndarray,
    weights: Sequence[float] | np.ndarray,
    repairs: Mapping[str, tuple[float, Mapping[int, float]]],
    checks: Mapping[str, tuple[float, Sequence[Sequence[float]]]],
    *,
    give_up: float = np.inf,
    places: Mapping[str, int] | None = None,
    travel: Sequence[Sequence[float]] | np.ndarray = ((0.0,),),
    missed: float = 0.0,
    comeback: float = 0.0,
    retest: float = 0.0,
) -> Problem:
    """A problem from plain numbers; check rows are given per fault (column 0 is added)."""
    places = places or {}
    moves = np.asarray(travel, dtype=np.float64)
    count = scenarios.shape[1]
    actions = []
    for name, (cost, rows) in checks.items():
        likelihood = np.asarray(rows, dtype=np.float64)
        if likelihood.shape[1] == len(scenarios) - 1:
            healthy = np.full((len(likelihood), 1), 1.0 / len(likelihood))
            likelihood = np.hstack([healthy, likelihood])
        labels = tuple(str(i) for i in range(len(likelihood)))
        actions.append(CheckAction(name, labels, cost, places.get(name, 0), likelihood))
    mending = []
    for name, (cost, causes) in repairs.items():
        table = np.zeros((count, 2))
        for cause, chance in causes.items():
            table[cause, 1] = chance
        place = places.get(name, 0)
        mending.append(RepairAction(name, cost, place, place, table))
    return Problem(
        causes=tuple(f"c{i}" for i in range(count)),
        scenarios=scenarios.astype(np.int64),
        weights=np.asarray(weights, dtype=np.float64),
        checks=tuple(actions),
        repairs=tuple(mending),
        stages=tuple(f"s{i}" for i in range(len(moves))),
        stage=0,
        travel=moves,
        finish=moves[:, 0].copy(),
        retest=retest,
        missed=missed,
        comeback=comeback,
        give_up=give_up,
    )


def brute_force(problem: Problem, situation: Situation) -> float:
    """The least expected cost by trying everything: no bounds, no memory, no order rules."""
    stop = float(problem.finish[situation.stage])
    ill = float(situation.weights @ problem.faulty)
    best = stop + (ill * problem.give_up if ill > 1e-12 else 0.0)
    for check in range(len(problem.checks)):
        if check not in situation.checked:
            cost = check_cost(problem, situation, check)
            for _, p, nxt in after_check(problem, situation, check):
                cost += p * brute_force(problem, nxt)
            best = min(best, cost)
    for repair in range(len(problem.repairs)):
        if repair not in situation.repaired:
            cost = float(problem.act_cost[situation.stage, repair])
            passes, slipped, fails, nxt = after_repair(problem, situation, repair)
            stage = problem.repairs[repair].test_stage
            cost += passes * float(problem.finish[stage]) + slipped * problem.comeback
            if nxt is not None:
                cost += fails * brute_force(problem, nxt)
            best = min(best, cost)
    return best


def cheapest_permutation(problem: Problem) -> float:
    """The least expected cost of trying the repairs in a fixed order, over all orders."""
    from faultfinder.decide.repair_order import evaluate_order

    return min(
        evaluate_order(problem, problem.weights, problem.stage, order).cost
        for order in permutations(range(len(problem.repairs)))
    )


@st.composite
def small_problems(draw: st.DrawFn, checks_most: int = 2) -> Problem:
    """Random problems: 2-3 causes, double faults, noisy checks, stages, imperfect repairs."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = int(rng.integers(2, 4))
    scenarios = np.array(np.meshgrid(*[[0, 1]] * count, indexing="ij")).reshape(count, -1).T
    weights = rng.dirichlet(np.full(len(scenarios), 0.5))
    weights[0] = 0.0
    weights /= weights.sum()
    stages = int(rng.integers(1, 4))
    # Stages on a line, so that ways add up and going back is possible.
    steps = rng.uniform(0, 6, stages)
    position = np.cumsum(steps)
    travel = np.abs(position[:, None] - position[None, :])
    names = [f"T{i}" for i in range(int(rng.integers(0, checks_most + 1)))]
    checks = {}
    for name in names:
        positive = rng.uniform(0, 1, len(scenarios))
        if rng.random() < 0.4:
            positive = np.round(positive)
        checks[name] = (float(rng.uniform(0, 4)), np.stack([1 - positive, positive]))
    repairs = {}
    for i in range(int(rng.integers(1, 4))):
        mends = {c: float(rng.choice([1.0, rng.uniform(0.4, 1)])) for c in range(count)}
        chosen = rng.permutation(count)[: int(rng.integers(1, count + 1))]
        repairs[f"R{i}"] = (float(rng.uniform(1, 10)), {int(c): mends[int(c)] for c in chosen})
    places = {name: int(rng.integers(0, stages)) for name in [*checks, *repairs]}
    return problem(
        scenarios,
        weights,
        repairs,
        checks,
        give_up=float(rng.uniform(5, 40)),
        places=places,
        travel=travel,
        missed=float(rng.choice([0.0, 0.1])),
        comeback=float(rng.uniform(0, 20)),
        retest=float(rng.uniform(0, 2)),
    )


def policy_cost(problem: Problem, policy: Policy) -> float:
    """The expected cost of following a policy to the end, by following every result."""
    return sum(
        step.group * (step.cost + closing_cost(problem, step))
        for step in walk(problem, policy, EveryResult())
    )
