"""The cheapest plan, exactly: dynamic programming with bounds, for small problems.

AND/OR search over situations (belief, stage, what was done), each solved once.
The lower bound lets the fault be known (`faultfinder.decide.bounds`); the upper bound is the
greedy repair order. An action whose own cost plus lower bounds reaches the best found is cut.
Each check and each repair is done at most once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from faultfinder.decide.bounds import LowerBound
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import (
    Action,
    Situation,
    after_check,
    check_cost,
    repair_now,
    repair_step,
)
from faultfinder.errors import FaultfinderError

ACTIONS_LIMIT = 14
"""Checks and repairs together beyond which the search is not begun."""

SITUATIONS_LIMIT = 400_000
"""Situations after which the search is given up as too large."""


def make(problem: Problem, shop: Shop) -> Exact:
    """The policy as commands name it."""
    return Exact(problem)


@dataclass(eq=False)
class Exact:
    """The optimal policy; raises FaultfinderError past ACTIONS_LIMIT checks and
    repairs, or SITUATIONS_LIMIT situations."""

    problem: Problem
    _solved: dict[tuple[bytes, int, frozenset[int], frozenset[int]], Action] = field(
        default_factory=dict, repr=False
    )

    @cached_property
    def _bound(self) -> LowerBound:
        return LowerBound(self.problem)

    def decide(self, situation: Situation) -> Action:
        """The optimal action and the least expected cost from here."""
        problem = self.problem
        left = len(problem.checks) + len(problem.repairs)
        left -= len(situation.checked) + len(situation.repaired)
        if left > ACTIONS_LIMIT and not self._solved:
            raise FaultfinderError(
                f"The exact plan is for small models: here {left} checks and repairs are open, and "
                f"the limit is {ACTIONS_LIMIT}. Use the roll-out or look-ahead planner."
            )
        key = (
            np.round(situation.weights, 12).tobytes(),
            situation.stage,
            situation.checked,
            situation.repaired,
        )
        found = self._solved.get(key)
        if found is None:
            if len(self._solved) >= SITUATIONS_LIMIT:
                raise FaultfinderError(
                    f"The exact plan needs more than {SITUATIONS_LIMIT:,} situations. "
                    "Use the look-ahead planner, or leave checks out."
                )
            found = self._solve(situation)
            self._solved[key] = found
        return found

    def _solve(self, situation: Situation) -> Action:
        problem = self.problem
        give_up = problem.give_up + float(problem.finish[situation.stage])
        healthy = 1.0 - float(situation.weights @ problem.faulty)
        # A machine without a fault needs no giving up: it is closed and handed out.
        stop = healthy * float(problem.finish[situation.stage])
        if healthy < 1.0 - 1e-12:
            stop += (1.0 - healthy) * give_up
        greedy = repair_now(problem, situation)
        best = Action("hand over", -1, stop) if problem.names is None else greedy
        stop = best.expected_cost
        bound = min(stop, greedy.expected_cost)
        for check in range(len(problem.checks)):
            if not problem.is_open(check, situation.checked):
                continue
            if np.ptp(problem.checks[check].likelihood, axis=1).max() == 0.0:
                continue
            cost = self._with_check(situation, check, bound)
            if cost < best.expected_cost - 1e-12:
                best = Action("check", check, cost, greedy.expected_cost - cost)
                bound = min(bound, cost)
        for repair in range(len(problem.repairs)):
            if repair in situation.repaired:
                continue
            cost = self._with_repair(situation, repair, bound)
            if cost < best.expected_cost - 1e-12:
                best = Action("repair", repair, cost)
                bound = min(bound, cost)
        return best

    def _with_check(self, situation: Situation, check: int, bound: float) -> float:
        cost = check_cost(self.problem, situation, check)
        ways = list(after_check(self.problem, situation, check))
        return self._with_ways(cost, [(p, nxt) for _, p, nxt in ways], bound)

    def _with_repair(self, situation: Situation, repair: int, bound: float) -> float:
        if not np.isfinite(self.problem.act_cost[situation.stage, repair]):
            return np.inf
        cost, fails, nxt = repair_step(self.problem, situation, repair)
        return self._with_ways(cost, [] if nxt is None else [(fails, nxt)], bound)

    def _with_ways(self, cost: float, ways: list[tuple[float, Situation]], bound: float) -> float:
        if not np.isfinite(cost):
            return np.inf
        waiting = [probability * self._bound.at(nxt) for probability, nxt in ways]
        total = cost + sum(waiting)
        for (probability, nxt), least in zip(ways, waiting, strict=True):
            if total >= bound + 1e-9:
                # Not better than what is known already: the exact figure does not matter.
                return np.inf
            total += probability * self.decide(nxt).expected_cost - least
        return total
