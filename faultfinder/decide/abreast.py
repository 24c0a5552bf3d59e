"""Many stories of one job side by side: what `faultfinder.decide.situation` does to one.

A quick policy is asked hundreds of times for a spread or a mean over a whole job; asked for
all stories that have come equally far at once, it takes a tenth of the time.

Every result makes a story of its own. Of those that are less likely than `rare` some are drawn,
systematically, and stand for all of them, so that sums over stories stay right.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faultfinder.decide.problem import Ints, Problem
from faultfinder.decide.situation import UNLIKELY, Situation
from faultfinder.model.network import Array

RARE = 1.0 / 200.0
"""Stories less likely than this are thinned out. On 32 drawn states a quote's likely end then
differs by 9 % (root mean square) from what following ten thousand stories gives, its dear end by
4 %, the chance of handing over by 0.03."""

AT_ONCE = 1_000_000
"""Numbers held at once, at most, for the beliefs of stories."""


@dataclass(frozen=True, eq=False)
class Stories:
    """Where each of several stories stands: beliefs (stories, scenarios), `stages` (stories,), the
    checks `made` (stories, checks) and the repairs `repaired` (stories, repairs).

    `chance` is how likely each is come to, `spent` (stories, columns) what the one who follows
    them has added up so far.
    """

    weights: Array
    stages: Ints
    made: NDArray[np.bool_]
    repaired: NDArray[np.bool_]
    chance: Array
    spent: Array

    def __len__(self) -> int:
        return len(self.stages)

    def take(self, which: Ints | NDArray[np.bool_]) -> Stories:
        """Some of them, by number or by mask."""
        numbers = np.flatnonzero(which) if which.dtype == np.bool_ else which
        return Stories(
            self.weights[numbers],
            self.stages[numbers],
            self.made[numbers],
            self.repaired[numbers],
            self.chance[numbers],
            self.spent[numbers],
        )


def told_once(problem: Problem, situation: Situation, columns: int) -> Stories:
    """The one story that begins in a situation, with nothing spent."""
    made = np.zeros((1, len(problem.checks)), dtype=np.bool_)
    made[0, list(situation.checked)] = True
    repaired = np.zeros((1, len(problem.repairs)), dtype=np.bool_)
    repaired[0, list(situation.repaired)] = True
    return Stories(
        situation.weights[None],
        np.array([situation.stage]),
        made,
        repaired,
        np.ones(1),
        np.zeros((1, columns)),
    )


@dataclass(eq=False)
class Abreast:
    """Follows stories of a problem through checks and repairs."""

    problem: Problem
    rare: float = RARE
    _waiting: list[Stories] = field(default_factory=list)
    _over: float = 0.5

    @cached_property
    def _rows(self) -> tuple[Array, Ints, NDArray[np.bool_]]:
        """The likelihoods of all results, (results, scenarios); where those of each check are in
        it, (checks, most results); and which of these there are."""
        checks = self.problem.checks
        sizes = np.array([len(check.results) for check in checks], dtype=np.int64)
        steps = np.arange(sizes.max(initial=1))
        there = steps < sizes[:, None]
        begins = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        rows = np.concatenate([check.likelihood for check in checks])
        return rows, np.where(there, begins[:, None] + steps, 0), there

    def wait(self, stories: Stories) -> None:
        """Stories that are to go on later."""
        if len(stories):
            self._waiting.append(stories)

    def going(self) -> Iterator[Stories]:
        """Stories that wait, as many at once as memory allows, until none do any more."""
        most = max(1, AT_ONCE // len(self.problem.weights))
        while self._waiting:
            stories = _together(self._waiting)
            self._waiting = []
            if len(stories) > most:
                self._waiting.append(stories.take(np.arange(most, len(stories))))
                stories = stories.take(np.arange(most))
            yield stories

    def check(self, stories: Stories, checks: Ints) -> Stories:
        """The stories after a check each (by number)."""
        rows, places, there = self._rows
        told = np.take_along_axis(stories.weights @ rows.T, places[checks], axis=1)
        told = np.where(there[checks] & (told > UNLIKELY), told, 0.0)
        before, result, chance = self._thinned(stories.chance[:, None] * told)
        then = stories.take(before)
        then.made[np.arange(len(then)), checks[before]] = True
        likelihood = rows[places[checks[before], result]]
        weights = likelihood * then.weights / told[before, result][:, None]
        stages = self.places[checks[before]]
        return replace(then, weights=weights, stages=stages, chance=chance)

    def _thinned(self, chances: Array) -> tuple[Ints, Ints, Array]:
        """The places of stories to follow, in a table of their chances, and the chances to follow
        them with: the likely ones, and of the rare ones one for each `rare` that they sum to."""
        rare = np.where(chances < self.rare, chances, 0.0)
        rising = self._over + np.cumsum(rare) / self.rare
        drawn = np.diff(np.floor(rising), prepend=0.0).reshape(chances.shape) * (rare > 0.0)
        self._over = float(rising[-1] % 1.0) if len(rising) else self._over
        kept = np.where(chances >= self.rare, chances, drawn * self.rare)
        row, column = np.nonzero(kept)
        return row, column, kept[row, column]

    @cached_property
    def places(self) -> Ints:
        """The stage of each check."""
        return np.array([check.stage for check in self.problem.checks], dtype=np.int64)

    def repair(self, stories: Stories, repairs: Ints) -> tuple[Array, Stories]:
        """How likely the look passes after a repair each (by number), and the stories whose look
        can fail, after it did."""
        problem = self.problem
        moved = np.array(
            [
                problem.after_repair(weights, repair)
                for weights, repair in zip(stories.weights, repairs.tolist(), strict=True)
            ]
        )
        failed = problem.after_failed_look(moved)
        fails = failed.sum(axis=1)
        going = np.where(fails > UNLIKELY, stories.chance * fails, 0.0)
        on, _, chance = self._thinned(going[:, None])
        then = stories.take(on)
        then.repaired[np.arange(len(on)), repairs[on]] = True
        for row, repair in enumerate(repairs[on].tolist()):
            then.made[row, list(problem.repairs[repair].closes)] = True
        weights = failed[on] / fails[on, None]
        return 1.0 - fails, replace(
            then, weights=weights, stages=self.ends[repairs[on]], chance=chance
        )

    @cached_property
    def ends(self) -> Ints:
        """The stage of the look after each repair."""
        return np.array([repair.test_stage for repair in self.problem.repairs], dtype=np.int64)


def _together(parts: Sequence[Stories]) -> Stories:
    if len(parts) == 1:
        return parts[0]
    return Stories(
        np.concatenate([part.weights for part in parts]),
        np.concatenate([part.stages for part in parts]),
        np.concatenate([part.made for part in parts]),
        np.concatenate([part.repaired for part in parts]),
        np.concatenate([part.chance for part in parts]),
        np.concatenate([part.spent for part in parts]),
    )
