"""A repair problem over explicit scenarios: the form in which plans are weighed.

A scenario is one joint state of all causes. Beliefs are weights over scenarios;
a check's result multiplies them by its likelihood, a repair moves them (the
cause state before, the repair's success, the cause state after). Findings made
before a repair therefore speak of the machine as it was, later ones of the
machine as it is.

Everything here is money; minutes have been turned into it by the shop's rate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faultfinder.model.network import Array

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class CheckAction:
    """A check: its own cost, its stage, and P(result | scenario), shape (results, scenarios).

    `findings` are what it still tells, the last varying fastest in the results.
    """

    name: str
    results: tuple[str, ...]
    cost: float
    stage: int
    likelihood: Array = field(repr=False)
    findings: tuple[str, ...] = ()


@dataclass(frozen=True)
class RepairAction:
    """A repair: own cost (labour, part, expected harm), the stage it is done in, and
    the stage of the powered look after it.

    `mends` has shape (causes, largest number of states): the probability that the
    cause in that state is gone afterwards (zero in the first column).
    """

    name: str
    cost: float
    stage: int
    test_stage: int
    mends: Array = field(repr=False)


@dataclass(frozen=True, eq=False)
class Problem:
    """All that planning needs to know.

    `scenarios` has shape (scenarios, causes) and holds state numbers; row 0 is the
    machine without a fault. With every scenario it holds every scenario from which
    faults have been removed. `weights` (scenarios,) is the belief now, summing to one.
    `travel` has shape (stages, stages): money to get from one to another, infinite
    when there is no way. `finish` (stages,) is what closing up and handing out costs.
    `missed` is the probability that the powered look after a repair passes although
    a fault is left; that costs `comeback`. `give_up` is the price of handing the
    machine over unrepaired (closing up comes on top); infinite when that is no choice.
    `neglected` is the probability of all scenarios left out; `evidence_probability`
    that of the findings before any repair.
    """

    causes: tuple[str, ...]
    scenarios: Ints = field(repr=False)
    weights: Array = field(repr=False)
    checks: tuple[CheckAction, ...]
    repairs: tuple[RepairAction, ...]
    stages: tuple[str, ...]
    stage: int
    travel: Array = field(repr=False)
    finish: Array = field(repr=False)
    retest: float = 0.0
    missed: float = 0.0
    comeback: float = 0.0
    give_up: float = np.inf
    neglected: float = 0.0
    evidence_probability: float = 1.0

    @cached_property
    def faulty(self) -> Array:
        """1 where a scenario has any cause present, else 0; shape (scenarios,)."""
        result: Array = (self.scenarios != 0).any(axis=1).astype(np.float64)
        return result

    @cached_property
    def success(self) -> Array:
        """P(cause gone after repair) in each scenario: shape (repairs, scenarios, causes)."""
        columns = np.arange(len(self.causes))
        if not self.repairs:
            return np.zeros((0, *self.scenarios.shape))
        return np.stack([repair.mends[columns, self.scenarios] for repair in self.repairs])

    @cached_property
    def act_cost(self) -> Array:
        """Cost of a repair from each stage, powered look included: shape (stages, repairs)."""
        cost = np.empty((len(self.stages), len(self.repairs)))
        for place, repair in enumerate(self.repairs):
            inner = repair.cost + self.travel[repair.stage, repair.test_stage] + self.retest
            cost[:, place] = self.travel[:, repair.stage] + inner
        return cost

    @cached_property
    def _behind(self) -> dict[int, dict[int, int]]:
        return {}

    def behind(self, stage: int) -> Mapping[int, int]:
        """For every other stage that can be reached, the last stage on the way to it."""
        if stage not in self._behind:
            way = self.travel[stage]
            last: dict[int, int] = {}
            for place in range(len(self.stages)):
                if place == stage or not np.isfinite(way[place]):
                    continue
                passed = [
                    via
                    for via in range(len(self.stages))
                    if via not in (place, stage)
                    and way[via] + self.travel[via, place] <= way[place] + 1e-9
                    and (way[via], via) < (way[place], place)
                ]
                last[place] = max(passed, key=lambda via: (way[via], via), default=stage)
            self._behind[stage] = last
        return self._behind[stage]

    @cached_property
    def _moves(self) -> dict[int, tuple[Ints, Ints, Array]]:
        return {}

    @cached_property
    def _numbers(self) -> Mapping[tuple[int, ...], int]:
        return {tuple(row): number for number, row in enumerate(self.scenarios.tolist())}

    def moves(self, repair: int) -> tuple[Ints, Ints, Array]:
        """How a repair moves scenarios: (from, to, probability), one entry per possibility."""
        if repair not in self._moves:
            self._moves[repair] = self._work_out_moves(repair)
        return self._moves[repair]

    def _work_out_moves(self, repair: int) -> tuple[Ints, Ints, Array]:
        origin: list[int] = []
        goal: list[int] = []
        chance: list[float] = []
        success = self.success[repair]
        for number, row in enumerate(self.scenarios.tolist()):
            ways: list[tuple[tuple[int, ...], float]] = [(tuple(row), 1.0)]
            for cause in np.flatnonzero(success[number]).tolist():
                gone = float(success[number, cause])
                ways = [
                    way
                    for state, p in ways
                    for way in (
                        ((*state[:cause], 0, *state[cause + 1 :]), p * gone),
                        (state, p * (1.0 - gone)),
                    )
                    if way[1] > 0.0
                ]
            for state, p in ways:
                origin.append(number)
                goal.append(self._numbers[state])
                chance.append(p)
        return np.array(origin), np.array(goal), np.array(chance)

    def after_repair(self, weights: Array, repair: int) -> Array:
        """The belief about the machine as it is after a repair, nothing else known."""
        origin, goal, chance = self.moves(repair)
        moved = np.bincount(goal, weights[origin] * chance, minlength=len(weights))
        return moved.astype(np.float64)

    def after_failed_look(self, weights: Array) -> Array:
        """Unnormalised belief once the powered look after a repair still shows the fault."""
        return weights * self.faulty * (1.0 - self.missed)

    def after_passed_look(self, weights: Array) -> Array:
        """Unnormalised belief once the powered look after a repair shows no fault."""
        return weights * np.where(self.faulty > 0.0, self.missed, 1.0)

    @cached_property
    def _fixed(self) -> dict[frozenset[int], tuple[Array, Array]]:
        return {}

    def fixed_after(self, done: frozenset[int]) -> tuple[Array, Array]:
        """P(no fault left | scenario) after the repairs in `done`, and after each one more.

        Returns arrays of shape (scenarios,) and (repairs, scenarios). Kept, since
        a plan asks for the same few sets again and again.
        """
        if done not in self._fixed:
            left = np.where(self.scenarios != 0, 1.0, 0.0)
            for repair in done:
                left = left * (1.0 - self.success[repair])
            now = np.prod(1.0 - left, axis=1)
            more = np.prod(1.0 - left[None] * (1.0 - self.success), axis=2)
            self._fixed[done] = (now, more)
        return self._fixed[done]
