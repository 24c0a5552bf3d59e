"""How far the one-step policy gets on a machine with one known fault.

Checks are made by information per cost until none is worth it; then the causes are looked at
in the order of their probability. Followed exactly where the tree of results is small, else
on seeded simulated tickets, with 95 % intervals. As in a plan, the noise of different
findings counts as independent given the causes.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field, replace
from itertools import combinations, count, product

import numpy as np

from faultfinder.assess.share_interval import wilson
from faultfinder.assess.single_faults import normal_states, results_given
from faultfinder.decide.policies.planners import Gains
from faultfinder.decide.problem import CheckAction, Ints, Problem
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind

EXACT_NODES = 2_000
"""Situations followed one by one; a larger tree is simulated."""

SCENARIO_BUDGET = 3_000
"""Joint states of the causes weighed: pairs of faults are, where they are no more than this."""

SMALL = 1e-12
"""Results less likely than this are not followed; what they hold together is reported."""


@dataclass(frozen=True)
class CauseIsolation:
    """One cause alone on a machine.

    `leads` is the probability that it has the highest probability of all causes once no check
    is worth its cost, `among[L]` that it is among the first L; `minutes` is the expected time
    on checks and the way to them. The `_low` and `_high` are 95 % intervals (the value itself
    where it was computed exactly).
    """

    cause: str
    share: float
    leads: float
    leads_low: float
    leads_high: float
    among: dict[int, float]
    minutes: float
    minutes_low: float
    minutes_high: float


@dataclass(frozen=True)
class Isolation:
    """Every cause that alone brings the complaint about. `tickets` per cause were simulated;
    0 means that every result was followed. `at_once` faults at most were weighed together."""

    causes: tuple[CauseIsolation, ...]
    tickets: int
    seed: int
    at_once: int

    def fraction(self, most: int) -> float:
        """Single faults, weighed by how likely they are, with the cause among the first `most`."""
        return sum(item.share * item.among.get(most, item.leads) for item in self.causes)

    @property
    def minutes(self) -> float:
        """Expected minutes on checks over all single faults."""
        return sum(item.share * item.minutes for item in self.causes)


LEVELS = (1, 2, 3)
"""Sizes L for which "among the first L" is told."""


@dataclass(frozen=True, eq=False)
class Ground:
    """What the walk stands on: explicit joint states of the causes, and what checks show on them.

    `held` (scenarios, causes) is 1 where a cause is present. `single[c]` are the scenarios in
    which cause c is alone, `within[c]` how likely each is among them. `minutes` and `way` are
    minutes of each check, and from stage to stage.
    """

    problem: Problem
    held: Array = field(repr=False)
    single: tuple[Ints, ...] = field(repr=False)
    within: tuple[Array, ...] = field(repr=False)
    share: Array = field(repr=False)
    minutes: Array = field(repr=False)
    way: Array = field(repr=False)
    worth_per_bit: float
    at_once: int
    gains: Gains = field(repr=False)


def lay_out(compiled: CompiledModel, shop: Shop) -> Ground:
    """List the joint states of the causes, and what each check at the bench shows on them."""
    model, network = compiled.model, compiled.network
    histories = {variable.name for variable in model.of_kind(Kind.HISTORY)}
    stopping = {rule.finding for rule in model.stop_rules}
    checks = [
        check
        for check in model.checks
        if not histories.issuperset(check.observes)
        and not stopping.intersection(check.observes)
        and (model.start, check.stage) in compiled.routes
    ]
    states, held, at_once = _joint_states(compiled)
    log, shows = results_given(compiled, states.T, [check.name for check in checks], complaint=True)
    kept = np.isfinite(log)
    weights = np.exp(log[kept] - log[kept].max())
    weights /= weights.sum()
    held = held[kept]
    stages = tuple(stage.name for stage in model.stages)
    way = np.full((len(stages), len(stages)), np.inf)
    for (begin, end), route in compiled.routes.items():
        way[stages.index(begin), stages.index(end)] = route.minutes
    actions = tuple(
        CheckAction(
            check.name,
            tuple(map(str, range(len(shows[check.name])))),
            shop.cost(check.minutes, check.consumables),
            stages.index(check.stage),
            np.ascontiguousarray(shows[check.name][:, kept]),
            check.observes,
        )
        for check in checks
    )
    problem = Problem(
        causes=tuple(network.names[cause] for cause in compiled.causes),
        scenarios=held.astype(np.int64),
        weights=weights,
        checks=actions,
        repairs=(),
        stages=stages,
        stage=stages.index(model.start),
        travel=np.where(np.isfinite(way), way * shop.cost(1.0, 0.0), np.inf),
        finish=np.zeros(len(stages)),
    )
    alone = held.sum(axis=1) == 1.0
    single = tuple(np.flatnonzero(alone & (held[:, c] > 0.0)) for c in range(held.shape[1]))
    mass = np.array([weights[rows].sum() for rows in single])
    return Ground(
        problem=problem,
        held=held,
        single=single,
        within=tuple(weights[rows] / max(weights[rows].sum(), 1e-300) for rows in single),
        share=mass / mass.sum(),
        minutes=np.array([check.minutes for check in checks]),
        way=way,
        worth_per_bit=shop.worth_per_bit,
        at_once=at_once,
        gains=Gains(problem),
    )


def _joint_states(compiled: CompiledModel) -> tuple[Ints, Array, int]:
    """(states, 1 where a cause is present, most faults at once): up to two faults, or one."""
    model, network = compiled.model, compiled.network
    normal = normal_states(compiled)
    faulty = [
        [network.states[c].index(state) for state in model.faulty_states(network.names[c])]
        for c in compiled.causes
    ]
    counts = [len(states) for states in faulty]
    total = sum(counts)
    pairs = (total * total - sum(count * count for count in counts)) // 2
    at_once = 2 if 1 + total + pairs <= SCENARIO_BUDGET else 1
    rows, held = [normal], [np.zeros(len(normal))]
    for several in range(1, at_once + 1):
        for chosen in combinations(range(len(normal)), several):
            for states in product(*(faulty[cause] for cause in chosen)):
                row, flags = normal.copy(), np.zeros(len(normal))
                row[list(chosen)] = states
                flags[list(chosen)] = 1.0
                rows.append(row)
                held.append(flags)
    return np.stack(rows), np.stack(held), at_once


@dataclass(frozen=True, eq=False)
class _Spot:
    """A situation of the walk: belief, stage, checks made, minutes spent so far."""

    weights: Array
    stage: int
    made: frozenset[int]
    minutes: float


def _next_check(ground: Ground, spot: _Spot) -> int:
    """The check with most bits per cost that is worth it, or -1: as `OneStep` decides."""
    if not ground.problem.checks:
        return -1
    bits = ground.gains.bits(spot.weights)
    bits[list(spot.made)] = 0.0
    cost = np.array(
        [c.cost + ground.problem.travel[spot.stage, c.stage] for c in ground.problem.checks]
    )
    worth = (bits > 1e-9) & (bits * ground.worth_per_bit >= cost)
    if not worth.any():
        return -1
    return int(np.where(worth, bits / np.maximum(cost, 1e-9), -1.0).argmax())


def _after(ground: Ground, spot: _Spot, check: int) -> list[_Spot | None]:
    """The situation after each result of a check; None where it cannot happen."""
    action = ground.problem.checks[check]
    joint = action.likelihood * spot.weights
    moved = replace(
        spot,
        stage=action.stage,
        made=spot.made | {check},
        minutes=spot.minutes
        + float(ground.way[spot.stage, action.stage])
        + float(ground.minutes[check]),
    )
    totals = joint.sum(axis=1)
    return [
        replace(moved, weights=row / total) if total > 0.0 else None
        for row, total in zip(joint, totals, strict=True)
    ]


def _ranks(ground: Ground, spot: _Spot) -> Ints:
    """The place of each cause by probability, 1 for the leading one; ties in the file's order."""
    order = np.argsort(-np.round(spot.weights @ ground.held, 12), kind="stable")
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(1, len(order) + 1)
    return ranks


def isolate(compiled: CompiledModel, shop: Shop, tickets: int, seed: int) -> Isolation:
    """Follow the one-step policy for each cause alone; exactly if the tree is small enough."""
    ground = lay_out(compiled, shop)
    exact = _follow_all(ground)
    if exact is not None:
        return Isolation(exact, 0, seed, ground.at_once)
    return Isolation(_simulate(ground, tickets, seed), tickets, seed, ground.at_once)


def _open_causes(ground: Ground) -> list[int]:
    return [c for c in range(len(ground.single)) if len(ground.single[c])]


def _follow_all(ground: Ground) -> tuple[CauseIsolation, ...] | None:
    """Every result followed, the likeliest first; None when that passes EXACT_NODES."""
    causes = _open_causes(ground)
    columns = [ground.single[c] for c in causes]
    reach = [ground.within[c] for c in causes]
    first = _Spot(ground.problem.weights, ground.problem.stage, frozenset(), 0.0)
    # Per situation: how likely each scenario of a single fault is to get there.
    waiting: list[tuple[float, int, _Spot, list[Array]]] = [(-1.0, 0, first, reach)]
    number = count(1)
    told = 0
    ended = np.zeros((len(causes), len(LEVELS)))
    minutes = np.zeros(len(causes))
    while waiting:
        _, _, spot, here = heapq.heappop(waiting)
        told += 1
        if told > EXACT_NODES:
            return None
        check = _next_check(ground, spot)
        if check < 0:
            ranks = _ranks(ground, spot)
            for place, cause in enumerate(causes):
                mass = float(here[place].sum())
                ended[place] += mass * (ranks[cause] <= np.array(LEVELS))
                minutes[place] += mass * spot.minutes
            continue
        likelihood = ground.problem.checks[check].likelihood
        for result, nxt in enumerate(_after(ground, spot, check)):
            if nxt is None:
                continue
            there = [r * likelihood[result, rows] for r, rows in zip(here, columns, strict=True)]
            most = max(float(part.sum()) for part in there)
            if most > SMALL:
                heapq.heappush(waiting, (-most, next(number), nxt, there))
    return tuple(
        CauseIsolation(
            cause=ground.problem.causes[cause],
            share=float(ground.share[cause]),
            leads=float(ended[place, 0]),
            leads_low=float(ended[place, 0]),
            leads_high=float(ended[place, 0]),
            among=dict(zip(LEVELS, ended[place].tolist(), strict=True)),
            minutes=float(minutes[place]),
            minutes_low=float(minutes[place]),
            minutes_high=float(minutes[place]),
        )
        for place, cause in enumerate(causes)
    )


def _simulate(ground: Ground, tickets: int, seed: int) -> tuple[CauseIsolation, ...]:
    """`tickets` machines per cause; those with the same story share each decision."""
    rng = np.random.default_rng(seed)
    causes = _open_causes(ground)
    truth = np.concatenate(
        [rng.choice(ground.single[c], size=tickets, p=ground.within[c]) for c in causes]
    )
    owner = np.repeat(causes, tickets)
    ranks = np.zeros(len(truth), dtype=np.int64)
    minutes = np.zeros(len(truth))
    first = _Spot(ground.problem.weights, ground.problem.stage, frozenset(), 0.0)
    waiting = [(first, np.arange(len(truth)))]
    while waiting:
        spot, group = waiting.pop()
        check = _next_check(ground, spot)
        if check < 0:
            ranks[group] = _ranks(ground, spot)[owner[group]]
            minutes[group] = spot.minutes
            continue
        shares = np.cumsum(ground.problem.checks[check].likelihood[:, truth[group]], axis=0)
        drawn = (rng.random(len(group)) * shares[-1] >= shares).sum(axis=0)
        for result, nxt in enumerate(_after(ground, spot, check)):
            part = group[drawn == result]
            if nxt is not None and len(part):
                waiting.append((nxt, part))
    return tuple(
        _summed(
            ground, cause, ranks[place * tickets :][:tickets], minutes[place * tickets :][:tickets]
        )
        for place, cause in enumerate(causes)
    )


def _summed(ground: Ground, cause: int, ranks: Ints, minutes: Array) -> CauseIsolation:
    tickets = len(ranks)
    leads = float((ranks == 1).mean())
    low, high = wilson(int((ranks == 1).sum()), tickets)
    spread = 1.96 * float(minutes.std(ddof=1)) / math.sqrt(tickets) if tickets > 1 else math.inf
    mean = float(minutes.mean())
    return CauseIsolation(
        cause=ground.problem.causes[cause],
        share=float(ground.share[cause]),
        leads=leads,
        leads_low=low,
        leads_high=high,
        among={most: float((ranks <= most).mean()) for most in LEVELS},
        minutes=mean,
        minutes_low=max(mean - spread, 0.0),
        minutes_high=mean + spread,
    )
