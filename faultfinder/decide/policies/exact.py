"""The cheapest plan, exactly: dynamic programming with bounds, for small problems.

AND/OR search over situations (belief, stage, what was done), each solved once.
The lower bound lets the fault be known (every scenario is repaired by the cheapest
set of repairs that can remove its causes); the upper bound is the greedy repair
order. An action whose own cost plus lower bounds reaches the best found is cut.
Each check and each repair is done at most once.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

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
from faultfinder.model.network import Array

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
        best = Action("hand over", -1, stop)
        greedy = repair_now(problem, situation)
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
        waiting = [probability * self._lower(nxt) for probability, nxt in ways]
        total = cost + sum(waiting)
        for (probability, nxt), least in zip(ways, waiting, strict=True):
            if total >= bound + 1e-9:
                # Not better than what is known already: the exact figure does not matter.
                return np.inf
            total += probability * self.decide(nxt).expected_cost - least
        return total

    def _lower(self, situation: Situation) -> float:
        """No plan can cost less than if the scenario were known."""
        # A floor can be infinite: impossible scenarios must not count it.
        held = situation.weights > 0.0
        return float(situation.weights[held] @ self._known_costs(situation.repaired)[held])

    def _known_costs(self, repaired: frozenset[int]) -> Array:
        kept = self._floors.get(repaired)
        if kept is None:
            kept = np.array(
                [self._known_cost(number, repaired) for number in range(len(self.problem.faulty))]
            )
            self._floors[repaired] = kept
        return kept

    _floors: dict[frozenset[int], Array] = field(default_factory=dict, repr=False)

    def _known_cost(self, scenario: int, repaired: frozenset[int]) -> float:
        """A floor under what one known scenario costs: the cheapest repair that helps at all.

        Every present cause must be removed by some repair, so the dearest of the
        causes' cheapest repairs is a floor, as is handing over; a missed look can end
        the job too, at the price of a comeback.
        """
        problem = self.problem
        finish = float(problem.finish.min())
        present = np.flatnonzero(problem.scenarios[scenario])
        if len(present) == 0:
            return finish
        floor = 0.0
        cheapest = np.inf
        for cause in present.tolist():
            least = np.inf
            for number, repair in enumerate(problem.repairs):
                if number not in repaired:
                    own = repair.cost + problem.retest
                    cheapest = min(cheapest, own)
                    if problem.success[number, scenario, cause] > 0.0:
                        least = min(least, own)
            floor = max(floor, least)
        slip = cheapest + problem.comeback if problem.missed > 0.0 else np.inf
        # After any failed repair handing over stays possible, so it is a floor by itself.
        return finish + min(floor, problem.give_up, slip)
