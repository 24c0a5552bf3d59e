"""Which action next: planners of rising foresight over a `Problem`.

- `OneStep`: the check with the most information per cost while that is worth it,
  then the best repair order;
- `LookAhead`: every check is weighed by what it saves on the expected cost of
  repair (Heckerman, Breese & Rommelse 1995), and the most promising ones by what
  they save together with a check or repair after them;
- `faultfinder.decide.policies.roll_out.RollOut` (the default): each promising action followed
  to the end of the job by `OneStep`;
- `faultfinder.decide.policies.exact.Exact`: dynamic programming, for small problems.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from faultfinder.decide.problem import Ints, Problem
from faultfinder.decide.repair_order import best_order, order_cost
from faultfinder.inference.compiled import entropy_bits
from faultfinder.model.network import Array

UNLIKELY = 1e-9
"""Results below this probability are not followed."""


@dataclass(frozen=True, eq=False)
class Situation:
    """Where the job stands: belief (scenarios,), stage, and what was done already."""

    weights: Array
    stage: int
    checked: frozenset[int] = frozenset()
    repaired: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Action:
    """What to do: `kind` is "check", "repair" or "hand over"; `number` indexes the
    problem's checks or repairs (-1 for handing over). `expected_cost` is from here to the
    end of the job as far as the planner looks. For a check, `saves` is how much it lowers
    the expected cost against repairing at once, `saves_alone` the same without looking
    further than its own results, and `follow_up` the check that goes best with it (-1: none)."""

    kind: str
    number: int
    expected_cost: float
    saves: float = 0.0
    saves_alone: float = 0.0
    follow_up: int = -1


class Planner(Protocol):
    """Chooses an action for a situation of the problem it was made for."""

    @property
    def name(self) -> str:
        """What it is called on pages."""
        ...

    def decide(self, situation: Situation) -> Action:
        """The action to take now."""
        ...


def start(problem: Problem) -> Situation:
    """The situation in which the problem begins."""
    return Situation(problem.weights, problem.stage)


def check_cost(problem: Problem, situation: Situation, check: int) -> float:
    """What a check costs from here: the way to its stage and its own cost."""
    action = problem.checks[check]
    return float(problem.travel[situation.stage, action.stage]) + action.cost


def after_check(
    problem: Problem, situation: Situation, check: int
) -> Iterator[tuple[int, float, Situation]]:
    """Each possible result of a check: (result, probability, situation after it)."""
    action = problem.checks[check]
    joint = action.likelihood * situation.weights
    for result, probability in enumerate(joint.sum(axis=1).tolist()):
        if probability > UNLIKELY:
            yield (
                result,
                probability,
                replace(
                    situation,
                    weights=joint[result] / probability,
                    stage=action.stage,
                    checked=situation.checked | {check},
                ),
            )


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
    """The first step of the best repair order, or handing over, and its expected cost."""
    order = best_order(problem, situation.weights, situation.stage, situation.repaired)
    if order.steps:
        return Action("repair", order.steps[0].repair, order.cost)
    return Action("hand over", -1, order.cost)


def repair_cost(problem: Problem, situation: Situation) -> float:
    """The expected cost of repairing from here without any further check."""
    return order_cost(problem, situation.weights, situation.stage, situation.repaired)


@dataclass(frozen=True, eq=False)
class Gains:
    """The information gain of every check at once, over explicit scenarios."""

    problem: Problem

    @cached_property
    def _stacked(self) -> tuple[Array, Ints, Array]:
        checks = self.problem.checks
        rows = np.concatenate([check.likelihood for check in checks])
        begins = np.cumsum([0, *(len(check.results) for check in checks[:-1])])
        inner = np.stack([entropy_bits(check.likelihood) for check in checks])
        return rows, begins, inner

    def bits(self, weights: Array) -> Array:
        """I(scenario; result) per check, in bits: shape (checks,)."""
        if not self.problem.checks:
            return np.zeros(0)
        rows, begins, inner = self._stacked
        outcomes = rows @ weights
        terms = outcomes * np.log2(np.where(outcomes > 0.0, outcomes, 1.0))
        gains: Array = -np.add.reduceat(terms, begins) - inner @ weights
        return np.maximum(gains, 0.0)


@dataclass(frozen=True, eq=False)
class OneStep:
    """Information per cost, one step deep; a check is made while its bits are worth it."""

    problem: Problem
    worth_per_bit: float
    name: str = "one-step"

    @cached_property
    def _gains(self) -> Gains:
        return Gains(self.problem)

    def bits(self, weights: Array) -> Array:
        """The information gain of every check, in bits: shape (checks,)."""
        return self._gains.bits(weights)

    @cached_property
    def _own(self) -> tuple[Array, Ints]:
        checks = self.problem.checks
        return np.array([c.cost for c in checks]), np.array([c.stage for c in checks], dtype=int)

    def decide(self, situation: Situation) -> Action:
        """The open check with most bits per cost, or the next repair."""
        if self.problem.checks:
            bits = self.bits(situation.weights)
            own, stages = self._own
            cost = own + self.problem.travel[situation.stage, stages]
            bits[list(situation.checked)] = 0.0
            worth = (bits > 1e-9) & (bits * self.worth_per_bit >= cost)
            if worth.any():
                score = np.where(worth, bits / np.maximum(cost, 1e-9), -1.0)
                return Action("check", int(score.argmax()), np.nan)
        return repair_now(self.problem, situation)


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


@dataclass(frozen=True, eq=False)
class LookAhead:
    """Expected cost of repair, two checks deep for the most promising ones.

    `width` checks are looked at with a follow-up, out of `inner` checks and
    `inner_repairs` repairs each.
    """

    problem: Problem
    width: int = 4
    inner: int = 3
    inner_repairs: int = 1
    name: str = "look-ahead"

    @cached_property
    def _gains(self) -> Gains:
        return Gains(self.problem)

    def decide(self, situation: Situation) -> Action:
        """The action with the least expected cost as far as this planner sees."""
        return self.weigh(situation)[0]

    def weigh(self, situation: Situation) -> tuple[Action, list[Action]]:
        """The action with the least expected cost, and all open checks, the best first."""
        stop = repair_now(self.problem, situation)
        checks = self.weigh_checks(situation, stop.expected_cost)
        best = stop
        if checks and checks[0].expected_cost < stop.expected_cost - 1e-9:
            best = checks[0]
        return self._weigh_repairs(situation, best), checks

    def weigh_checks(self, situation: Situation, stop_cost: float) -> list[Action]:
        """Every open check with its expected cost, the best first.

        `stop_cost` is the expected cost of repairing at once. All are weighed alone,
        the best few with the best follow-up.
        """
        problem = self.problem
        alone = {
            check: self._cost_of_check(situation, check, 0)[0]
            for check in range(len(problem.checks))
            if check not in situation.checked and np.isfinite(check_cost(problem, situation, check))
        }
        ranked = sorted(alone, key=lambda check: (alone[check], check))
        deeper = list(dict.fromkeys([*ranked[: self.width], *self._clusters(situation)]))
        actions = []
        for check in ranked:
            cost, follow = alone[check], -1
            if check in deeper:
                cost, follow = self._cost_of_check(situation, check, 1)
                cost = min(cost, alone[check])
            saved = stop_cost - alone[check]
            actions.append(Action("check", check, cost, stop_cost - cost, saved, follow))
        actions.sort(key=lambda action: (action.expected_cost, action.number))
        return actions

    def _clusters(self, situation: Situation) -> list[int]:
        """The most telling check of each stage not reached yet: what opening up gives access to."""
        bits = self._gains.bits(situation.weights)
        best: dict[int, int] = {}
        for check, action in enumerate(self.problem.checks):
            if check in situation.checked or action.stage == situation.stage:
                continue
            if not np.isfinite(self.problem.travel[situation.stage, action.stage]):
                continue
            if action.stage not in best or bits[check] > bits[best[action.stage]]:
                best[action.stage] = check
        return sorted(best.values(), key=lambda check: -bits[check])[:2]

    def _cost_of_check(self, situation: Situation, check: int, depth: int) -> tuple[float, int]:
        total = check_cost(self.problem, situation, check)
        follow: dict[int, float] = {}
        for _, probability, nxt in after_check(self.problem, situation, check):
            value, then = self._value(nxt, depth)
            total += probability * value
            follow[then] = follow.get(then, 0.0) + probability
        follow.pop(-1, None)
        return total, max(follow, key=lambda c: follow[c]) if follow else -1

    def _value(self, situation: Situation, depth: int) -> tuple[float, int]:
        best, then = repair_cost(self.problem, situation), -1
        if depth == 0:
            return best, then
        for check in self._promising(situation):
            if check_cost(self.problem, situation, check) >= best:
                continue
            cost, _ = self._cost_of_check(situation, check, depth - 1)
            if cost < best:
                best, then = cost, check
        for repair in promising_repairs(self.problem, situation, self.inner_repairs):
            cost = self._cost_of_repair(situation, repair, depth - 1)
            if cost < best:
                best, then = cost, -1
        return best, then

    def _promising(self, situation: Situation) -> list[int]:
        bits = self._gains.bits(situation.weights)
        scored = []
        for check in range(len(self.problem.checks)):
            if check in situation.checked or bits[check] < 1e-3:
                continue
            cost = check_cost(self.problem, situation, check)
            if np.isfinite(cost):
                scored.append((-float(bits[check]) / max(cost, 1e-9), check))
        scored.sort()
        return [check for _, check in scored[: self.inner]]

    def _weigh_repairs(self, situation: Situation, best: Action) -> Action:
        """A repair is worth more when a check can follow where it did not cure."""
        for repair in promising_repairs(self.problem, situation, 3):
            total = self._cost_of_repair(situation, repair, 1)
            if total < best.expected_cost - 1e-9:
                best = Action("repair", repair, total)
        return best

    def _cost_of_repair(self, situation: Situation, repair: int, depth: int) -> float:
        cost, fails, nxt = repair_step(self.problem, situation, repair)
        return cost if nxt is None else cost + fails * self._value(nxt, depth)[0]
