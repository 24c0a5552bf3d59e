"""What to quote: the spread of what the job may cost the customer."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from faultfinder.decide.abreast import Abreast, Stories, told_once
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import first_repairs
from faultfinder.decide.situation import Action, start
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array, Ints

LOW_AT, LIKELY_AT, HIGH_AT = 0.1, 0.5, 0.9
"""The quote's low, likely and high figures are these quantiles of the job's cost."""


@frozen
class Quote:
    """What the job may cost, in money: 10th, 50th and 90th percentile.

    `exceeds` is the probability that it costs more than `high`; `given_up` that the
    machine is handed over unrepaired. `dear_for_nothing` is the expected number, per job,
    of parts of at least the shop's `dear_part` price that are fitted to a machine with none
    of the causes they mend. `minutes` is the expected bench time: ways, checks, repairs, the
    looks after them and closing up.

    In two lines: `looking` is what it likely costs to look at it and no more, `repaired` and
    `repaired_high` the likely and the dear end where it is repaired (None where it never is).
    """

    low: float
    likely: float
    high: float
    exceeds: float
    given_up: float
    dear_for_nothing: float
    minutes: float
    looking: float = 0.0
    repaired: float | None = None
    repaired_high: float | None = None


@dataclass
class _Ledger:
    """Follows a policy to every end, and writes down what each costs the customer.

    A story has spent what the work cost, and the low, likely and high prices of its parts.
    """

    problem: Problem
    compiled: CompiledModel
    policy: OneStep
    dear_part: float
    ends: list[tuple[Array, Array, bool]] = field(default_factory=list)
    looks: list[tuple[Array, Array, bool]] = field(default_factory=list)
    given_up: float = 0.0
    wasted: float = 0.0
    minutes: float = 0.0

    @cached_property
    def abreast(self) -> Abreast:
        return Abreast(self.problem)

    @cached_property
    def _priced(self) -> tuple[Array, Array]:
        """What the customer pays for each check besides the way, and for each repair: its work
        besides the way, and the prices of its part (repairs, 4)."""
        checks = np.array([check.cost - check.shop_share for check in self.problem.checks])
        by_name = self.compiled.model.repairs_by_name
        parts = [by_name[one.name].part for one in self.problem.repairs]
        repairs = [
            (-part.likely - one.shop_share, part.low, part.likely, part.high)
            for part, one in zip(parts, self.problem.repairs, strict=True)
        ]
        return checks, np.array(repairs).reshape(-1, 4)

    @cached_property
    def _timed(self) -> tuple[Array, Array, Array]:
        """The minutes of each check and of each repair, its look included, besides the way; and
        of each way: (stages, stages)."""
        model, names = self.compiled.model, self.problem.stages
        routes = self.compiled.routes
        ways = np.array(
            [[routes[a, b].minutes if (a, b) in routes else np.inf for b in names] for a in names]
        )
        look = model.retest.minutes if model.retest else 0.0
        checks = [model.checks_by_name[one.name].minutes for one in self.problem.checks]
        repairs = [
            model.repairs_by_name[one.name].minutes + ways[one.stage, one.test_stage] + look
            for one in self.problem.repairs
        ]
        return np.array(checks), np.array(repairs), ways

    def follow(self, action: Action) -> None:
        """An action taken at first, and then the policy to the end."""
        stories = told_once(self.problem, start(self.problem), 4)
        first = np.array([action.number])
        if action.kind == "check":
            self._look(stories, first)
        else:
            self._end(stories, first)
        for stories in self.abreast.going():
            checks, outcomes = self.policy.looked(stories.weights, stories.stages, stories.made)
            on = checks >= 0
            self._look(stories.take(on), checks[on], outcomes[on])
            rest = stories.take(checks < 0)
            self._end(rest, first_repairs(self.problem, rest.weights, rest.stages, rest.repaired))

    def _look(self, stories: Stories, checks: Ints, outcomes: Array | None = None) -> None:
        if len(stories):
            way = self.problem.travel[stories.stages, self.abreast.places[checks]]
            stories.spent[:, 0] += way + self._priced[0][checks]
            own, _, ways = self._timed
            spent = ways[stories.stages, self.abreast.places[checks]] + own[checks]
            self.minutes += float(stories.chance @ spent)
            self.abreast.wait(self.abreast.check(stories, checks, outcomes))

    def _end(self, stories: Stories, repairs: Ints) -> None:
        """No check more: repairs, or handing over (-1)."""
        unfitted = stories.take(np.flatnonzero(~stories.repaired.any(axis=1)))
        self._write(self.looks, unfitted, unfitted.chance, unfitted.stages)
        self._give_up(stories.take(repairs < 0))
        stories, repairs = stories.take(repairs >= 0), repairs[repairs >= 0]
        if not len(stories):
            return
        _, parts = self._priced
        for repair in np.flatnonzero(np.bincount(repairs)).tolist():
            if parts[repair, 2] >= self.dear_part:
                some = stories.take(repairs == repair)
                needless = some.weights @ self.problem.needless(repair)
                self.wasted += float(some.chance @ needless)
        stories.spent[:, 0] += self.problem.act_cost[stories.stages, repairs]
        stories.spent[:] += parts[repairs]
        _, own, ways = self._timed
        spent = ways[stories.stages, np.array(self.problem.repair_places)[repairs]] + own[repairs]
        self.minutes += float(stories.chance @ spent)
        passes, _, failed = self.abreast.repair(stories, repairs)
        self._hand_out(stories, stories.chance * passes, self.abreast.ends[repairs])
        self.abreast.wait(failed)

    def _give_up(self, stories: Stories) -> None:
        """Handed over unrepaired, the customer pays the work so far, not the shop's loss."""
        self.given_up += float(stories.chance.sum())
        self._hand_out(stories, stories.chance, stories.stages, repaired=False)

    def _hand_out(
        self, stories: Stories, chance: Array, stages: Ints, *, repaired: bool = True
    ) -> None:
        """Stories that are over."""
        home = self.problem.stages.index(self.compiled.model.start)
        self.minutes += float(chance @ self._timed[2][stages, home])
        self._write(self.ends, stories, chance, stages, repaired=repaired)

    def _write(
        self,
        where: list[tuple[Array, Array, bool]],
        stories: Stories,
        chance: Array,
        stages: Ints,
        *,
        repaired: bool = True,
    ) -> None:
        """Stories that end in those stages."""
        if len(stories):
            spent = stories.spent.copy()
            spent[:, 0] += self.problem.finish[stages]
            where.append((chance, spent, repaired))


def spread(
    problem: Problem, compiled: CompiledModel, action: Action, policy: OneStep, dear_part: float
) -> Quote:
    """What to quote: the spread of the job's cost if `action` is taken and then `policy` followed.

    Part prices vary within their ranges (a quarter low, half likely, a quarter high).
    Comebacks, waiting and expected harm are the shop's cost and are not quoted.
    """
    ledger = _Ledger(problem, compiled, policy, dear_part)
    ledger.follow(action)
    below = _spread(ledger.ends)
    high = _at(below, HIGH_AT)
    exceeds = float(below[1][-1] - below[1][np.searchsorted(below[0], high, side="right") - 1])
    repaired = [end for end in ledger.ends if end[2] and end[0].any()]
    mended = _spread(repaired) if repaired else None
    return Quote(
        _at(below, LOW_AT),
        _at(below, LIKELY_AT),
        high,
        max(exceeds, 0.0),
        ledger.given_up,
        ledger.wasted,
        ledger.minutes,
        looking=_at(_spread(ledger.looks), LIKELY_AT) if ledger.looks else 0.0,
        repaired=None if mended is None else _at(mended, LIKELY_AT),
        repaired_high=None if mended is None else _at(mended, HIGH_AT),
    )


def _spread(ends: list[tuple[Array, Array, bool]]) -> tuple[Array, Array]:
    """What some ends cost, rising, and the probability of costing no more."""
    chance = np.concatenate([end[0] for end in ends])
    spent = np.concatenate([end[1] for end in ends])
    costs = (spent[:, :1] + spent[:, 1:]).ravel()
    share = (chance[:, None] * [0.25, 0.5, 0.25]).ravel()
    rising = np.argsort(costs, kind="stable")
    below = np.cumsum(share[rising])
    return costs[rising], below / below[-1]


def _at(spread: tuple[Array, Array], quantile: float) -> float:
    costs, below = spread
    return float(costs[np.searchsorted(below, quantile - 1e-12)])
