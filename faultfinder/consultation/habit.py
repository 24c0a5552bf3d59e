"""The price of a habit: a repair made now instead of what is advised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from faultfinder.consultation.case import find_repair
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order
from faultfinder.decide.situation import (
    Action,
    Policy,
    Situation,
    after_check,
    after_repair,
    repair_step,
    start,
)
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel

FOLD = 0.05
"""Branches less likely than this are taken to go on by plain repairs, where minutes are added."""


@dataclass(frozen=True)
class Instead:
    """A repair made now, against the advice, over the whole job.

    `cost` and `cost_advised` are the expected money with it and with the advice, `minutes` and
    `minutes_advised` the expected bench time. `right` is the probability that the machine is
    sound after it. `teaches` holds, for each cause, its probability before and after the repair
    has not cured; empty where it always cures.
    """

    repair: str
    cost: float
    cost_advised: float
    minutes: float
    minutes_advised: float
    right: float
    teaches: Mapping[str, tuple[float, float]]


def instead(told: Consultation, typed: str) -> Instead:
    """The price of making a repair now and going on as advised after it.

    Raises MisuseError for an unknown repair, FaultfinderError for one that was tried, one that
    cannot be reached, and after a stop.
    """
    name = find_repair(told.case.model, typed).name
    if told.stop:
        raise FaultfinderError(f"STOP. {told.stop.removeprefix('Stop.').strip()}")
    problem = told.problem
    names = [repair.name for repair in problem.repairs]
    if name not in names:
        raise FaultfinderError(f"{name} was made already and did not cure.")
    repair, begin = names.index(name), start(problem)
    if not np.isfinite(problem.act_cost[begin.stage, repair]):
        raise FaultfinderError(f"No way leads to {name} from where the machine stands.")
    passes, slipped, fails, after = after_repair(problem, begin, repair)
    cost = repair_step(problem, begin, repair)[0]
    teaches: dict[str, tuple[float, float]] = {}
    if after is not None:
        cost += fails * _cost(problem, told.policy.decide(after), after)
        uncured = consult(told.case.after_repair(name)).causes
        teaches = {cause: (told.causes[cause], then) for cause, then in uncured.items()}
    clock = _Clock(problem, told.case.model, OneStep(problem, told.case.terms.worth_per_bit))
    return Instead(
        name,
        cost,
        _cost(problem, told.action, begin),
        clock.minutes(Action("repair", repair, cost), begin, 1.0),
        clock.minutes(told.action, begin, 1.0),
        passes - slipped,
        teaches,
    )


def _cost(problem: Problem, action: Action, situation: Situation) -> float:
    """The expected cost of an action, by plain repairs where the policy says none."""
    if np.isnan(action.expected_cost):
        return best_order(problem, situation.weights, situation.stage, situation.repaired).cost
    return action.expected_cost


@dataclass(frozen=True)
class _Clock:
    """Adds up expected bench minutes along a policy: ways, checks, repairs and looks after them."""

    problem: Problem
    compiled: CompiledModel
    policy: Policy

    def minutes(self, action: Action, at: Situation, p: float) -> float:
        """From an action on, which is come to with probability `p`; not weighed by it."""
        problem, model = self.problem, self.compiled.model
        if action.kind == "check":
            check = model.checks_by_name[problem.checks[action.number].name]
            spent = self._way(at.stage, problem.checks[action.number].stage) + check.minutes
            return spent + sum(
                q * self._on(after, p * q)
                for _, q, after in after_check(problem, at, action.number)
            )
        if action.kind == "repair":
            passes, _, fails, after = after_repair(problem, at, action.number)
            spent, end = self._repair(at.stage, action.number)
            spent += passes * self._way(end, model.start)
            return spent if after is None else spent + fails * self._on(after, p * fails)
        return self._way(at.stage, model.start)

    def _on(self, at: Situation, p: float) -> float:
        if p >= FOLD:
            return self.minutes(self.policy.decide(at), at, p)
        order = best_order(self.problem, at.weights, at.stage, at.repaired)
        shown, stage, total = 1.0, at.stage, 0.0
        for step in order.steps:
            spent, stage = self._repair(stage, step.repair)
            home = self._way(stage, self.compiled.model.start)
            total += shown * spent + step.passes * home
            shown = max(shown - step.passes, 0.0)
        return total + shown * self._way(stage, self.compiled.model.start)

    def _repair(self, stage: int, number: int) -> tuple[float, int]:
        """The minutes of a repair and the look after it, and the stage it ends in."""
        model = self.compiled.model
        action = self.problem.repairs[number]
        repair = model.repairs_by_name[action.name]
        look = model.retest.minutes if model.retest else 0.0
        spent = self._way(stage, repair.stage) + repair.minutes + look
        return spent + self._way(action.stage, action.test_stage), action.test_stage

    def _way(self, begin: int | str, end: int | str) -> float:
        names = self.problem.stages
        key = (
            names[begin] if isinstance(begin, int) else begin,
            names[end] if isinstance(end, int) else end,
        )
        route = self.compiled.routes.get(key)
        return 0.0 if route is None else route.minutes
