"""What no plan can cost less than: a lower bound on the repair problem.

The relaxation is perfect information (Brown, Smith & Sun, Operations Research 58 (2010) 785,
abstract read; without a penalty): the joint state of the causes is told before the first step,
and again after each repair. Nothing is looked for then, and what is left is solved exactly: ways,
repairs that may fail, powered looks that may pass in vain, handing over. Whoever may choose
with more knowledge cannot pay more, so the mean over the belief is never above the best plan.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Situation
from faultfinder.model.network import Array

SOLVED_FOR = 9
"""Repairs that bear on one joint state, up to which it is solved exactly."""


@dataclass(frozen=True, eq=False)
class LowerBound:
    """The least that each joint state costs if it is known, and its mean over a belief.

    Each repair is made at most once. Joint states on which more than SOLVED_FOR repairs bear
    count as their dearest single fault: taking a fault away never makes the job dearer.
    """

    problem: Problem
    _kept: dict[tuple[int, frozenset[int]], Array] = field(default_factory=dict, repr=False)

    def at(self, situation: Situation) -> float:
        """Money that no policy can go below, from a situation to the end of the job. Where that
        ends with a name, only closing up: who knows the truth names it."""
        if self.problem.names is not None:
            return float(self.problem.finish.min())
        held = situation.weights > 0.0
        known = self.known(situation.stage, situation.repaired)
        return float(situation.weights[held] @ known[held])

    def known(self, stage: int, done: frozenset[int] = frozenset()) -> Array:
        """What each scenario costs from a stage if it is known: shape (scenarios,).

        `done` are the repairs that cannot be made again.
        """
        kept = self._kept.get((stage, done))
        if kept is None:
            classes, present, _ = self.problem.classes
            least = [self._class(one, stage, done) for one in range(present.shape[1])]
            kept = self._kept[stage, done] = np.array(least)[classes]
        return kept

    def _class(self, one: int, stage: int, done: frozenset[int]) -> float:
        _, present, success = self.problem.classes
        slots = np.flatnonzero(present[:, one])
        if not len(slots):
            return float(self.problem.finish[stage])
        chances = success[:, slots, one]
        open_repairs = [r for r in np.flatnonzero(chances.any(axis=1)).tolist() if r not in done]
        if len(open_repairs) <= SOLVED_FOR:
            return _Known(self, chances, open_repairs).cost((True,) * len(slots), 0, stage)
        if len(slots) == 1:
            return self._cheapest(stage, open_repairs)
        return max(
            self._single(chances[:, [place]], stage, open_repairs) for place in range(len(slots))
        )

    def _single(self, chances: Array, stage: int, open_repairs: list[int]) -> float:
        helps = [r for r in open_repairs if chances[r, 0] > 0.0]
        if len(helps) <= SOLVED_FOR:
            return _Known(self, chances, helps).cost((True,), 0, stage)
        return self._cheapest(stage, helps)

    def _cheapest(self, stage: int, repairs: list[int]) -> float:
        """A floor where many repairs bear on one fault: the cheapest of them cures."""
        problem = self.problem
        cured = float(problem.act_cost[stage, repairs].min() + problem.finish.min())
        return self.slipping(min(problem.give_up + float(problem.finish[stage]), cured))

    def slipping(self, cost: float) -> float:
        """At least what it costs if repairs that mend nothing may be tried first, so that the look
        after one passes in vain; `cost` is what it costs without.

        Each is tried once at most, the cheapest first, and ways to them are free. Ways add up, so
        doing so anywhere saves no more than this.
        """
        dear, spent = self._tries
        missed = self.problem.missed
        # One try more pays while it costs less than what it may pass over.
        tries = bisect_left(dear, missed * cost) if missed > 0.0 else 0
        return float(spent[tries] + (1.0 - missed) ** tries * cost)

    @cached_property
    def _tries(self) -> tuple[list[float], list[float]]:
        """What each try in vain costs, with what slips through it, the cheapest first; and the
        expected money for so many of them."""
        problem = self.problem
        own = np.sort([repair.cost + problem.retest for repair in problem.repairs])
        dear = own + problem.missed * (problem.comeback + float(problem.finish.min()))
        reached = (1.0 - problem.missed) ** np.arange(len(own))
        spent = np.concatenate([[0.0], np.cumsum(reached * dear)])
        return dear.tolist(), spent.tolist()


Left = tuple[bool, ...]
"""Of each fault that a joint state holds, whether it is still there."""


@dataclass(frozen=True, eq=False)
class _Known:
    """One known joint state: `chances` is the repairs' success on each fault it holds, shape
    (repairs, faults); `repairs` are those that bear on it and are still open."""

    bound: LowerBound
    chances: Array
    repairs: list[int]
    _kept: dict[tuple[Left, int, int], float] = field(default_factory=dict)
    _ways: dict[tuple[int, Left], list[tuple[Left, float]]] = field(default_factory=dict)

    def cost(self, left: Left, done: int, stage: int) -> float:
        """The least cost with those faults left; `done` is a bit for each of `repairs`."""
        key = (left, done, stage)
        if key not in self._kept:
            problem = self.bound.problem
            sure = problem.act_costs[stage]
            least = problem.give_up + problem.finish_costs[stage]
            for place, repair in enumerate(self.repairs):
                if not done >> place & 1 and sure[repair] < least:
                    least = min(least, sure[repair] + self._after(repair, left, done | 1 << place))
            self._kept[key] = self.bound.slipping(least)
        return self._kept[key]

    def _after(self, repair: int, left: Left, done: int) -> float:
        problem = self.bound.problem
        stage = problem.repairs[repair].test_stage
        closing = problem.finish_costs[stage]
        outcomes = self._outcomes(repair, left)
        if all(after == left for after, _ in outcomes):
            # It mends nothing here: `slipping` has that.
            return np.inf
        total, missed = 0.0, problem.missed
        for after, p in outcomes:
            if not any(after):
                total += p * closing
            else:
                total += p * missed * (closing + problem.comeback)
                total += p * (1.0 - missed) * self.cost(after, done, stage)
        return total

    def _outcomes(self, repair: int, left: Left) -> list[tuple[Left, float]]:
        """What can be left after a repair, and how likely."""
        if (repair, left) not in self._ways:
            outcomes: list[tuple[Left, float]] = [((), 1.0)]
            for held, chance in zip(left, self.chances[repair].tolist(), strict=True):
                share = chance if held else 0.0
                outcomes = [
                    ((*kept, stays), p * q)
                    for kept, p in outcomes
                    for stays, q in ((held, 1.0 - share), (False, share))
                    if q > 0.0
                ]
            self._ways[repair, left] = outcomes
        return self._ways[repair, left]
