"""From a compiled model and what is known to the repair problem of the bench."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from faultfinder.consultation.case import Case
from faultfinder.consultation.causes import result_labels
from faultfinder.consultation.safety import can_be_made
from faultfinder.decide.belief import Tried, belief_now, mending
from faultfinder.decide.naming import Names, Naming, names_for
from faultfinder.decide.problem import CheckAction, Problem, RepairAction
from faultfinder.decide.scenarios import SCENARIO_LIMIT, scenario_values
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import find_stage
from faultfinder.model.network import Array, Ints
from faultfinder.model.parts import Kind, Repair, Risk
from faultfinder.model.routes import look_route

LEFT_OUT = 5e-3
"""Probability of rare joint states of the causes left out of the advice, for a quick answer."""

NEARLY_ALL = 0.08
"""Where no more than this is left out, so many faults at once are enough to advise by."""

MENDED = 0.5
"""A repair that was made as a check counts as done where it has mended at least this likely."""

AT_ONCE_QUICK = 5_000
"""Joint states of the causes that are listed without asking whether fewer would do."""

AT_ONCE_BEARABLE = 20_000
"""The same after a repair, where the causes shown come from this list."""


def smallest_problem(case: Case, exact: float | None = None) -> Problem:
    """The repair problem of a case, over as few joint states of the causes as suffice.

    Two faults at once where that is nearly all, else three; where two at once are many joint
    states, one fault if that is nearly all. After a repair three, or two where three are too
    many to list. `exact` is how likely the findings are, where that is known.
    """
    cards = [case.model.network.cards[cause] for cause in case.model.causes]
    if case.tried:
        sizes = [3] if joint_states(cards, 3) <= AT_ONCE_BEARABLE else [2]
    else:
        sizes = [2, 3] if joint_states(cards, 2) <= AT_ONCE_QUICK else [1, 2, 3]
    sizes = [size for size in sizes if joint_states(cards, size) <= SCENARIO_LIMIT] or [1]
    stage = case.stage
    if case.tried and stage is None:
        # It stands where the last repair was looked at.
        stage = look_stage(case.model, case.model.model.repairs_by_name[case.tried[-1].repair])
    for size in sizes:
        try:
            problem = build_problem(
                case.model,
                case.findings,
                tried=case.tried,
                unclear=[name for name, result in case.results.items() if result is None],
                stage=stage,
                shop=case.terms,
                hints=case.hints,
                at_once=size,
                lost=LEFT_OUT,
                naming=case.naming,
                # After a repair more may be known of what happened before.
                exact=None if case.tried else exact,
            )
        except ImpossibleEvidence:
            if size == sizes[-1]:
                raise
            continue
        if problem.neglected <= NEARLY_ALL:
            break
    return problem


def joint_states(cards: Sequence[int], at_once: int) -> int:
    """How many joint states have at most `at_once` causes present; `cards` are their states."""
    counts = [1] + [0] * at_once
    for card in cards:
        for size in range(at_once, 0, -1):
            counts[size] += counts[size - 1] * (card - 1)
    return sum(counts)


def build_problem(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    *,
    tried: Sequence[Tried] = (),
    unclear: Sequence[str] = (),
    stage: str | None = None,
    shop: Shop | None = None,
    hints: Mapping[int, Array] | None = None,
    at_once: int = 3,
    lost: float = 1e-5,
    naming: Naming | None = None,
    exact: float | None = None,
) -> Problem:
    """The repair problem from here: beliefs, open checks, repairs not tried yet; with `naming`
    the job ends with a name and no repair is weighed.

    Scenarios with at most `at_once` causes are listed; the least likely of them with
    at most `lost` together are left out again.

    Checks of histories are left out: they are asked at the counter, before a plan is
    made. So are looks that can stop the job for safety: they are made whenever their
    stage is reached, and not weighed. After a repair every check is open again; a noisy
    check made once more counts as independent of the first time.
    """
    shop = shop or Shop()
    model = compiled.model
    belief = belief_now(compiled, findings, tried, at_once, hints, exact)
    weights = belief.weights
    scenarios, _ = scenario_values(compiled, at_once)
    # Negligible scenarios cost time and cannot change a decision.
    keep = _worth_keeping(scenarios, weights, lost)
    stages = tuple(item.name for item in model.stages)
    at = {name: place for place, name in enumerate(stages)}
    travel = _travel(compiled, shop, at)
    known = {**dict.fromkeys(unclear), **findings}
    # After a repair everything can be looked at again.
    latest = tried[-1].results_since if tried else known
    makeable = can_be_made(model, latest)
    if tried:
        # What people were asked is not asked again.
        makeable -= {check.name for check in model.checks if check.asked}
    done = {step.repair for step in tried}
    repairs = [r for r in model.repairs if naming is None and r.name not in done]
    causes = tuple(compiled.network.names[c] for c in compiled.causes)
    up = model.set_up({*known, *(name for step in tried for name in step.results_since)})
    kits = tuple(
        0.0 if kit.name in up else shop.cost(kit.minutes, kit.consumables) for kit in model.kits
    )
    here = find_stage(model, stage)
    checks = tuple(
        _check_actions(compiled, belief.likelihoods, latest, makeable, at, shop, keep, here)
    )
    problem = Problem(
        causes=causes,
        scenarios=scenarios[keep],
        weights=weights[keep] / weights[keep].sum(),
        checks=checks,
        repairs=tuple(_repair_action(compiled, repair, at, shop) for repair in repairs),
        stages=stages,
        stage=at[here],
        travel=travel,
        finish=travel[:, at[model.start]],
        retest=shop.cost(model.retest.minutes, 0.0) if model.retest else 0.0,
        missed=model.retest.missed if model.retest else 0.0,
        comeback=shop.comeback,
        give_up=shop.lost_unrepaired,
        handling=shop.cost(shop.handling_minutes, 0.0),
        neglected=belief.neglected + float(1.0 - weights[keep].sum()),
        evidence_probability=belief.evidence_probability,
        since=belief.since,
        kits=kits,
    )
    if naming is not None:
        problem = replace(problem, names=_names(problem, compiled, naming))
    return _with_made(problem, compiled, findings, at[here])


def _travel(compiled: CompiledModel, shop: Shop, at: Mapping[str, int]) -> Array:
    """Money from each stage to each other: shape (stages, stages), infinite without a way."""
    travel = np.full((len(at), len(at)), np.inf)
    for (begin, end), route in compiled.routes.items():
        travel[at[begin], at[end]] = shop.cost(route.minutes, 0.0)
    return travel


def _names(problem: Problem, compiled: CompiledModel, naming: Naming) -> Names:
    """The names that the job can end with."""
    checks, travel = problem.checks, problem.travel
    # Without a sure name a job is taken to be dearer than all that can be done.
    every = travel[np.isfinite(travel)].max() + max((one.cost for one in checks), default=0.0)
    dearest = 1.0 + 100.0 * len(checks) * every + sum(problem.kits)
    held = zip(compiled.causes, problem.scenarios.T, strict=True)
    faulty = np.stack([compiled.faulty[cause][states] for cause, states in held], axis=1)
    return names_for(naming, problem.causes, faulty, dearest)


def _worth_keeping(scenarios: Ints, weights: Array, lost: float) -> Ints:
    """Rows to keep: all but a share of `lost`, and all that repairs can lead to from them."""
    order = np.argsort(-weights)
    enough = int(np.searchsorted(np.cumsum(weights[order]), 1.0 - lost)) + 1
    count = (scenarios != 0).sum(axis=1)
    # With every scenario of fewer causes kept, no repair leads out of the list.
    keep = count < min(3, int(count.max(initial=0)))
    keep[order[:enough]] = True
    for fewer in range(3, int(count.max(initial=0))):
        # More than three at once are rare: keep what they can turn into as well.
        keep |= (count == fewer) & bool((keep & (count > fewer)).any())
    return np.flatnonzero(keep)


def _check_actions(
    compiled: CompiledModel,
    likelihoods: Mapping[int, Array],
    closed: Collection[str],
    makeable: Collection[str],
    at: Mapping[str, int],
    shop: Shop,
    keep: Ints,
    here: str,
) -> list[CheckAction]:
    model, network = compiled.model, compiled.network
    stopping = {rule.finding for rule in model.stop_rules}
    kit_numbers = {kit.name: number for number, kit in enumerate(model.kits)}
    actions = []
    for check in model.checks:
        if check.name not in makeable:
            continue
        names = [name for name in check.observes if name not in closed]
        if not names or any(model.by_name[name].kind is not Kind.FINDING for name in names):
            continue
        if stopping.intersection(check.observes):
            continue
        numbers = tuple(network.index[name] for name in names)
        rows = likelihoods[numbers[0]][:, keep]
        for number in numbers[1:]:
            rows = (rows[:, None] * likelihoods[number][:, keep][None]).reshape(-1, len(keep))
        actions.append(
            CheckAction(
                check.name,
                result_labels(compiled, numbers),
                shop.cost(check.minutes, check.consumables) + harm(check.risk),
                at[check.place(here)],
                rows,
                tuple(names),
                shop_share=harm(check.risk),
                kits=frozenset(kit_numbers[kit] for kit in check.kits),
            )
        )
    numbers_of = {action.name: number for number, action in enumerate(actions)}
    for number, action in enumerate(actions):
        behind = model.checks_by_name[action.name].behind
        if any(name in numbers_of for name in behind):
            before = frozenset(numbers_of[name] for name in behind if name in numbers_of)
            actions[number] = replace(action, behind=before)
    return actions


def harm(risk: Risk | None) -> float:
    """What can go wrong, in expected money."""
    return risk.chance * risk.cost if risk else 0.0


def _repair_action(
    compiled: CompiledModel, repair: Repair, at: Mapping[str, int], shop: Shop
) -> RepairAction:
    waiting = repair.lead_days * shop.waiting_per_day
    besides = waiting + harm(repair.risk)
    return RepairAction(
        repair.name,
        shop.cost(repair.minutes, repair.part.likely) + besides,
        at[repair.stage],
        at[look_stage(compiled, repair)],
        mending(compiled, repair.name),
        besides,
        frozenset(repair.behind),
    )


def _with_made(
    problem: Problem, compiled: CompiledModel, findings: Mapping[str, str], here: int
) -> Problem:
    """The problem where repairs that a check made, and that have mended more likely than not, cost
    no more than the look after them."""
    checks, repairs = compiled.model.checks_by_name, compiled.model.repairs_by_name
    made: dict[int, RepairAction] = {}
    for number, action in enumerate(problem.repairs):
        made_by = repairs[action.name].made_by
        known = (c for c in made_by if any(f in findings for f in checks[c].observes))
        check = next(known, "")
        if check and float(problem.cures[number] @ problem.weights) >= MENDED:
            looked = problem.stages.index(_looked_at(compiled, problem.stages[here]))
            made[number] = RepairAction(action.name, 0.0, here, looked, action.mends, made_by=check)
    if not made:
        return problem
    actions = (made.get(number, action) for number, action in enumerate(problem.repairs))
    return replace(problem, repairs=tuple(actions))


def look_stage(compiled: CompiledModel, repair: Repair) -> str:
    """The nearest powered stage that is not live, where a repair is looked at."""
    return _looked_at(compiled, repair.stage)


def _looked_at(compiled: CompiledModel, stage: str) -> str:
    way = look_route(compiled.model, compiled.routes, stage)
    return way.moves[-1].end if way.moves else stage
