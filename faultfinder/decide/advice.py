"""Check on, repair, or hand over; and what to quote."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.decide.planners import (
    Action,
    LookAhead,
    Situation,
    after_check,
    after_repair,
    check_cost,
    repair_now,
    start,
)
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import RepairOrder, best_order
from faultfinder.model.parts import FaultModel, Price

LIKELY_FROM, HIGH_AT = 0.5, 0.9
LOW_AT = 0.1
"""The quote's low, likely and high figures are these quantiles of the job's cost."""


@dataclass(frozen=True)
class Quote:
    """What the job may cost, in money: 10th, 50th and 90th percentile.

    `exceeds` is the probability that it costs more than `high`; `given_up` that the
    machine is handed over unrepaired; `dear_for_nothing` that a part of at least the
    shop's `dear_part` price is fitted to a machine that had none of the causes it mends.
    """

    low: float
    likely: float
    high: float
    exceeds: float
    given_up: float
    dear_for_nothing: float


@dataclass(frozen=True)
class Advice:
    """What to do now and why.

    `kind` is "check", "repair" or "hand over", `name` the check or repair. `cost` is the
    expected cost of the whole job from here following the advice, `cost_repairing` that
    of repairing at once, `saves` the difference. `checks` are the open checks by
    expected cost, each with its best follow-up.
    """

    kind: str
    name: str
    cost: float
    cost_repairing: float
    saves: float
    order: tuple[str, ...]
    checks: tuple[CheckAdvice, ...]
    quote: Quote
    neglected: float


@dataclass(frozen=True)
class CheckAdvice:
    """A check by what it saves (money): `saves_alone` by its own results, `saves` with the
    check `then` after it where that is better (both against repairing at once)."""

    check: str
    cost: float
    expected_cost: float
    saves: float
    saves_alone: float
    then: str


def advise(problem: Problem, model: FaultModel, dear_part: float) -> Advice:
    """Weigh checking on against repairing at once and handing over."""
    planner = LookAhead(problem)
    situation = start(problem)
    stop = repair_now(problem, situation)
    action, weighed = planner.weigh(situation)
    order = best_order(problem, situation.weights, situation.stage)
    kind, name = action.kind, ""
    if kind == "check":
        name = problem.checks[action.number].name
    elif kind == "repair":
        name = problem.repairs[action.number].name
        # A specialist's repair is handing over, with a cure in sight.
        kind = "hand over" if model.repairs_by_name[name].hand_over else kind
    return Advice(
        kind=kind,
        name=name,
        cost=action.expected_cost,
        cost_repairing=stop.expected_cost,
        saves=stop.expected_cost - action.expected_cost,
        order=tuple(problem.repairs[step.repair].name for step in order.steps),
        checks=tuple(
            CheckAdvice(
                problem.checks[item.number].name,
                check_cost(problem, situation, item.number),
                item.expected_cost,
                item.saves,
                item.saves_alone,
                problem.checks[item.follow_up].name if item.follow_up >= 0 else "",
            )
            for item in weighed
        ),
        quote=quote(problem, model, action, dear_part),
        neglected=problem.neglected,
    )


def quote(problem: Problem, model: FaultModel, action: Action, dear_part: float) -> Quote:
    """What to quote: the spread of the job's cost under the advice, then repairing.

    The next check or repair is made as advised and the best repair order followed
    from there, so that the quote is on the safe side of further checking. Part
    prices vary within their ranges (three-point: a quarter low, half likely, a
    quarter high). A comeback is the shop's cost and is not quoted.
    """
    situation = start(problem)
    ends: list[tuple[float, float]] = []
    given_up = 0.0
    wasted = 0.0
    for probability, spent, prices, nxt in _first(problem, model, situation, action):
        if nxt is None:
            ends += _spread(probability, spent, prices)
            continue
        order = best_order(problem, nxt.weights, nxt.stage, nxt.repaired)
        ends += _ends(problem, model, order, nxt.stage, probability, spent, prices)
        given_up += probability * order.given_up
        wasted += probability * _wasted(problem, model, nxt, order, dear_part)
    if action.kind == "repair":
        name = problem.repairs[action.number].name
        if model.repairs_by_name[name].part.likely >= dear_part:
            wasted += _needless(problem, situation.weights, action.number)
    costs = np.array([cost for _, cost in ends])
    share = np.array([p for p, _ in ends])
    order_by = np.argsort(costs, kind="stable")
    costs, total = costs[order_by], np.cumsum(share[order_by])
    total = total / total[-1]

    def at(quantile: float) -> float:
        return float(costs[min(int(np.searchsorted(total, quantile - 1e-12)), len(costs) - 1)])

    high = at(HIGH_AT)
    exceeds = 1.0 - float(total[np.searchsorted(costs, high, side="right") - 1])
    return Quote(at(LOW_AT), at(LIKELY_FROM), high, max(exceeds, 0.0), given_up, min(wasted, 1.0))


_Step = tuple[float, float, tuple[Price, ...], Situation | None]


def _first(
    problem: Problem, model: FaultModel, situation: Situation, action: Action
) -> Sequence[_Step]:
    if action.kind == "check":
        cost = check_cost(problem, situation, action.number)
        ways = after_check(problem, situation, action.number)
        return [(p, cost, (), nxt) for _, p, nxt in ways]
    if action.kind == "repair":
        repair = problem.repairs[action.number]
        part = model.repairs_by_name[repair.name].part
        cost = float(problem.act_cost[situation.stage, action.number]) - part.likely
        passes, _, fails, nxt = after_repair(problem, situation, action.number)
        closed = cost + float(problem.finish[repair.test_stage])
        return [(passes, closed, (part,), None), (fails, cost, (part,), nxt)]
    return [(1.0, 0.0, (), situation)]


def _ends(
    problem: Problem,
    model: FaultModel,
    order: RepairOrder,
    stage: int,
    probability: float,
    spent: float,
    prices: tuple[Price, ...],
) -> list[tuple[float, float]]:
    ends: list[tuple[float, float]] = []
    for step in order.steps:
        repair = problem.repairs[step.repair]
        part = model.repairs_by_name[repair.name].part
        prices = (*prices, part)
        spent += step.cost - part.likely
        stage = repair.test_stage
        ends += _spread(probability * step.passes, spent + float(problem.finish[stage]), prices)
    if order.given_up > 0.0:
        # Handed over unrepaired, the customer pays the work so far, not the shop's loss.
        over = spent + float(problem.finish[stage])
        ends += _spread(probability * order.given_up, over, prices)
    return ends


def _spread(
    probability: float, work: float, prices: tuple[Price, ...]
) -> list[tuple[float, float]]:
    low = sum(price.low for price in prices)
    likely = sum(price.likely for price in prices)
    high = sum(price.high for price in prices)
    return [
        (probability * 0.25, work + low),
        (probability * 0.5, work + likely),
        (probability * 0.25, work + high),
    ]


def _needless(problem: Problem, weights: np.ndarray, repair: int) -> float:
    """P(none of the causes a repair mends is present)."""
    return float(problem.in_classes(weights) @ problem.needless(repair))


def _wasted(
    problem: Problem, model: FaultModel, situation: Situation, order: RepairOrder, dear: float
) -> float:
    """P(some dear part of the order is fitted although none of its causes is present)."""
    tried: frozenset[int] = frozenset()
    shown = 1.0
    wasted = 0.0
    for step in order.steps:
        name = problem.repairs[step.repair].name
        if model.repairs_by_name[name].part.likely >= dear:
            unfixed = 1.0 - problem.fixed_after(tried)[0]
            needless = unfixed * problem.needless(step.repair)
            wasted += shown * float(problem.in_classes(situation.weights) @ needless)
        tried = tried | {step.repair}
        shown *= 1.0 - problem.missed
    return wasted
