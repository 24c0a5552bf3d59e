"""From a compiled model and what is known to a repair problem over explicit scenarios.

Scenarios are all joint states with up to a number of causes present at once; what
is left out is added up and reported, never ignored in silence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np

from faultfinder.decide.problem import CheckAction, Ints, Problem, RepairAction
from faultfinder.decide.shop import Shop
from faultfinder.errors import FaultfinderError, ImpossibleEvidence, MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import Evidence, beliefs, evidence_from, posterior
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind, Repair

SCENARIO_LIMIT = 200_000
"""More explicit scenarios than this are refused."""


@dataclass(frozen=True)
class Tried:
    """A repair that was made, and what was found after it."""

    repair: str
    findings: Mapping[str, str]


def all_scenarios(cards: Sequence[int], at_once: int) -> Ints:
    """Every joint state with at most `at_once` causes present; row 0 has none.

    `cards` are the numbers of states of the causes; shape (scenarios, causes).
    Raises FaultfinderError past SCENARIO_LIMIT rows.
    """
    rows: list[tuple[int, ...]] = []
    for count in range(at_once + 1):
        for chosen in combinations(range(len(cards)), count):
            for states in product(*(range(1, cards[cause]) for cause in chosen)):
                row = [0] * len(cards)
                for cause, state in zip(chosen, states, strict=True):
                    row[cause] = state
                rows.append(tuple(row))
            if len(rows) > SCENARIO_LIMIT:
                raise FaultfinderError(
                    f"More than {SCENARIO_LIMIT:,} joint states of the causes would have to be "
                    "weighed. Plan with fewer causes at once."
                )
    return np.array(rows, dtype=np.int64).reshape(len(rows), len(cards))


@lru_cache(maxsize=8)
def scenario_values(compiled: CompiledModel, at_once: int) -> tuple[Ints, dict[int, Ints]]:
    """The scenarios, and the state of every variable that is a function of the causes.

    Returns (scenarios, {variable number: state per scenario}).
    """
    network = compiled.network
    scenarios = all_scenarios([network.cards[c] for c in compiled.causes], at_once)
    values: dict[int, Ints] = {c: scenarios[:, i] for i, c in enumerate(compiled.causes)}
    for number in network.order:
        if number in compiled.closed_causes and number not in values:
            index = tuple(values[parent] for parent in network.parents[number])
            values[number] = network.tables[number][index].argmax(axis=-1)
    return scenarios, values


@lru_cache(maxsize=8)
def finding_likelihoods(compiled: CompiledModel, at_once: int) -> dict[int, Array]:
    """P(result | scenario) of every finding: {variable number: (results, scenarios)}.

    A finding whose parents are not all functions of the causes is averaged over
    what is left open; its repeated noise is then taken as independent.
    """
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    found: dict[int, Array] = {}
    dear: list[int] = []
    for variable in compiled.model.variables:
        if variable.kind not in (Kind.FINDING, Kind.COMPLAINT):
            continue
        number = network.index[variable.name]
        if number in values:
            found[number] = np.eye(network.cards[number])[:, values[number]]
        elif all(parent in values for parent in network.parents[number]):
            index = tuple(values[parent] for parent in network.parents[number])
            table = network.tables[number]
            rows = table[index] if index else np.broadcast_to(table, (len(scenarios), len(table)))
            found[number] = np.ascontiguousarray(rows.T)
        else:
            dear.append(number)
    for begin in range(0, len(scenarios) if dear else 0, 512):
        part = scenarios[begin : begin + 512]
        columns = {
            cause: np.eye(network.cards[cause])[:, part[:, i]]
            for i, cause in enumerate(compiled.causes)
        }
        calibrated = beliefs(compiled, Evidence(columns))
        for number in dear:
            piece = posterior(compiled, calibrated, number)
            before = found.get(number)
            found[number] = piece if before is None else np.concatenate([before, piece], axis=1)
    return found


def prior_weights(compiled: CompiledModel, histories: Mapping[str, str], at_once: int) -> Array:
    """P(scenario, histories known): shape (scenarios,); what is left out is missing."""
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    roots = [network.index[v.name] for v in compiled.model.of_kind(Kind.HISTORY)]
    inner = {*roots, *compiled.causes}
    simple = all(not network.parents[root] for root in roots) and all(
        parent in inner for cause in compiled.causes for parent in network.parents[cause]
    )
    if not simple:
        return _weights_by_passes(compiled, evidence_from(compiled, histories), scenarios)
    open_states = [
        [network.states[root].index(histories[network.names[root]])]
        if network.names[root] in histories
        else list(range(network.cards[root]))
        for root in roots
    ]
    total = np.zeros(len(scenarios))
    for combo in product(*open_states):
        state = dict(zip(roots, combo, strict=True))
        weights = np.ones(len(scenarios))
        for root in roots:
            weights *= network.tables[root][state[root]]
        for cause in compiled.causes:
            index = tuple(
                values[p] if p in values else np.int64(state[p]) for p in network.parents[cause]
            )
            weights *= network.tables[cause][(*index, values[cause])]
        total += weights
    return total


def _weights_by_passes(compiled: CompiledModel, evidence: Evidence, scenarios: Ints) -> Array:
    network = compiled.network
    parts = []
    for begin in range(0, len(scenarios), 512):
        part = scenarios[begin : begin + 512]
        columns = {
            cause: np.eye(network.cards[cause])[:, part[:, i]]
            for i, cause in enumerate(compiled.causes)
        }
        parts.append(np.exp(beliefs(compiled, evidence.with_columns(columns)).log_evidence))
    return np.concatenate(parts)


def belief_now(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    tried: Sequence[Tried] = (),
    at_once: int = 3,
) -> tuple[Array, float, float]:
    """Weights of the scenarios of the machine as it is now, the probability left out, and
    that of the findings before any repair.

    `findings` were made before any repair. After each repair in `tried` the
    complaint is taken to be still there, unless its findings say otherwise.
    Raises ImpossibleEvidence when nothing explains what was found.
    """
    network = compiled.network
    model = compiled.model
    likelihoods = finding_likelihoods(compiled, at_once)
    causes = {v.name for v in model.of_kind(Kind.CAUSE)}
    histories = {v.name for v in model.of_kind(Kind.HISTORY)}
    known = {name: state for name, state in findings.items() if name in histories}
    for step in tried:
        for name, state in step.findings.items():
            if name in histories:
                known.setdefault(name, state)
    weights = prior_weights(compiled, known, at_once)
    scenarios, _ = scenario_values(compiled, at_once)

    def seen(weights: Array, results: Mapping[str, str], complaint: bool) -> Array:
        named = dict(results)
        if complaint and model.complaint is not None and model.complaint not in named:
            named[model.complaint] = model.by_name[model.complaint].states[-1]
        for name, state in named.items():
            number = network.index[name]
            place = network.states[number].index(state)
            if name in causes:
                weights = weights * (scenarios[:, compiled.causes.index(number)] == place)
            elif name not in histories:
                weights = weights * likelihoods[number][place]
        return weights

    weights = seen(weights, findings, complaint=True)
    kept = float(weights.sum())
    exact = float(
        np.exp(beliefs(compiled, evidence_from(compiled, {**findings, **known})).log_evidence[0])
    )
    if kept <= 0.0 or exact <= 0.0:
        raise ImpossibleEvidence(sorted(findings.items()))
    neglected = max(0.0, 1.0 - kept / exact)
    weights = weights / kept
    by_name = {repair.name: repair for repair in model.repairs}
    for step in tried:
        if step.repair not in by_name:
            raise MisuseError(
                f'This model has no repair "{step.repair}". {did_you_mean(step.repair, by_name)}'
            )
        problem = _moving_problem(compiled, by_name[step.repair], at_once)
        weights = seen(problem.after_repair(weights, 0), step.findings, complaint=True)
        total = float(weights.sum())
        if total <= 0.0:
            raise ImpossibleEvidence([(step.repair, "done"), *sorted(step.findings.items())])
        weights = weights / total
    return weights, neglected, exact


@lru_cache(maxsize=64)
def _mends(compiled: CompiledModel, name: str) -> Array:
    model, network = compiled.model, compiled.network
    repair = model.repairs_by_name[name]
    widest = max(network.cards[cause] for cause in compiled.causes)
    table = np.zeros((len(compiled.causes), widest))
    for place, cause in enumerate(compiled.causes):
        for state, chance in repair.mends.get(network.names[cause], {}).items():
            table[place, network.states[cause].index(state)] = chance
    return table


def _moving_problem(compiled: CompiledModel, repair: Repair, at_once: int) -> Problem:
    """A problem that can do nothing but move the belief by one repair."""
    scenarios, _ = scenario_values(compiled, at_once)
    return Problem(
        causes=tuple(compiled.network.names[c] for c in compiled.causes),
        scenarios=scenarios,
        weights=np.zeros(len(scenarios)),
        checks=(),
        repairs=(RepairAction(repair.name, 0.0, 0, 0, _mends(compiled, repair.name)),),
        stages=("bench",),
        stage=0,
        travel=np.zeros((1, 1)),
        finish=np.zeros(1),
    )


def build_problem(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    *,
    tried: Sequence[Tried] = (),
    unclear: Sequence[str] = (),
    stage: str | None = None,
    shop: Shop | None = None,
    at_once: int = 3,
) -> Problem:
    """The repair problem from here: beliefs, open checks, repairs not tried yet.

    Checks of histories are left out: they are asked at the counter, before a plan is
    made. After a repair every check is open again. Raises FaultfinderError when the
    model names no repairs.
    """
    shop = shop or Shop()
    model = compiled.model
    if not model.repairs:
        raise FaultfinderError(f"The model {model.name} names no repairs, so there is no plan.")
    weights, neglected, probability = belief_now(compiled, findings, tried, at_once)
    scenarios, _ = scenario_values(compiled, at_once)
    # Negligible scenarios cost time and cannot change a decision.
    keep = _worth_keeping(scenarios, weights)
    stages = tuple(item.name for item in model.stages)
    at = {name: place for place, name in enumerate(stages)}
    travel = np.full((len(stages), len(stages)), np.inf)
    for (begin, end), route in compiled.routes.items():
        travel[at[begin], at[end]] = shop.cost(route.minutes, 0.0)
    now_known = tried[-1].findings if tried else findings
    closed = {*now_known, *unclear}
    likelihoods = finding_likelihoods(compiled, at_once)
    repairs = [r for r in model.repairs if r.name not in {step.repair for step in tried}]
    return Problem(
        causes=tuple(compiled.network.names[c] for c in compiled.causes),
        scenarios=scenarios[keep],
        weights=weights[keep] / weights[keep].sum(),
        checks=tuple(_check_actions(compiled, likelihoods, closed, at, shop, keep)),
        repairs=tuple(_repair_action(compiled, repair, at, shop) for repair in repairs),
        stages=stages,
        stage=at[stage or model.start],
        travel=travel,
        finish=travel[:, at[model.start]],
        retest=shop.cost(model.retest.minutes, 0.0) if model.retest else 0.0,
        missed=model.retest.missed if model.retest else 0.0,
        comeback=shop.comeback,
        give_up=shop.hand_over,
        neglected=neglected + float(1.0 - weights[keep].sum()),
        evidence_probability=probability,
    )


def _worth_keeping(scenarios: Ints, weights: Array, lost: float = 1e-5) -> Ints:
    """Rows to keep: all but a share of `lost`, and whatever repairs can lead to from them."""
    order = np.argsort(-weights)
    enough = int(np.searchsorted(np.cumsum(weights[order]), 1.0 - lost)) + 1
    chosen = set(order[:enough].tolist()) | {0}
    numbers = {tuple(row): number for number, row in enumerate(scenarios.tolist())}
    for number in list(chosen):
        row = scenarios[number].tolist()
        present = [cause for cause, state in enumerate(row) if state]
        for count in range(1, len(present)):
            for removed in combinations(present, count):
                fewer = tuple(0 if cause in removed else s for cause, s in enumerate(row))
                chosen.add(numbers[fewer])
    return np.array(sorted(chosen), dtype=np.int64)


def _check_actions(
    compiled: CompiledModel,
    likelihoods: Mapping[int, Array],
    closed: set[str],
    at: Mapping[str, int],
    shop: Shop,
    keep: Ints,
) -> list[CheckAction]:
    from faultfinder.decide.next_check import result_labels

    model, network = compiled.model, compiled.network
    actions = []
    for check in model.checks:
        names = [name for name in check.observes if name not in closed]
        if not names or any(model.by_name[name].kind is not Kind.FINDING for name in names):
            continue
        numbers = tuple(network.index[name] for name in names)
        rows = np.ones((1, len(keep)))
        for number in numbers:
            rows = (rows[:, None] * likelihoods[number][:, keep][None]).reshape(-1, len(keep))
        actions.append(
            CheckAction(
                check.name,
                tuple(result_labels(compiled, numbers)),
                shop.cost(check.minutes, check.consumables),
                at[check.stage],
                rows,
                tuple(names),
            )
        )
    return actions


def _repair_action(
    compiled: CompiledModel, repair: Repair, at: Mapping[str, int], shop: Shop
) -> RepairAction:
    model = compiled.model
    powered = [
        (compiled.routes[repair.stage, stage.name].minutes, at[stage.name])
        for stage in model.stages
        if stage.powered and (repair.stage, stage.name) in compiled.routes
    ]
    harm = repair.risk.chance * repair.risk.cost if repair.risk else 0.0
    return RepairAction(
        repair.name,
        shop.cost(repair.minutes, repair.part.likely)
        + repair.lead_days * shop.waiting_per_day
        + harm,
        at[repair.stage],
        min(powered)[1],
        _mends(compiled, repair.name),
    )
