"""Two checks deep: every check is weighed by what it saves on the expected cost of repair
(Heckerman, Breese & Rommelse 1995), and the most promising ones by what they save together
with a check or repair after them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from faultfinder.decide.policies.one_step import Gains
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import (
    Action,
    Situation,
    after_check,
    check_cost,
    promising_repairs,
    repair_cost,
    repair_now,
    repair_step,
)


def make(problem: Problem, shop: Shop) -> LookAhead:
    """The policy as commands name it."""
    return LookAhead(problem)


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

    @cached_property
    def _gains(self) -> Gains:
        return Gains(self.problem)

    def decide(self, situation: Situation) -> Action:
        """The action with the least expected cost as far as this policy sees."""
        stop = repair_now(self.problem, situation)
        checks = self.weigh_checks(situation, stop.expected_cost)
        best = stop
        if checks and checks[0].expected_cost < stop.expected_cost - 1e-9:
            best = checks[0]
        return replace(self._weigh_repairs(situation, best), weighed=tuple(checks))

    def weigh_checks(self, situation: Situation, stop_cost: float) -> list[Action]:
        """Every open check with its expected cost, the best first.

        `stop_cost` is the expected cost of repairing at once. All are weighed alone,
        the best few with the best follow-up.
        """
        problem = self.problem
        alone = {
            check: self._cost_of_check(situation, check, 0)[0]
            for check in range(len(problem.checks))
            if problem.is_open(check, situation.checked)
            and np.isfinite(check_cost(problem, situation, check))
        }
        ranked = sorted(alone, key=lambda check: (alone[check], check))
        deeper = list(dict.fromkeys([*ranked[: self.width], *self._clusters(situation, ranked)]))
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

    def _clusters(self, situation: Situation, checks: Sequence[int]) -> list[int]:
        """The most telling of some checks in each stage not reached yet: what opening up gives
        access to."""
        bits = self._gains.bits(situation.weights)
        best: dict[int, int] = {}
        for check in checks:
            stage = self.problem.checks[check].stage
            if stage != situation.stage and (stage not in best or bits[check] > bits[best[stage]]):
                best[stage] = check
        return sorted(best.values(), key=lambda check: -bits[check])[:2]

    def _cost_of_check(self, situation: Situation, check: int, depth: int) -> tuple[float, int]:
        total = check_cost(self.problem, situation, check)
        follow: dict[int, float] = defaultdict(float)
        for _, probability, nxt in after_check(self.problem, situation, check):
            value, then = self._value(nxt, depth)
            total += probability * value
            follow[then] += probability
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
            if bits[check] < 1e-3 or not self.problem.is_open(check, situation.checked):
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
