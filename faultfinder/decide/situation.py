"""Where a job stands, what can be done there, and what that leads to.

A policy is one object with one method: it looks at a situation and names an action. Policies
live in `faultfinder.decide.policies`, one file each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order, order_cost
from faultfinder.model.network import Array

UNLIKELY = 1e-9
"""Results below this probability are not followed."""


@dataclass(frozen=True, eq=False)
class Situation:
    """Where the job stands: belief (scenarios,), stage, and what was done already: the checks
    that were made or that a repair has closed, and the repairs."""

    weights: Array
    stage: int
    checked: frozenset[int] = frozenset()
    repaired: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Action:
    """What to do: `kind` is "check", "repair", "name" or "hand over"; `number` indexes the
    problem's checks, repairs or names (-1 for handing over). `expected_cost` is from here to the
    end of the job as far as the planner looks. For a check, `saves` is how much it lowers
    the expected cost against repairing at once, `saves_alone` the same without looking
    further than its own results, and `follow_up` the check that goes best with it (-1: none).
    `weighed` are the checks that were looked at before choosing, the best first."""

    kind: str
    number: int
    expected_cost: float
    saves: float = 0.0
    saves_alone: float = 0.0
    follow_up: int = -1
    weighed: tuple[Action, ...] = ()


class Policy(Protocol):
    """Chooses an action for a situation of the problem it was made for."""

    def decide(self, situation: Situation) -> Action:
        """The action to take now."""
        ...


def start(problem: Problem) -> Situation:
    """The situation in which the problem begins."""
    return Situation(problem.weights, problem.stage)


def check_cost(problem: Problem, situation: Situation, check: int) -> float:
    """What a check costs from here: the way to its stage, setting up, and its own cost."""
    action = problem.checks[check]
    way = float(problem.travel[situation.stage, action.stage])
    return way + problem.setting_up(check, situation.checked) + action.cost


def after_check(
    problem: Problem, situation: Situation, check: int
) -> Iterator[tuple[int, float, Situation]]:
    """Each possible result of a check: (result, probability, situation after it)."""
    action = problem.checks[check]
    joint = action.likelihood * situation.weights
    checked = situation.checked | {check}
    for result, probability in enumerate(joint.sum(axis=1).tolist()):
        if probability > UNLIKELY:
            yield (
                result,
                probability,
                Situation(joint[result] / probability, action.stage, checked, situation.repaired),
            )


def after_no_result(problem: Problem, situation: Situation, check: int) -> Situation:
    """The situation after a check whose result could not be told."""
    checked = situation.checked | {check}
    return replace(situation, stage=problem.checks[check].stage, checked=checked)


def after_repair(
    problem: Problem, situation: Situation, repair: int
) -> tuple[float, float, float, Situation | None]:
    """What a repair and the powered look after it lead to.

    Returns (probability that the look passes, probability that it passes although a
    fault is left, probability that it fails, situation after it fails or None).
    """
    moved = problem.after_repair(situation.weights, repair)
    failed = problem.after_failed_look(moved)
    fails = float(failed.sum())
    slipped = float((moved * problem.faulty).sum()) * problem.missed
    if fails <= UNLIKELY:
        return 1.0 - fails, slipped, fails, None
    nxt = replace(
        situation,
        weights=failed / fails,
        stage=problem.repairs[repair].test_stage,
        checked=situation.checked | problem.repairs[repair].closes,
        repaired=situation.repaired | {repair},
    )
    return 1.0 - fails, slipped, fails, nxt


def repair_step(
    problem: Problem, situation: Situation, repair: int
) -> tuple[float, float, Situation | None]:
    """What a repair surely costs, and what may come after it.

    Returns (cost of the repair, of closing up where its look passes, and of the comebacks
    that slip through it; probability that the look fails; situation then, or None).
    """
    passes, slipped, fails, nxt = after_repair(problem, situation, repair)
    cost = float(problem.act_cost[situation.stage, repair])
    cost += passes * float(problem.finish[problem.repairs[repair].test_stage])
    return cost + slipped * problem.comeback, fails, nxt


def repair_now(problem: Problem, situation: Situation) -> Action:
    """The first step of the best repair order, or handing over, and its expected cost; where a
    job ends with a name, that."""
    if problem.names is not None:
        name, lost = problem.names.best(situation.weights)
        return Action("name", name, lost + float(problem.finish[situation.stage]))
    order = best_order(problem, situation.weights, situation.stage, situation.repaired)
    if order.steps:
        return Action("repair", order.steps[0].repair, order.cost)
    return Action("hand over", -1, order.cost)


def repair_cost(problem: Problem, situation: Situation) -> float:
    """The expected cost of repairing (or naming) from here without any further check."""
    if problem.names is not None:
        return repair_now(problem, situation).expected_cost
    return order_cost(problem, situation.weights, situation.stage, situation.repaired)


def promising_repairs(problem: Problem, situation: Situation, most: int) -> list[int]:
    """The repairs most likely to end the job for their cost, at most `most`."""
    fixed = problem.fixed_after(frozenset())[1] @ problem.in_classes(situation.weights)
    scored = []
    for repair in range(len(problem.repairs)):
        cost = float(problem.act_cost[situation.stage, repair])
        if repair not in situation.repaired and np.isfinite(cost) and fixed[repair] > 1e-6:
            scored.append((-float(fixed[repair]) / max(cost, 1e-9), repair))
    scored.sort()
    return [repair for _, repair in scored[:most]]
