"""Check on, repair, or hand over: what a policy chooses, against repairing at once."""

from __future__ import annotations

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import RepairOrder, best_order
from faultfinder.decide.situation import Action, after_repair, check_cost, repair_cost, start
from faultfinder.frozen import frozen
from faultfinder.model.parts import FaultModel


@frozen
class Advice:
    """What to do now and why.

    `kind` is "check", "repair", "hand over" or "name", `name` the check or repair ("" for handing
    over as it is) or what is wrong. `cost` is the expected cost of the whole job from here
    following the advice, `cost_repairing` that of repairing (or naming) at once, `saves` the
    difference. `order` are the repairs
    in turn without a check in between, `checks` the checks looked at, by expected cost.
    `neglected` is the probability of joint states of the causes that were left out.
    """

    kind: str
    name: str
    cost: float
    cost_repairing: float
    saves: float
    order: tuple[str, ...]
    checks: tuple[CheckAdvice, ...]
    neglected: float


@frozen
class CheckAdvice:
    """A check by what it saves (money) against repairing at once: `saves_alone` when the
    repairs follow right after it, `saves` with the checks that go on from it, most often
    `then` next."""

    check: str
    cost: float
    expected_cost: float
    saves: float
    saves_alone: float
    then: str


def advice_from(problem: Problem, model: FaultModel, action: Action) -> Advice:
    """The action that a policy chose at the start of the problem, in the model's names."""
    situation = start(problem)
    if problem.names is None:
        order = best_order(problem, situation.weights, situation.stage)
    else:
        order = RepairOrder((), repair_cost(problem, situation))
    kind, name = action.kind, ""
    if kind == "check":
        name = problem.checks[action.number].name
    elif problem.names is not None:
        name = problem.names.names[action.number]
    elif kind == "repair":
        name = problem.repairs[action.number].name
        # A specialist's repair is handing over, with a cure in sight.
        kind = "hand over" if model.repairs_by_name[name].hand_over else kind
    # A policy that only looks at bits says no cost; repairing at once bounds it.
    cost = order.cost if np.isnan(action.expected_cost) else action.expected_cost
    return Advice(
        kind=kind,
        name=name,
        cost=cost,
        cost_repairing=order.cost,
        saves=order.cost - cost,
        order=tuple(
            problem.repairs[repair].name for repair in _repairs_from(problem, action, order)
        ),
        checks=tuple(
            CheckAdvice(
                problem.checks[item.number].name,
                check_cost(problem, situation, item.number),
                item.expected_cost,
                item.saves,
                item.saves_alone,
                problem.checks[item.follow_up].name if item.follow_up >= 0 else "",
            )
            for item in action.weighed
        ),
        neglected=problem.neglected,
    )


def _repairs_from(problem: Problem, action: Action, order: RepairOrder) -> list[int]:
    """The repairs if repaired now: `order`, or the advised one and the best order after it."""
    if action.kind != "repair":
        return [step.repair for step in order.steps]
    nxt = after_repair(problem, start(problem), action.number)[3]
    if nxt is None:
        return [action.number]
    rest = best_order(problem, nxt.weights, nxt.stage, nxt.repaired)
    return [action.number, *(step.repair for step in rest.steps)]
