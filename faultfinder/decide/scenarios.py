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

from faultfinder.decide.answers import find_stage
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
    """A repair that was made, what was found after it, and what could not be told."""

    repair: str
    findings: Mapping[str, str]
    unclear: tuple[str, ...] = ()


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


@dataclass(frozen=True)
class Histories:
    """What the histories add to the scenarios, given what is known of them.

    `weights` (scenarios,) is P(scenario, known histories, known findings that depend on
    histories); `given[h]` has shape (states of h, scenarios): P(history | scenario, known).
    """

    weights: Array
    given: Mapping[int, Array]


@lru_cache(maxsize=8)
def _cause_columns(
    compiled: CompiledModel, at_once: int
) -> dict[int, dict[tuple[int, ...], Array]]:
    """P(state of cause in scenario | state of its history parents), for each such state."""
    network = compiled.network
    _, values = scenario_values(compiled, at_once)
    columns: dict[int, dict[tuple[int, ...], Array]] = {}
    for cause in compiled.causes:
        outer = [p for p in network.parents[cause] if p not in values]
        columns[cause] = {}
        for combo in product(*(range(network.cards[p]) for p in outer)):
            state = dict(zip(outer, combo, strict=True))
            index = tuple(
                values[p] if p in values else np.int64(state[p]) for p in network.parents[cause]
            )
            columns[cause][combo] = network.tables[cause][(*index, values[cause])]
    return columns


def sum_histories(compiled: CompiledModel, findings: Mapping[str, str], at_once: int) -> Histories:
    """Sum over all histories that are not known, for the scenarios.

    `findings` may name histories and findings that depend on histories and on functions
    of the causes only. Raises FaultfinderError for a model whose causes depend on more
    than histories and other causes.
    """
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    roots = _roots(compiled)
    columns = _cause_columns(compiled, at_once)
    open_states = [
        [network.states[root].index(findings[network.names[root]])]
        if network.names[root] in findings
        else list(range(network.cards[root]))
        for root in roots
    ]
    seen = [network.index[n] for n in findings if network.index[n] not in roots]
    total = np.zeros(len(scenarios))
    given = {root: np.zeros((network.cards[root], len(scenarios))) for root in roots}
    for combo in product(*open_states):
        state = dict(zip(roots, combo, strict=True))
        weights = np.full(len(scenarios), _chance(compiled, roots, state))
        for cause in compiled.causes:
            outer = tuple(state[p] for p in network.parents[cause] if p in state)
            weights = weights * columns[cause][outer]
        for number in seen:
            index = tuple(
                values[p] if p in values else np.int64(state[p]) for p in network.parents[number]
            )
            place = network.states[number].index(findings[network.names[number]])
            weights = weights * network.tables[number][(*index, place)]
        total += weights
        for root in roots:
            given[root][state[root]] += weights
    safe = np.where(total > 0.0, total, 1.0)
    return Histories(total, {root: held / safe for root, held in given.items()})


def _roots(compiled: CompiledModel) -> list[int]:
    return [compiled.network.index[v.name] for v in compiled.model.of_kind(Kind.HISTORY)]


def _chance(compiled: CompiledModel, roots: Sequence[int], state: Mapping[int, int]) -> float:
    chance = 1.0
    for root in roots:
        index = tuple(state[p] for p in compiled.network.parents[root])
        chance *= float(compiled.network.tables[root][(*index, state[root])])
    return chance


@lru_cache(maxsize=8)
def _plain_likelihoods(compiled: CompiledModel, at_once: int) -> dict[int, Array]:
    """P(result | scenario), shape (results, scenarios), of findings that depend on nothing
    but functions of the causes."""
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    found: dict[int, Array] = {}
    for number in _findings(compiled):
        if number in values:
            found[number] = np.eye(network.cards[number])[:, values[number]]
        elif all(parent in values for parent in network.parents[number]):
            index = tuple(values[parent] for parent in network.parents[number])
            table = network.tables[number]
            rows = table[index] if index else np.broadcast_to(table, (len(scenarios), len(table)))
            found[number] = np.ascontiguousarray(rows.T)
    return found


def _findings(compiled: CompiledModel) -> list[int]:
    kinds = (Kind.FINDING, Kind.COMPLAINT)
    return [compiled.network.index[v.name] for v in compiled.model.variables if v.kind in kinds]


def on_histories(compiled: CompiledModel, at_once: int) -> frozenset[int]:
    """Findings that depend on histories besides functions of the causes."""
    roots = set(_roots(compiled))
    _, values = scenario_values(compiled, at_once)
    plain = _plain_likelihoods(compiled, at_once)
    return frozenset(
        number
        for number in _findings(compiled)
        if number not in plain
        and all(p in roots or p in values for p in compiled.network.parents[number])
    )


def finding_likelihoods(
    compiled: CompiledModel, histories: Histories, at_once: int
) -> dict[int, Array]:
    """P(result | scenario, known histories) of every finding: {variable: (results, scenarios)}.

    What a finding has in common with others beyond the causes (a history not asked, a
    condition that is no function of the causes) is averaged over, so that it counts as
    independent noise when several of them are planned for.
    """
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    found = dict(_plain_likelihoods(compiled, at_once))
    averaged = on_histories(compiled, at_once)
    for number in averaged:
        parents = network.parents[number]
        outer = [p for p in parents if p not in values]
        rows = np.zeros((network.cards[number], len(scenarios)))
        for combo in product(*(range(network.cards[p]) for p in outer)):
            state = dict(zip(outer, combo, strict=True))
            index = tuple(values[p] if p in values else np.int64(state[p]) for p in parents)
            share = np.ones(len(scenarios))
            for p, place in state.items():
                share = share * histories.given[p][place]
            rows += (network.tables[number][index] * share[:, None]).T
        found[number] = rows
    dear = [number for number in _findings(compiled) if number not in found]
    for begin in range(0, len(scenarios) if dear else 0, 256):
        part = scenarios[begin : begin + 256]
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


@dataclass(frozen=True)
class BeliefNow:
    """The belief about the machine as it is: weights (scenarios,) summing to one.

    `likelihoods` are P(result | scenario) of every finding; `neglected` is the
    probability of the scenarios left out, `evidence_probability` that of the findings
    before any repair. `since` is, for each repair tried, the probability of what was
    found after it, given all before and that it did not cure.
    """

    weights: Array
    likelihoods: Mapping[int, Array]
    neglected: float
    evidence_probability: float
    since: tuple[float, ...] = ()


def belief_now(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    tried: Sequence[Tried] = (),
    at_once: int = 3,
) -> BeliefNow:
    """The belief after findings, repairs that did not cure, and findings since.

    `findings` were made before any repair. After each repair in `tried` the complaint
    is taken to be still there, unless its findings say otherwise. Raises
    ImpossibleEvidence when nothing explains what was found.
    """
    model, network = compiled.model, compiled.network
    roots = {v.name for v in model.of_kind(Kind.HISTORY)}
    known = {name: state for name, state in findings.items() if name in roots}
    for step in tried:
        for name, state in step.findings.items():
            if name in roots and known.setdefault(name, state) != state:
                raise MisuseError(
                    f"{name} is given twice: as {known[name]} and, after a repair, as {state}. "
                    "What happened before does not change: keep the one that is right."
                )
    shared = on_histories(compiled, at_once)
    at_start = {n: s for n, s in findings.items() if network.index[n] in shared}
    histories = sum_histories(compiled, {**known, **at_start}, at_once)
    likelihoods = finding_likelihoods(compiled, histories, at_once)
    judge = _Judge(compiled, likelihoods, roots, at_once)
    rest = {name: state for name, state in findings.items() if name not in at_start}
    weights = judge.seen(histories.weights, rest)
    kept = float(weights.sum())
    exact = float(
        np.exp(beliefs(compiled, evidence_from(compiled, {**findings, **known})).log_evidence[0])
    )
    if kept <= 0.0 or exact <= 0.0:
        raise ImpossibleEvidence(sorted(findings.items()))
    weights = weights / kept
    repairs = model.repairs_by_name
    since: list[float] = []
    for step in tried:
        if step.repair not in repairs:
            raise MisuseError(
                f'This model has no repair "{step.repair}". {did_you_mean(step.repair, repairs)}'
            )
        moving = _moving_problem(compiled, repairs[step.repair], at_once)
        uncured = judge.seen(moving.after_repair(weights, 0), {})
        weights = judge.seen(uncured, step.findings)
        total = float(weights.sum())
        if total <= 0.0:
            raise ImpossibleEvidence([(step.repair, "done"), *sorted(step.findings.items())])
        since.append(total / float(uncured.sum()))
        weights = weights / total
    neglected = max(0.0, 1.0 - kept / exact)
    return BeliefNow(weights, likelihoods, neglected, exact, tuple(since))


@dataclass(frozen=True)
class _Judge:
    """Weighs scenarios by what was seen; the complaint counts as seen unless denied."""

    compiled: CompiledModel
    likelihoods: Mapping[int, Array]
    histories: set[str]
    at_once: int

    def seen(self, weights: Array, results: Mapping[str, str]) -> Array:
        model, network = self.compiled.model, self.compiled.network
        scenarios, _ = scenario_values(self.compiled, self.at_once)
        named = dict(results)
        if model.complaint is not None and model.complaint not in named:
            named[model.complaint] = model.by_name[model.complaint].states[-1]
        for name, state in named.items():
            number = network.index[name]
            place = network.states[number].index(state)
            if number in self.compiled.causes:
                weights = weights * (scenarios[:, self.compiled.causes.index(number)] == place)
            elif name not in self.histories:
                weights = weights * self.likelihoods[number][place]
        return weights


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
    lost: float = 1e-5,
) -> Problem:
    """The repair problem from here: beliefs, open checks, repairs not tried yet.

    Scenarios with at most `at_once` causes are listed; the least likely of them with
    at most `lost` together are left out again.

    Checks of histories are left out: they are asked at the counter, before a plan is
    made. So are looks that can stop the job for safety: they are made whenever their
    stage is reached, and not weighed. After a repair every check is open again; a noisy
    check made once more counts as independent of the first time. Raises FaultfinderError when the
    model names no repairs.
    """
    shop = shop or Shop()
    model = compiled.model
    if not model.repairs:
        raise FaultfinderError(f"The model {model.name} names no repairs, so there is no plan.")
    belief = belief_now(compiled, findings, tried, at_once)
    weights = belief.weights
    scenarios, _ = scenario_values(compiled, at_once)
    # Negligible scenarios cost time and cannot change a decision.
    keep = _worth_keeping(scenarios, weights, lost)
    stages = tuple(item.name for item in model.stages)
    at = {name: place for place, name in enumerate(stages)}
    travel = np.full((len(stages), len(stages)), np.inf)
    for (begin, end), route in compiled.routes.items():
        travel[at[begin], at[end]] = shop.cost(route.minutes, 0.0)
    # After a repair everything can be looked at again.
    closed = {*tried[-1].findings, *tried[-1].unclear} if tried else {*findings, *unclear}
    repairs = [r for r in model.repairs if r.name not in {step.repair for step in tried}]
    return Problem(
        causes=tuple(compiled.network.names[c] for c in compiled.causes),
        scenarios=scenarios[keep],
        weights=weights[keep] / weights[keep].sum(),
        checks=tuple(_check_actions(compiled, belief.likelihoods, closed, at, shop, keep)),
        repairs=tuple(_repair_action(compiled, repair, at, shop) for repair in repairs),
        stages=stages,
        stage=at[find_stage(model, stage)],
        travel=travel,
        finish=travel[:, at[model.start]],
        retest=shop.cost(model.retest.minutes, 0.0) if model.retest else 0.0,
        missed=model.retest.missed if model.retest else 0.0,
        comeback=shop.comeback,
        give_up=shop.hand_over,
        neglected=belief.neglected + float(1.0 - weights[keep].sum()),
        evidence_probability=belief.evidence_probability,
        since=belief.since,
    )


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
    closed: set[str],
    at: Mapping[str, int],
    shop: Shop,
    keep: Ints,
) -> list[CheckAction]:
    from faultfinder.decide.next_check import result_labels

    model, network = compiled.model, compiled.network
    stopping = {rule.finding for rule in model.stop_rules}
    actions = []
    for check in model.checks:
        names = [name for name in check.observes if name not in closed]
        if not names or any(model.by_name[name].kind is not Kind.FINDING for name in names):
            continue
        if stopping.intersection(check.observes):
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
    waiting = repair.lead_days * shop.waiting_per_day
    harm = repair.risk.chance * repair.risk.cost if repair.risk else 0.0
    return RepairAction(
        repair.name,
        shop.cost(repair.minutes, repair.part.likely) + waiting + harm,
        at[repair.stage],
        at[look_stage(compiled, repair)],
        _mends(compiled, repair.name),
        waiting + harm,
    )


def look_stage(compiled: CompiledModel, repair: Repair) -> str:
    """The nearest powered stage, where a repair is looked at."""
    powered = [
        (compiled.routes[repair.stage, stage.name].minutes, number, stage.name)
        for number, stage in enumerate(compiled.model.stages)
        if stage.powered and (repair.stage, stage.name) in compiled.routes
    ]
    return min(powered)[2]
