"""What to quote: the spread of what the job may cost the customer."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order
from faultfinder.decide.situation import (
    Action,
    Policy,
    Situation,
    after_check,
    after_repair,
    check_cost,
    start,
)
from faultfinder.model.parts import FaultModel, Price

LOW_AT, LIKELY_AT, HIGH_AT = 0.1, 0.5, 0.9
"""The quote's low, likely and high figures are these quantiles of the job's cost."""


@dataclass(frozen=True)
class Quote:
    """What the job may cost, in money: 10th, 50th and 90th percentile.

    `exceeds` is the probability that it costs more than `high`; `given_up` that the
    machine is handed over unrepaired. `dear_for_nothing` is the expected number, per job,
    of parts of at least the shop's `dear_part` price that are fitted to a machine with none
    of the causes they mend.
    """

    low: float
    likely: float
    high: float
    exceeds: float
    given_up: float
    dear_for_nothing: float


@dataclass(frozen=True)
class _End:
    """One way the job can end: its probability, what the work cost, the parts' prices."""

    probability: float
    work: float
    prices: tuple[Price, ...]


@dataclass
class _Ledger:
    """Follows a policy to every end, and writes down what each costs the customer."""

    problem: Problem
    model: FaultModel
    policy: Policy
    dear_part: float
    fold: float = 0.1
    ends: list[_End] = field(default_factory=list)
    given_up: float = 0.0
    wasted: float = 0.0

    def take(
        self, action: Action, situation: Situation, p: float, work: float, prices: tuple[Price, ...]
    ) -> None:
        """Write down all that an action taken with probability `p` leads to."""
        problem = self.problem
        if action.kind == "check":
            work += check_cost(problem, situation, action.number)
            work -= problem.checks[action.number].shop_share
            for _, q, after in after_check(problem, situation, action.number):
                self.follow(after, p * q, work, prices)
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
            # Handed over unrepaired, the customer pays the work so far, not the shop's loss.
            self.given_up += p
            self.ends.append(_End(p, work + float(problem.finish[situation.stage]), prices))

    def follow(
        self, situation: Situation, p: float, work: float, prices: tuple[Price, ...]
    ) -> None:
        """Go on with the policy, or with plain repairs where it is unlikely to come to this."""
        if p >= self.fold:
            self.take(self.policy.decide(situation), situation, p, work, prices)
        else:
            self._repair_in_order(situation, p, work, prices)

    def _repair_in_order(
        self, situation: Situation, p: float, work: float, prices: tuple[Price, ...]
    ) -> None:
        problem = self.problem
        order = best_order(problem, situation.weights, situation.stage, situation.repaired)
        belief = problem.in_classes(situation.weights)
        stage, shown = situation.stage, 1.0
        tried: frozenset[int] = frozenset()
        for step in order.steps:
            repair = problem.repairs[step.repair]
            part = self.model.repairs_by_name[repair.name].part
            if part.likely >= self.dear_part:
                unfixed = 1.0 - problem.fixed_after(tried)[0]
                unneeded = float(belief @ (unfixed * problem.needless(step.repair)))
                self.wasted += p * shown * unneeded
            prices = (*prices, part)
            work += step.cost - part.likely - repair.shop_share
            stage = repair.test_stage
            self.ends.append(_End(p * step.passes, work + float(problem.finish[stage]), prices))
            tried = tried | {step.repair}
            shown *= 1.0 - problem.missed
        self.given_up += p * order.given_up
        self.ends.append(_End(p * order.given_up, work + float(problem.finish[stage]), prices))


def spread(
    problem: Problem, model: FaultModel, action: Action, policy: Policy, dear_part: float
) -> Quote:
    """What to quote: the spread of the job's cost if `action` is taken and then `policy` followed.

    Part prices vary within their ranges (a quarter low, half likely, a quarter high).
    Comebacks, waiting and expected harm are the shop's cost and are not quoted.
    """
    ledger = _Ledger(problem, model, policy, dear_part)
    ledger.take(action, start(problem), 1.0, 0.0, ())
    costs, share = [], []
    for end in ledger.ends:
        prices = end.prices
        for part, total in (
            (0.25, sum(price.low for price in prices)),
            (0.5, sum(price.likely for price in prices)),
            (0.25, sum(price.high for price in prices)),
        ):
            costs.append(end.work + total)
            share.append(end.probability * part)
    order_by = np.argsort(costs, kind="stable")
    spread = np.array(costs)[order_by]
    below = np.cumsum(np.array(share)[order_by])
    below /= below[-1]

    def at(quantile: float) -> float:
        return float(spread[min(int(np.searchsorted(below, quantile - 1e-12)), len(spread) - 1)])

    high = at(HIGH_AT)
    exceeds = 1.0 - float(below[np.searchsorted(spread, high, side="right") - 1])
    return Quote(at(LOW_AT), at(LIKELY_AT), high, max(exceeds, 0.0), ledger.given_up, ledger.wasted)
