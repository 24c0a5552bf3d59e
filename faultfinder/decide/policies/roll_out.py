"""The default: a simple policy, bettered by looking at what each choice leads to.

Roll-out (Tesauro & Galperin 1997; Bertsekas, Tsitsiklis & Wu 1997): every promising
action is taken once in thought, and a simple policy (`OneStep`) followed from each of its
results to the end of the job. The action whose job is cheapest is taken. In this way the
teardown that one check opens up is weighed against all that the policy would do there.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from faultfinder.decide.naming import Names
from faultfinder.decide.policies.one_step import OneStep
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
    start,
)
from faultfinder.decide.together import Telling

CLEARLY = 0.005
"""The share by which a repair must be cheaper than a check to go before it."""

LEVEL = 0.02
"""The share by which a check's job must be cheaper to go before one that tells more."""


def make(problem: Problem, shop: Shop) -> RollOut:
    """The policy as commands name it: what is advised while somebody waits.

    It looks at few actions, so a repair must be cheaper than a check by more.
    """
    if problem.names is not None:
        return for_names(problem, problem.names)
    return RollOut(
        problem, shop.worth_per_bit, width=3, fold=0.08, inside=1, repairs=1, clearly=0.02
    )


BITS_WORTH = (0.03, 0.1, 0.3, 1.0, 3.0)
"""What a bit can be worth to the simple policy, in wrong names: the best of these is taken."""


def for_names(problem: Problem, names: Names) -> RollOut:
    """The policy where a job ends with a name: a bit is worth what makes the simple policy
    cheapest there, and whatever it takes where one has to be sure."""
    prices = [1e12] if names.sure is not None else float(names.wrong.max()) * np.array(BITS_WORTH)
    tried = [RollOut(problem, float(price), width=5, fold=0.02) for price in prices]
    return min(tried, key=lambda one: one.cost(start(problem))) if len(tried) > 1 else tried[0]


@dataclass(frozen=True, eq=False)
class RollOut:
    """Weighs the `width` checks with most bits about the right repair per cost, the most
    telling checks of `inside` stages not reached yet and of kits not set up, and the `repairs`
    most promising, each followed by the simple policy.

    A repair goes before a check when it is cheaper by the share `clearly`.
    Branches below `fold` of where the job stands are costed as a repair order.
    """

    problem: Problem
    worth_per_bit: float
    width: int = 4
    fold: float = 0.05
    inside: int = 2
    repairs: int = 2
    clearly: float = CLEARLY

    @cached_property
    def base(self) -> OneStep:
        """The policy that is followed in thought."""
        return OneStep(self.problem, self.worth_per_bit)

    @cached_property
    def _telling(self) -> Telling:
        return Telling(self.problem)

    def decide(self, situation: Situation) -> Action:
        """The action with the cheapest job behind it; among checks level in that the one that
        tells most about the right repair for its cost.

        A check's `saves` are against repairing at once, with all that follows it;
        `saves_alone` with the best repair order right after it.
        """
        stop = repair_now(self.problem, situation)
        checks = []
        for check in self._candidates(situation):
            total = check_cost(self.problem, situation, check)
            alone = total
            follow: dict[int, float] = defaultdict(float)
            for _, probability, nxt in after_check(self.problem, situation, check):
                repairing = repair_cost(self.problem, nxt)
                going_on = repairing if probability < self.fold else self.cost(nxt, probability)
                total += probability * min(going_on, repairing)
                alone += probability * repairing
                then = self.base.decide(nxt)
                if then.kind == "check":
                    follow[then.number] += probability
            then_check = max(follow, key=lambda c: follow[c]) if follow else -1
            saves = stop.expected_cost - total
            saves_alone = stop.expected_cost - alone
            checks.append(Action("check", check, total, saves, saves_alone, then_check))
        # The candidates come by what they tell; near level in cost that decides.
        most = min((one.expected_cost for one in checks), default=np.inf) * (1.0 + LEVEL)
        most = min(most, stop.expected_cost - 1e-9)
        best = next((one for one in checks if one.expected_cost <= most), stop)
        checks.sort(key=lambda action: (action.expected_cost, action.number))
        for repair in promising_repairs(self.problem, situation, self.repairs):
            total = self._cost_of_repair(situation, repair, 1.0)
            # A check leaves everything as it was: a repair must be clearly cheaper.
            margin = 1e-9 if best.kind != "check" else self.clearly * best.expected_cost
            if total < best.expected_cost - margin:
                best = Action("repair", repair, total)
        return replace(best, weighed=tuple(checks))

    def _candidates(self, situation: Situation) -> list[int]:
        problem = self.problem
        bits = self._telling.bits(situation.weights)
        score = self._telling.score(bits, situation.stage, situation.checked).tolist()
        open_checks = [
            check
            for check in range(len(problem.checks))
            if problem.is_open(check, situation.checked)
            and bits[check] > 1e-4
            and np.isfinite(check_cost(problem, situation, check))
        ]
        open_checks.sort(key=lambda check: (-score[check], check))
        deep: dict[int, int] = {}
        for check in open_checks:
            stage = problem.checks[check].stage
            if stage != situation.stage and (stage not in deep or bits[check] > bits[deep[stage]]):
                deep[stage] = check
        deepest = sorted(deep.values(), key=lambda check: -float(bits[check]))[: self.inside]
        # What a kit opens up is weighed in the same way: a setting up alone tells nothing.
        kits: dict[frozenset[int], int] = {}
        for check in open_checks:
            if problem.setting_up(check, situation.checked) > 0.0:
                needed = problem.checks[check].kits
                kits[needed] = max(kits.get(needed, check), check, key=lambda c: float(bits[c]))
        return list(dict.fromkeys([*open_checks[: self.width], *deepest, *kits.values()]))

    def cost(self, situation: Situation, reached: float = 1.0) -> float:
        """The expected cost of the job from here under the simple policy."""
        if reached < self.fold:
            return repair_cost(self.problem, situation)
        action = self.base.decide(situation)
        if action.kind == "check":
            total = check_cost(self.problem, situation, action.number)
            for _, probability, nxt in after_check(self.problem, situation, action.number):
                total += probability * self.cost(nxt, reached * probability)
            return total
        if action.kind == "repair":
            return self._cost_of_repair(situation, action.number, reached)
        if action.kind == "name":
            return action.expected_cost
        return self.problem.give_up + float(self.problem.finish[situation.stage])

    def _cost_of_repair(self, situation: Situation, repair: int, reached: float) -> float:
        cost, fails, nxt = repair_step(self.problem, situation, repair)
        if nxt is None:
            return cost
        later = self.cost(nxt, reached * fails)
        if reached >= 1.0:
            later = min(later, repair_cost(self.problem, nxt))
        return cost + fails * later
