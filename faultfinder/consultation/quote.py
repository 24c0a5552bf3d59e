"""What to quote: the spread of what the job may cost the customer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import (
    Action,
    Policy,
    Situation,
    after_check,
    after_repair,
    check_cost,
    start,
)
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel, Price

GOLDEN = (5.0**0.5 - 1.0) / 2.0
DROPPED = 1e-4
"""Below this probability a story is ended by handing over."""

LOW_AT, LIKELY_AT, HIGH_AT = 0.1, 0.5, 0.9
"""The quote's low, likely and high figures are these quantiles of the job's cost."""


@dataclass(frozen=True)
class Quote:
    """What the job may cost, in money: 10th, 50th and 90th percentile.

    `exceeds` is the probability that it costs more than `high`; `given_up` that the
    machine is handed over unrepaired. `dear_for_nothing` is the expected number, per job,
    of parts of at least the shop's `dear_part` price that are fitted to a machine with none
    of the causes they mend.

    In two lines: `looking` is what it likely costs to look at it and no more, `repaired` and
    `repaired_high` the likely and the dear end where it is repaired (None where it never is).
    """

    low: float
    likely: float
    high: float
    exceeds: float
    given_up: float
    dear_for_nothing: float
    looking: float = 0.0
    repaired: float | None = None
    repaired_high: float | None = None


@dataclass(frozen=True)
class _End:
    """One way the job can end: its probability, what the work cost, the parts' prices."""

    probability: float
    work: float
    prices: tuple[Price, ...]
    repaired: bool = True


@dataclass
class _Ledger:
    """Follows a policy to every end, and writes down what each costs the customer."""

    problem: Problem
    model: FaultModel
    policy: Policy
    dear_part: float
    fold: float = 0.1
    drawn: int = 0
    ends: list[_End] = field(default_factory=list)
    given_up: float = 0.0
    wasted: float = 0.0
    looks: list[_End] = field(default_factory=list)

    def take(
        self, action: Action, situation: Situation, p: float, work: float, prices: tuple[Price, ...]
    ) -> None:
        """Write down all that an action taken with probability `p` leads to."""
        problem = self.problem
        if action.kind != "check" and not prices:
            self.looks.append(_End(p, work + float(problem.finish[situation.stage]), ()))
        if action.kind == "check":
            work += check_cost(problem, situation, action.number)
            work -= problem.checks[action.number].shop_share
            for q, after in self._results(action.number, situation, p):
                self.follow(after, q, work, prices)
        elif action.kind == "repair":
            repair = problem.repairs[action.number]
            part = self.model.repairs_by_name[repair.name].part
            if part.likely >= self.dear_part:
                unneeded = problem.needless(action.number)
                self.wasted += p * float(problem.in_classes(situation.weights) @ unneeded)
            work += float(problem.act_cost[situation.stage, action.number]) - part.likely
            work -= repair.shop_share
            passes, _, fails, nxt = after_repair(problem, situation, action.number)
            closing = float(problem.finish[repair.test_stage])
            self.ends.append(_End(p * passes, work + closing, (*prices, part)))
            if nxt is not None:
                self.follow(nxt, p * fails, work, (*prices, part))
        else:
            self._give_up(situation, p, work, prices)

    def follow(
        self, situation: Situation, p: float, work: float, prices: tuple[Price, ...]
    ) -> None:
        """Go on with the policy: with every result while it is likely to come to this, else with
        one of them in proportion (so what is written down is right on average)."""
        if p < DROPPED:
            self._give_up(situation, p, work, prices)
        else:
            self.take(self.policy.decide(situation), situation, p, work, prices)

    def _results(
        self, check: int, situation: Situation, p: float
    ) -> Iterator[tuple[float, Situation]]:
        results = [(q, after) for _, q, after in after_check(self.problem, situation, check)]
        if p >= self.fold:
            yield from ((p * q, after) for q, after in results)
            return
        # The multiples of the golden ratio lie evenly in 0 to 1 (Weyl 1916, from memory).
        self.drawn += 1
        rising = np.cumsum([q for q, _ in results])
        place = int(np.searchsorted(rising, self.drawn * GOLDEN % 1.0 * rising[-1], "right"))
        yield p, results[min(place, len(results) - 1)][1]

    def _give_up(
        self, situation: Situation, p: float, work: float, prices: tuple[Price, ...]
    ) -> None:
        """Handed over unrepaired, the customer pays the work so far, not the shop's loss."""
        self.given_up += p
        closing = float(self.problem.finish[situation.stage])
        self.ends.append(_End(p, work + closing, prices, repaired=False))


def spread(
    problem: Problem, model: FaultModel, action: Action, policy: Policy, dear_part: float
) -> Quote:
    """What to quote: the spread of the job's cost if `action` is taken and then `policy` followed.

    Part prices vary within their ranges (a quarter low, half likely, a quarter high).
    Comebacks, waiting and expected harm are the shop's cost and are not quoted.
    """
    ledger = _Ledger(problem, model, policy, dear_part)
    ledger.take(action, start(problem), 1.0, 0.0, ())
    below = _spread(ledger.ends)
    high = _at(below, HIGH_AT)
    exceeds = float(below[1][-1] - below[1][np.searchsorted(below[0], high, side="right") - 1])
    repaired = [end for end in ledger.ends if end.repaired and end.probability > 0.0]
    mended = _spread(repaired) if repaired else None
    return Quote(
        _at(below, LOW_AT),
        _at(below, LIKELY_AT),
        high,
        max(exceeds, 0.0),
        ledger.given_up,
        ledger.wasted,
        looking=_at(_spread(ledger.looks), LIKELY_AT) if ledger.looks else 0.0,
        repaired=None if mended is None else _at(mended, LIKELY_AT),
        repaired_high=None if mended is None else _at(mended, HIGH_AT),
    )


def _spread(ends: Sequence[_End]) -> tuple[Array, Array]:
    """What some ends cost, rising, and the probability of costing no more."""
    costs, share = [], []
    for end in ends:
        for part, total in (
            (0.25, sum(price.low for price in end.prices)),
            (0.5, sum(price.likely for price in end.prices)),
            (0.25, sum(price.high for price in end.prices)),
        ):
            costs.append(end.work + total)
            share.append(end.probability * part)
    rising = np.argsort(costs, kind="stable")
    below = np.cumsum(np.array(share)[rising])
    return np.array(costs)[rising], below / below[-1]


def _at(spread: tuple[Array, Array], quantile: float) -> float:
    costs, below = spread
    return float(costs[min(int(np.searchsorted(below, quantile - 1e-12)), len(costs) - 1)])
