"""The joint states of the causes, listed, and what each makes of every finding.

Scenarios are all joint states with up to a number of causes present at once; what
is left out is added up and reported, never ignored in silence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import combinations, product

import numpy as np

from faultfinder.errors import FaultfinderError
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import Evidence, beliefs, posterior
from faultfinder.model.network import Array, Ints
from faultfinder.model.parts import Kind

SCENARIO_LIMIT = 200_000
"""More explicit scenarios than this are refused."""


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


@frozen
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
    scenarios, values = scenario_values(compiled, at_once)
    columns: dict[int, dict[tuple[int, ...], Array]] = {}
    for cause in compiled.causes:
        outer = _outer(compiled, cause)
        columns[cause] = {}
        for combo in product(*(range(network.cards[p]) for p in outer)):
            state = dict(zip(outer, combo, strict=True))
            chances = _chances(compiled, cause, values, state, len(scenarios))
            columns[cause][combo] = chances[np.arange(len(scenarios)), values[cause]]
    return columns


def _outer(compiled: CompiledModel, number: int) -> list[int]:
    """The histories and conditions that a cause depends on, also by the steps its table is split
    into."""
    network = compiled.network
    found: list[int] = []
    for parent in network.parents[number]:
        if parent >= network.own:
            found += _outer(compiled, parent)
        elif parent not in compiled.closed_causes:
            found.append(parent)
    return list(dict.fromkeys(found))


def _chances(
    compiled: CompiledModel,
    number: int,
    values: Mapping[int, Ints],
    state: Mapping[int, int],
    count: int,
) -> Array:
    """P(each state | scenario, histories in `state`): shape (scenarios, states)."""
    network = compiled.network
    table = network.tables[number]
    parents = network.parents[number]
    known = [p for p in parents if p in values or p in state]
    before = [p for p in parents if p not in known]
    index = tuple(np.asarray(values[p]) if p in values else np.full(count, state[p]) for p in known)
    turned = table.transpose([*(parents.index(p) for p in (*known, *before)), len(parents)])
    rows: Array = turned[index] if known else np.broadcast_to(turned, (count, *turned.shape))
    for step in before:
        # A step of a table that is split: summed over, being no variable of the model's own.
        rows = np.einsum("sb,sb...->s...", _chances(compiled, step, values, state, count), rows)
    return rows


def sum_histories(compiled: CompiledModel, findings: Mapping[str, str], at_once: int) -> Histories:
    """Sum over all histories that are not known, for the scenarios.

    `findings` may name histories and findings that depend on histories and on functions
    of the causes only. Conditions that causes depend on are summed over in the same way. Raises
    FaultfinderError for a model whose causes depend on a finding.
    """
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    roots = _roots(compiled)
    columns = _cause_columns(compiled, at_once)
    outers = {cause: _outer(compiled, cause) for cause in compiled.causes}
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
        weights = _chance(compiled, roots, state, values, len(scenarios))
        for cause in compiled.causes:
            weights = weights * columns[cause][tuple(state[p] for p in outers[cause])]
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


@lru_cache(maxsize=8)
def _roots(compiled: CompiledModel) -> list[int]:
    """The histories, and what else causes depend on that is no function of causes."""
    network, variables = compiled.network, compiled.model.variables
    roots = [network.index[v.name] for v in compiled.model.of_kind(Kind.HISTORY)]
    stack, done = [*compiled.causes], set(roots)
    while stack:
        for number in network.parents[stack.pop()]:
            if number in done or number in compiled.closed_causes:
                continue
            if number < network.own and variables[number].kind is Kind.FINDING:
                raise FaultfinderError(
                    f"A cause depends on the finding {network.names[number]}. Write it as a "
                    "history, so that repairs can be planned."
                )
            done.add(number)
            if number < network.own:
                roots.append(number)
            stack.append(number)
    return roots


def _chance(
    compiled: CompiledModel,
    roots: Sequence[int],
    state: Mapping[int, int],
    values: Mapping[int, Ints],
    scenarios: int,
) -> Array:
    """P(states of the roots | scenario), shape (scenarios,)."""
    chance = np.ones(scenarios)
    for root in roots:
        parents = compiled.network.parents[root]
        index = tuple(values[p] if p in values else np.int64(state[p]) for p in parents)
        chance = chance * compiled.network.tables[root][(*index, state[root])]
    return chance


@lru_cache(maxsize=8)
def _plain_likelihoods(compiled: CompiledModel, at_once: int) -> dict[int, Array]:
    """P(result | scenario), shape (results, scenarios), of findings that depend on nothing
    but functions of the causes, or on one condition of them."""
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    found: dict[int, Array] = {}
    for number in _findings(compiled):
        if number in values:
            found[number] = np.eye(network.cards[number])[:, values[number]]
        elif all(parent in values for parent in network.parents[number]):
            found[number] = _by_scenario(compiled, number, values, len(scenarios))
    for common in common_conditions(compiled, at_once):
        found |= {number: table @ common.chances for number, table in common.shows.items()}
    return found


@frozen(eq=False)
class Common:
    """What several findings have in common beyond the causes: a condition that is no function
    of them.

    `chances` is P(condition | scenario), shape (states, scenarios); `shows[f]` is
    P(result | condition), shape (results, states), of each finding that hangs on it alone.
    """

    chances: Array
    shows: Mapping[int, Array]

    def held(self, vectors: Mapping[int, Array]) -> Array:
        """P(condition, what its findings showed | scenario), shape (states, scenarios), from a
        likelihood vector (results,) for each finding."""
        known = np.ones(len(self.chances))
        for number, vector in vectors.items():
            if number in self.shows:
                known = known * (vector @ self.shows[number])
        held: Array = self.chances * known[:, None]
        return held


@lru_cache(maxsize=8)
def common_conditions(compiled: CompiledModel, at_once: int) -> tuple[Common, ...]:
    """The conditions that are no function of the causes and hang on nothing else."""
    network = compiled.network
    scenarios, values = scenario_values(compiled, at_once)
    shows: dict[int, dict[int, Array]] = {}
    for number in _findings(compiled):
        parents = network.parents[number]
        if len(parents) == 1 and parents[0] not in values:
            shows.setdefault(parents[0], {})[number] = network.tables[number].T
    conditions = {network.index[v.name] for v in compiled.model.of_kind(Kind.CONDITION)}
    conditions -= set(_roots(compiled))
    found = []
    for number, tables in shows.items():
        if number in conditions and all(p in values for p in network.parents[number]):
            found.append(Common(_by_scenario(compiled, number, values, len(scenarios)), tables))
    return tuple(found)


def _by_scenario(
    compiled: CompiledModel, number: int, values: Mapping[int, Ints], scenarios: int
) -> Array:
    """P(state | scenario), shape (states, scenarios), of what hangs on functions of the causes."""
    table = compiled.network.tables[number]
    index = tuple(values[parent] for parent in compiled.network.parents[number])
    rows = table[index] if index else np.broadcast_to(table, (scenarios, len(table)))
    return np.ascontiguousarray(rows.T)


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
    independent noise when several of them are planned for. What is known already of a
    condition is weighed exactly (`faultfinder.decide.belief`).
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
    left = [number for number in _findings(compiled) if number not in found]
    for begin in range(0, len(scenarios) if left else 0, 256):
        part = scenarios[begin : begin + 256]
        columns = {
            cause: np.eye(network.cards[cause])[:, part[:, i]]
            for i, cause in enumerate(compiled.causes)
        }
        calibrated = beliefs(compiled, Evidence(columns))
        for number in left:
            piece = posterior(compiled, calibrated, number)
            before = found.get(number)
            found[number] = piece if before is None else np.concatenate([before, piece], axis=1)
    return found
