"""Many stories of one job side by side: what `faultfinder.decide.situation` does to one.

A quick policy is asked hundreds of times for a spread or a mean over a whole job; asked for
all stories that have come equally far at once, it takes a tenth of the time.

Every result makes a story of its own. Of those that are less likely than `rare` some are drawn,
systematically, and stand for all of them, so that sums over stories stay right; with `rare` 0 all
are followed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import UNLIKELY, Situation
from faultfinder.model.network import Array, Flags, Ints

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
    made: Flags
    repaired: Flags
    chance: Array
    spent: Array

    def __len__(self) -> int:
        return len(self.stages)

    def take(self, which: Ints | Flags) -> Stories:
        """Some of them, by number or by mask."""
        numbers = np.flatnonzero(which) if which.dtype == np.bool_ else which
        return Stories(*(column[numbers] for column in vars(self).values()))


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
    def _results(self) -> tuple[Ints, Flags]:
        """Where each result of each check stands among all results, and whether there is such a
        one: shape (checks, most results)."""
        counts = [len(check.results) for check in self.problem.checks]
        place = np.arange(max(counts, default=0))
        there = place < np.array(counts)[:, None]
        return np.where(there, self.problem.told[1][:, None] + place, 0), there

    def wait(self, stories: Stories) -> None:
        """Stories that are to go on later."""
        if len(stories):
            self._waiting.append(stories)

    def going(self) -> Iterator[Stories]:
        """Stories that wait, as many at once as memory allows, until none do any more."""
        most = max(1, AT_ONCE // len(self.problem.weights))
        while self._waiting:
            stories = together(self._waiting)
            self._waiting = []
            if len(stories) > most:
                self._waiting.append(stories.take(np.arange(most, len(stories))))
                stories = stories.take(np.arange(most))
            yield stories

    def check(self, stories: Stories, checks: Ints, outcomes: Array | None = None) -> Stories:
        """The stories after a check each (by number). `outcomes` are how likely each result of
        every check is in each, (stories, results), where somebody has worked that out."""
        places, there = self._results
        if outcomes is not None:
            told = np.take_along_axis(outcomes, places[checks], axis=1) * there[checks]
        else:
            told = np.zeros((len(stories), there.shape[1]))
            for check in set(checks.tolist()):
                rows, some = self.problem.checks[check].likelihood, np.flatnonzero(checks == check)
                told[some, : len(rows)] = stories.weights[some] @ rows.T
        told[told <= UNLIKELY] = 0.0
        before, result, chance = self._thinned(stories.chance[:, None] * told)
        every, begins = self.problem.told
        done = checks[before]
        # In place, since the beliefs of many stories are most of the work.
        weights = stories.weights[before]
        weights *= every[begins[done] + result]
        weights /= told[before, result][:, None]
        made = stories.made[before]
        made[np.arange(len(made)), done] = True
        repaired, spent = stories.repaired[before], stories.spent[before]
        return Stories(weights, self.places[done], made, repaired, chance, spent)

    def _thinned(self, chances: Array) -> tuple[Ints, Ints, Array]:
        """The places of stories to follow, in a table of their chances, and the chances to follow
        them with: the likely ones, and of the rare ones one for each `rare` that they sum to."""
        if self.rare <= 0.0:
            row, column = np.nonzero(chances)
            return row, column, chances[row, column]
        rare = np.where(chances < self.rare, chances, 0.0)
        rising = self._over + np.cumsum(rare) / self.rare
        drawn = np.floor(rising)
        drawn[1:] -= drawn[:-1].copy()
        drawn = drawn.reshape(chances.shape) * (rare > 0.0)
        self._over = float(rising[-1] % 1.0) if len(rising) else self._over
        kept = np.where(chances >= self.rare, chances, drawn * self.rare)
        row, column = np.nonzero(kept)
        return row, column, kept[row, column]

    @cached_property
    def places(self) -> Ints:
        """The stage of each check."""
        return np.array([check.stage for check in self.problem.checks], dtype=np.int64)

    def check_costs(self, stories: Stories, checks: Ints) -> Array:
        """What a check each costs (see `situation.check_cost`): shape (stories,)."""
        problem = self.problem
        cost = problem.travel[stories.stages, self.places[checks]] + self._own[checks]
        if problem.kits:
            made = [np.flatnonzero(row).tolist() for row in stories.made]
            cost = cost + [
                problem.setting_up(check, done)
                for check, done in zip(checks.tolist(), made, strict=True)
            ]
        return cost

    @cached_property
    def _own(self) -> Array:
        return np.array([check.cost for check in self.problem.checks])

    def repair(self, stories: Stories, repairs: Ints) -> tuple[Array, Array, Stories]:
        """How likely the look passes after a repair each (by number), how likely it does although
        a fault is left, and the stories whose look can fail, after it did."""
        problem = self.problem
        broken = np.empty_like(stories.weights)
        for repair in set(repairs.tolist()):
            some = np.flatnonzero(repairs == repair)
            broken[some] = problem.after_repair(stories.weights[some], repair) * problem.faulty
        left = broken.sum(axis=1)
        fails = left * (1.0 - problem.missed)
        going = np.where(fails > UNLIKELY, stories.chance * fails, 0.0)
        on, _, chance = self._thinned(going[:, None])
        then = stories.take(on)
        then.repaired[np.arange(len(on)), repairs[on]] = True
        for row, repair in enumerate(repairs[on].tolist()):
            then.made[row, list(problem.repairs[repair].closes)] = True
        weights = broken[on] / left[on, None]
        stages = self.ends[repairs[on]]
        after = replace(then, weights=weights, stages=stages, chance=chance)
        return 1.0 - fails, left * problem.missed, after

    @cached_property
    def ends(self) -> Ints:
        """The stage of the look after each repair."""
        return np.array([repair.test_stage for repair in self.problem.repairs], dtype=np.int64)


def together(parts: Sequence[Stories]) -> Stories:
    """Stories of several lots as one."""
    if len(parts) == 1:
        return parts[0]
    columns = zip(*(vars(part).values() for part in parts), strict=True)
    return Stories(*map(np.concatenate, columns))
