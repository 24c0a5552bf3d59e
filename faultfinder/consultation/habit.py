"""The price of a habit: a repair made now instead of what is advised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from faultfinder.consultation.case import find_repair
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.consultation.quote import spread
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.situation import Action, after_repair, repair_cost, repair_step, start
from faultfinder.errors import FaultfinderError


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
    cannot be reached, after a stop, and where the job ends with a name.
    """
    name = find_repair(told.case.model, typed).name
    if told.stop:
        raise FaultfinderError(f"STOP. {told.stop_said}")
    advice, quote = told.advice, told.quote
    if advice is None or quote is None:
        raise FaultfinderError("A job that ends with a name has no repair to price.")
    problem, terms = told.problem, told.case.terms
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
        then = told.policy.decide(after).expected_cost
        # A policy that only looks at bits says no cost; repairing at once bounds it.
        cost += fails * (repair_cost(problem, after) if np.isnan(then) else then)
        uncured = consult(told.case.after_repair(name)).causes
        teaches = {cause: (told.causes[cause], chance) for cause, chance in uncured.items()}
    on = OneStep(problem, terms.worth_per_bit)
    made = spread(problem, told.case.model, Action("repair", repair, cost), on, terms.dear_part)
    return Instead(name, cost, advice.cost, made.minutes, quote.minutes, passes - slipped, teaches)
