"""One step deep: the check with the most information per cost while that is worth it, then
the best repair order."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from faultfinder.decide.problem import TINY, Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Action, Situation, repair_now
from faultfinder.frozen import frozen
from faultfinder.model.network import Array, Flags, Ints


def make(problem: Problem, shop: Shop) -> OneStep:
    """The policy as commands name it."""
    return OneStep(problem, shop.worth_per_bit)


@frozen(eq=False)
class Gains:
    """The information gain of every check at once, over explicit scenarios."""

    problem: Problem

    def bits(self, weights: Array) -> Array:
        """I(scenario; result) per check, in bits, for one belief (scenarios,) or several, one a
        row: shape (..., checks)."""
        return self.foretold(weights)[1]

    def foretold(self, weights: Array) -> tuple[Array, Array]:
        """How likely each result of every check is, (..., results), and the same bits."""
        if not self.problem.checks:
            none = np.zeros((*weights.shape[:-1], 0))
            return none, none
        rows, begins = self.problem.told
        both = weights @ self.problem.told_with_noise.T
        outcomes, noise = both[..., : len(rows)], both[..., len(rows) :]
        terms = np.log2(np.maximum(outcomes, TINY))
        terms *= outcomes
        gains: Array = -np.add.reduceat(terms, begins, axis=-1) - noise
        return outcomes, np.maximum(gains, 0.0)


@frozen(eq=False)
class OneStep:
    """Information per cost, one step deep; a check is made while its bits are worth it."""

    problem: Problem
    worth_per_bit: float

    @cached_property
    def _gains(self) -> Gains:
        return Gains(self.problem)

    @cached_property
    def _own(self) -> tuple[Array, Ints]:
        checks = self.problem.checks
        return np.array([c.cost for c in checks]), np.array([c.stage for c in checks], dtype=int)

    def decide(self, situation: Situation) -> Action:
        """The open check with most bits per cost, or the next repair."""
        check = self.check(situation)
        return repair_now(self.problem, situation) if check is None else check

    def check(self, situation: Situation) -> Action | None:
        """The open check with most bits per cost; None where none is worth it, or the name is
        sure."""
        made = np.zeros((1, len(self.problem.checks)), dtype=np.bool_)
        made[0, list(situation.checked)] = True
        best = int(self.looked(situation.weights[None], np.array([situation.stage]), made)[0][0])
        return None if best < 0 else Action("check", best, np.nan)

    def looked(self, weights: Array, stages: Ints, made: Flags) -> tuple[Ints, Array]:
        """The same in several situations: beliefs (situations, scenarios), stages (situations,)
        and checks made (situations, checks) to the checks by number, -1 for none, and how likely
        each result of every check is: (situations, results)."""
        outcomes, bits = self._gains.foretold(weights)
        if not self.problem.checks or not len(stages):
            return np.full(len(stages), -1), outcomes
        own, places = self._own
        cost = own + self.problem.travel[stages][:, places]
        if self.problem.kits:
            sets = [self.problem.setting_up_each(np.flatnonzero(row).tolist()) for row in made]
            cost = cost + np.array(sets)
        worth = (bits > 1e-9) & (bits * self.worth_per_bit >= cost) & self.problem.are_open(made)
        if (names := self.problem.names) is not None:
            worth &= np.array([names.best(row)[1] > 0.0 for row in weights])[:, None]
        score = np.where(worth, bits / np.maximum(cost, 1e-9), -1.0)
        best: Ints = np.where(worth.any(axis=1), score.argmax(axis=1), -1)
        return best, outcomes
