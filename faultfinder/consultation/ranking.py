"""Open checks: what each tells and costs, and in which order they come."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.causes import result_labels
from faultfinder.consultation.rounds import Round
from faultfinder.decide.policies.one_step import Gains
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Action
from faultfinder.decide.together import Telling
from faultfinder.errors import TargetTooLarge
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.information import information
from faultfinder.inference.posterior import Evidence
from faultfinder.inference.propagation import Calibrated
from faultfinder.inference.target import Target
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.model.routes import Route


@dataclass(frozen=True)
class RankedCheck:
    """One open check.

    `minutes` is the way to its stage, setting up, and its own time; `cost` is money: those
    minutes at the shop's rate, and consumables. `gain_per_cost` is bits per unit
    of money (infinite for a check that costs nothing and tells something).
    `outcomes` maps each joint result's label to its probability. Where the model has
    repairs, `saves` is what the check takes off the expected cost of the whole job, with
    the check `then` after it, and `saves_alone` without (None: not weighed).
    """

    check: str
    gain_bits: float
    minutes: float
    cost: float
    gain_per_cost: float
    outcomes: Mapping[str, float]
    worth: bool
    saves: float | None = None
    saves_alone: float | None = None
    then: str = ""
    route: Route = field(repr=False, default=Route(0.0, ()))


def questions(model: FaultModel) -> frozenset[str]:
    """The checks that only ask for histories: questions for the counter."""
    histories = {variable.name for variable in model.of_kind(Kind.HISTORY)}
    return frozenset(c.name for c in model.checks if histories.issuperset(c.observes))


def ranked_exactly(
    aim: Target,
    evidence: Evidence,
    given: Calibrated,
    names: Sequence[str],
    unclear: Sequence[str],
    compiled: CompiledModel,
    stage: str,
    shop: Shop,
    refused: dict[str, TargetTooLarge] | None,
    up: frozenset[str] = frozenset(),
) -> tuple[RankedCheck, ...]:
    """Those of the checks `names` that are open, by exact information, in no order; those whose
    gain is too large to compute are put into `refused` instead, or raise without it. The kits `up`
    are set up."""
    reachable = [
        name
        for name in names
        if (stage, compiled.model.checks_by_name[name].place(stage)) in compiled.routes
    ]
    aside = [compiled.network.index[name] for name in unclear]
    told = information(aim, evidence, given, reachable, aside, refused)
    checks = []
    for name in reachable:
        if name in told:
            labels = result_labels(compiled, told[name].findings)
            outcomes = dict(zip(labels, told[name].outcomes.tolist(), strict=True))
            gain = told[name].gain_bits
            checks.append(rank_check(compiled, name, gain, outcomes, stage, shop, up))
    return tuple(checks)


def ranked_over(
    problem: Problem, compiled: CompiledModel, shop: Shop, up: frozenset[str] = frozenset()
) -> tuple[RankedCheck, ...]:
    """The open checks by information over the scenarios of the problem, in no order."""
    stage = problem.stages[problem.stage]
    bits = Gains(problem).bits(problem.weights).tolist()
    checks = []
    for action, gain in zip(problem.checks, bits, strict=True):
        if np.isfinite(problem.travel[problem.stage, action.stage]):
            chances = (action.likelihood @ problem.weights).tolist()
            outcomes = dict(zip(action.results, chances, strict=True))
            checks.append(rank_check(compiled, action.name, gain, outcomes, stage, shop, up))
    return tuple(checks)


def rank_check(
    compiled: CompiledModel,
    name: str,
    gain_bits: float,
    outcomes: Mapping[str, float],
    stage: str,
    shop: Shop,
    up: frozenset[str],
) -> RankedCheck:
    """A check with what it costs from `stage`, and its gain for that cost."""
    check = compiled.model.checks_by_name[name]
    route = compiled.routes[stage, check.place(stage)]
    kits = [compiled.model.kits_by_name[kit] for kit in check.kits if kit not in up]
    minutes = route.minutes + check.minutes + sum(kit.minutes for kit in kits)
    cost = shop.cost(minutes, check.consumables + sum(kit.consumables for kit in kits))
    # A check that costs nothing goes before all others if it tells anything at all.
    free = float("inf") if gain_bits > 0.0 else 0.0
    return RankedCheck(
        check=name,
        gain_bits=gain_bits,
        minutes=minutes,
        cost=cost,
        gain_per_cost=gain_bits / cost if cost > 0.0 else free,
        outcomes=outcomes,
        worth=gain_bits > 1e-9 and gain_bits * shop.worth_per_bit >= cost,
        route=route,
    )


def by_information(checks: Iterable[RankedCheck]) -> tuple[RankedCheck, ...]:
    """By gain per cost, then by gain, then by name."""
    return tuple(sorted(checks, key=lambda c: (-c.gain_per_cost, -c.gain_bits, c.check)))


FIRST = 5
"""Checks of the order that are ranked given those before them."""


def in_turn(problem: Problem, action: Action, round_: Round) -> tuple[str, ...]:
    """The checks of the problem as they rank: the advised one and its round, then what tells
    most about the right repair for its cost, the first few given those before them."""
    telling = Telling(problem)
    numbers = {check.name: number for number, check in enumerate(problem.checks)}
    members = [numbers[name] for name in round_.members if name in numbers]
    if not members and action.kind == "check":
        members = [action.number]
    first = telling.in_turn(problem.weights, problem.stage, members, max(FIRST, len(members)))
    score = telling.score(telling.bits(problem.weights), problem.stage)
    waiting = set(problem.closed(frozenset(first)))
    rest = sorted(
        set(range(len(problem.checks))) - set(first), key=lambda c: (c in waiting, -score[c], c)
    )
    return tuple(problem.checks[number].name for number in [*first, *rest])


def by_savings(
    model: FaultModel, checks: Iterable[RankedCheck], advice: Advice, turn: Sequence[str]
) -> tuple[RankedCheck, ...]:
    """The checks in the order of `turn`, with what they save on the expected cost of the job.

    A check is worth its cost while it saves anything and checking is the advice. Checks the
    advice does not weigh (questions for the counter) keep their verdict by information, and
    follow; others not looked at count as not worth it.
    """
    asked = questions(model)
    weighed = {item.check: item for item in advice.checks}
    place = {name: number for number, name in enumerate(turn)}
    ranked: list[RankedCheck] = []
    for check in checks:
        item = weighed.get(check.check)
        if item is not None:
            check = replace(
                check,
                saves=item.saves,
                saves_alone=item.saves_alone,
                then=item.then,
                # However little it saves, the advised check is the one to make.
                worth=advice.kind == "check"
                and (check.check == advice.name or item.saves > 1e-4 * advice.cost),
            )
        elif check.check not in asked:
            check = replace(check, worth=advice.kind == "check" and check.check == advice.name)
        ranked.append(check)
    ranked.sort(key=lambda c: (place.get(c.check, len(place)), -c.gain_per_cost, c.check))
    return tuple(ranked)
