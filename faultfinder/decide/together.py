"""What checks tell about which repair is right, alone and several together.

A check pays by what it tells about the repair, not about causes that one repair mends
alike, and each step costs the turn to the machine, the asking and the writing down besides
its own minutes: a half-minute question that tells next to nothing does not come before a look
that halves the repairs in question. Checks that are made together share that price.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from functools import cached_property

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.frozen import frozen
from faultfinder.model.network import Array

LIKELIEST = 250
"""Scenarios, the likeliest, over which checks are weighed together."""

UNLIKELY = 0.01
"""Joint results less likely than this are not followed."""


@frozen(eq=False)
class Telling:
    """The bits of checks about the right repair, I(right repair; results).

    Joint results are rows of weights over the scenarios kept (each its probability times the
    belief after it); `start(weights)` is the one row before any check.
    """

    problem: Problem

    @cached_property
    def _right(self) -> Array:
        """1 where a scenario's right repair is that of the column: (scenarios, repairs used)."""
        which = self.problem.right_repair
        found: Array = (which[:, None] == np.flatnonzero(np.bincount(which))[None]).astype(
            np.float64
        )
        return found

    def bits(self, weights: Array) -> Array:
        """The bits of each check alone: shape (checks,)."""
        if not self.problem.checks:
            return np.zeros(0)
        told: Array = self._left(weights[None])[0] - self._after(weights[None])[0]
        return np.maximum(told, 0.0)

    def left(self, outcomes: Array) -> float:
        """The bits about the right repair that some joint results leave open."""
        return float(self._left(outcomes).sum())

    def _left(self, outcomes: Array) -> Array:
        """What is not known of the right repair in each joint result, times its probability."""
        return entropy(outcomes @ self._right)

    def _after(self, outcomes: Array) -> Array:
        """The same once each check more is made: shape (joint results, checks)."""
        if not self.problem.checks or not len(outcomes):
            return np.zeros((len(outcomes), len(self.problem.checks)))
        rows, begins = self.problem.told
        kept = np.flatnonzero(outcomes.sum(axis=0) > 0.0)
        right = self._right[kept]
        found = [entropy((row[kept] * rows[:, kept]) @ right) for row in outcomes]
        return np.add.reduceat(np.array(found), begins, axis=1)

    def more(self, outcomes: Array) -> Array:
        """The bits that each check would add in each joint result, times its probability:
        shape (joint results, checks)."""
        told: Array = self._left(outcomes)[:, None] - self._after(outcomes)
        return np.maximum(told, 0.0)

    def more_of(self, check: int, outcomes: Array) -> Array:
        """What `more` gives for one check: shape (joint results,)."""
        return self.more_by(self.problem.checks[check].likelihood, outcomes)

    def more_by(self, likelihood: Array, outcomes: Array) -> Array:
        """The same of anything seen, by P(result | scenario): shape (results, scenarios)."""
        after = entropy((outcomes[:, None] * likelihood) @ self._right).sum(axis=1)
        told: Array = self._left(outcomes) - after
        return np.maximum(told, 0.0)

    def start(self, weights: Array) -> Array:
        """The one joint result before any check, over the likeliest scenarios."""
        if len(weights) <= LIKELIEST:
            return weights[None]
        kept = np.zeros_like(weights)
        best = np.argsort(-weights)[:LIKELIEST]
        kept[best] = weights[best] / weights[best].sum()
        return kept[None]

    def then(self, outcomes: Array, check: int) -> Array:
        """The joint results after one check more, unlikely ones left out."""
        likelihood = self.problem.checks[check].likelihood
        every = (outcomes[:, None, :] * likelihood[None]).reshape(-1, outcomes.shape[1])
        found: Array = every[every.sum(axis=1) >= UNLIKELY]
        return found

    def score(self, bits: Array, stage: int, made: Collection[int] = ()) -> Array:
        """Bits per cost from a stage, the price of the step included: shape (checks,).

        A check that is all that another waits for takes that one in where it raises its ratio
        (Horn's rule of 1972 for jobs in order). What will be made anyway, before the right
        repair, costs nothing to make first.
        """
        checks = self.problem.checks
        places = np.array([check.stage for check in checks], dtype=np.int64)
        cost = np.array([check.cost for check in checks]) + self.problem.travel[stage, places]
        cost = cost + self.problem.setting_up_each(made)
        cost = (cost + self.problem.handling) * (1.0 - self.problem.made_anyway)
        cost = np.maximum(cost, 1e-9)
        found: Array = bits / cost
        for gate, check in self.gates(made):
            both = (bits[gate] + bits[check]) / (cost[gate] + cost[check])
            found[gate] = max(found[gate], both)
        return found

    def gates(self, made: Collection[int]) -> Iterator[tuple[int, int]]:
        """Each check that is all that another still waits for, with that other."""
        for check in set(self.problem.closed(frozenset(made))).difference(made):
            first = self.problem.checks[check].behind.difference(made)
            if len(first) == 1:
                yield next(iter(first)), check

    def in_turn(self, weights: Array, stage: int, first: Sequence[int], most: int) -> list[int]:
        """Checks that tell most together for their cost, each given those before it; `first`
        are taken as they are, `most` is how many there are in the end."""
        outcomes = self.start(weights)
        chosen = list(first[:most])
        for check in chosen:
            outcomes = self.then(outcomes, check)
        while len(chosen) < most:
            best = self.best(self.more(outcomes).sum(axis=0), stage, chosen, chosen)
            if best is None:
                break
            outcomes = self.then(outcomes, best)
            chosen.append(best)
        return chosen

    def best(
        self, bits: Array, stage: int, made: Collection[int], but: Collection[int]
    ) -> int | None:
        """The check with most bits per cost once some are made, but for some others; None when
        nothing more is told."""
        score = self.score(bits, stage, made)
        score[list(but)] = 0.0
        score[self.problem.closed(frozenset(made))] = 0.0
        place = int(score.argmax()) if len(score) else 0
        return place if len(score) and bits[place] > 1e-6 and score[place] > 0.0 else None


def entropy(joint: Array) -> Array:
    """H(column | row) of each row of joint probabilities, times the row's probability."""
    whole = joint.sum(axis=-1)
    logs = np.log2(np.where(joint > 0.0, joint, 1.0))
    found: Array = whole * np.log2(np.where(whole > 0.0, whole, 1.0)) - (joint * logs).sum(axis=-1)
    return found
