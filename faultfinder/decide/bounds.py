"""What no plan can cost less than: a lower bound on the repair problem.

The relaxation is perfect information (Brown, Smith & Sun, Operations Research 58 (2010) 785,
abstract read; without a penalty): the joint state of the causes is told before the first step,
and again after each repair. Nothing is looked for then, and what is left is solved exactly: ways,
repairs that may fail, powered looks that may pass in vain, handing over. Whoever may choose
with more knowledge cannot pay more, so the mean over the belief is never above the best plan.
"""

from __future__ import annotations

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
        """Money that no policy can go below, from a situation to the end of the job."""
        held = situation.weights > 0.0
        known = self.known(situation.stage, situation.repaired)
        return float(situation.weights[held] @ known[held])

    def known(self, stage: int, done: frozenset[int] = frozenset()) -> Array:
        """What each scenario costs from a stage if it is known: shape (scenarios,).

        `done` are the repairs that cannot be made again.
        """
        kept = self._kept.get((stage, done))
        if kept is None:
            classes, present, _ = self.problem._classes
            least = [self._class(one, stage, done) for one in range(present.shape[1])]
            kept = self._kept[stage, done] = np.array(least)[classes]
        return kept

    def _class(self, one: int, stage: int, done: frozenset[int]) -> float:
        _, present, success = self.problem._classes
        slots = np.flatnonzero(present[:, one])
        if not len(slots):
            return float(self.problem.finish[stage])
        chances = success[:, slots, one]
        open_repairs = [r for r in np.flatnonzero(chances.any(axis=1)).tolist() if r not in done]
        if len(open_repairs) <= SOLVED_FOR:
            return _Known(self, chances, open_repairs).cost((True,) * len(slots), 0, stage)
        if len(slots) == 1:
            return min(self.unmended(stage), self._cheapest(stage, open_repairs))
        return max(
            self._single(chances[:, [place]], stage, open_repairs) for place in range(len(slots))
        )

    def _single(self, chances: Array, stage: int, open_repairs: list[int]) -> float:
        helps = [r for r in open_repairs if chances[r, 0] > 0.0]
        if len(helps) <= SOLVED_FOR:
            return _Known(self, chances, helps).cost((True,), 0, stage)
        return min(self.unmended(stage), self._cheapest(stage, helps))

    def _cheapest(self, stage: int, repairs: list[int]) -> float:
        return float(self.problem.act_cost[stage, repairs].min() + self.problem.finish.min())

    def unmended(self, stage: int) -> float:
        """The least that it costs to let a fault be: handing over, or to try repairs that mend
        nothing until the look after one passes in vain (as if each could be tried again)."""
        problem = self.problem
        return min(problem.give_up + float(problem.finish[stage]), self._slips)

    @cached_property
    def _slips(self) -> float:
        problem = self.problem
        if problem.missed <= 0.0 or not problem.repairs:
            return np.inf
        tries = min(problem.inner_costs) / problem.missed
        return tries + problem.comeback + float(problem.finish.min())


@dataclass(frozen=True, eq=False)
class _Known:
    """One known joint state: `chances` is the repairs' success on each fault it holds, shape
    (repairs, faults); `repairs` are those that bear on it and are still open."""

    bound: LowerBound
    chances: Array
    repairs: list[int]
    _kept: dict[tuple[tuple[bool, ...], int, int], float] = field(default_factory=dict)

    def cost(self, left: tuple[bool, ...], done: int, stage: int) -> float:
        """The least cost with those faults left; `done` is a bit for each of `repairs`."""
        key = (left, done, stage)
        if key not in self._kept:
            least = self.bound.unmended(stage)
            for place, repair in enumerate(self.repairs):
                sure = float(self.bound.problem.act_cost[stage, repair])
                if not done >> place & 1 and sure < least:
                    least = min(least, sure + self._after(repair, left, done | 1 << place))
            self._kept[key] = least
        return self._kept[key]

    def _after(self, repair: int, left: tuple[bool, ...], done: int) -> float:
        problem = self.bound.problem
        stage = problem.repairs[repair].test_stage
        closing = float(problem.finish[stage])
        outcomes: list[tuple[tuple[bool, ...], float]] = [((), 1.0)]
        for held, chance in zip(left, self.chances[repair].tolist(), strict=True):
            share = chance if held else 0.0
            outcomes = [
                ((*kept, stays), p * q)
                for kept, p in outcomes
                for stays, q in ((held, 1.0 - share), (False, share))
                if q > 0.0
            ]
        if all(after == left for after, _ in outcomes):
            # It mends nothing here: `unmended` has that.
            return np.inf
        total, missed = 0.0, problem.missed
        for after, p in outcomes:
            if not any(after):
                total += p * closing
            else:
                total += p * missed * (closing + problem.comeback)
                total += p * (1.0 - missed) * self.cost(after, done, stage)
        return total
