"""How far checks get on a machine with one known fault.

The first check is the one that is advised on any such machine, the others the most telling
for their cost until none is worth it (in a model without repairs all of them); then the causes
are looked at in the order of their probability. Followed exactly where the tree of results is
small, else on seeded simulated tickets, with 95 % intervals. As in a plan, the noise of
different findings counts as independent given the causes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from faultfinder.assess.intervals import wilson
from faultfinder.consultation.bench import build_problem, joint_states
from faultfinder.decide.policies import one_step, roll_out_once
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Policy, Situation
from faultfinder.decide.walk import FromScenarios, walk
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array, Ints

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
    """What is walked on: a problem, the policy, and each cause alone.

    `held` (scenarios, causes) is 1 where a cause is present. `single[c]` are the scenarios in
    which cause c is alone, `within[c]` how likely each is among them, `share[c]` how likely
    they are among all single faults.
    """

    compiled: CompiledModel
    problem: Problem
    policy: Policy
    held: Array = field(repr=False)
    single: tuple[Ints, ...] = field(repr=False)
    within: tuple[Array, ...] = field(repr=False)
    share: Array = field(repr=False)
    at_once: int

    @property
    def causes(self) -> list[int]:
        """The causes that alone bring the complaint about."""
        return [c for c in range(len(self.single)) if self.share[c] > 0.0]

    def minutes(self, situation: Situation, check: int) -> float:
        """Minutes of a check and of the way to it."""
        action, stages = self.problem.checks[check], self.problem.stages
        way = self.compiled.routes[stages[situation.stage], stages[action.stage]]
        return way.minutes + self.compiled.model.checks_by_name[action.name].minutes

    def ranks(self, situation: Situation) -> Ints:
        """The place of each cause by probability, 1 for the leading one; ties as in the file."""
        order = np.argsort(-np.round(situation.weights @ self.held, 12), kind="stable")
        ranks = np.empty(len(order), dtype=np.int64)
        ranks[order] = np.arange(1, len(order) + 1)
        return ranks


def lay_out(compiled: CompiledModel, shop: Shop) -> Ground:
    """The problem of a machine of which nothing but the complaint is known, pairs of faults
    listed while they are few."""
    cards = [compiled.network.cards[cause] for cause in compiled.causes]
    at_once = 2 if joint_states(cards, 2) <= SCENARIO_BUDGET else 1
    problem = build_problem(compiled, {}, shop=shop, at_once=at_once, lost=0.0)
    held = (problem.scenarios != 0).astype(np.float64)
    alone = held.sum(axis=1) == 1.0
    single = tuple(np.flatnonzero(alone & (held[:, c] > 0.0)) for c in range(held.shape[1]))
    mass = np.array([problem.weights[rows].sum() for rows in single])
    maker = roll_out_once.make if compiled.model.repairs else one_step.make
    return Ground(
        compiled=compiled,
        problem=problem,
        policy=maker(problem, shop),
        held=held,
        single=single,
        within=tuple(
            problem.weights[rows] / max(problem.weights[rows].sum(), 1e-300) for rows in single
        ),
        share=mass / mass.sum(),
        at_once=at_once,
    )


def isolate(compiled: CompiledModel, shop: Shop, tickets: int, seed: int = 1) -> Isolation:
    """Follow the policy for each cause alone; exactly if the tree is small enough."""
    ground = lay_out(compiled, shop)
    exact = _follow_all(ground)
    if exact is not None:
        return Isolation(exact, 0, seed, ground.at_once)
    return Isolation(_simulate(ground, tickets, seed), tickets, seed, ground.at_once)


@dataclass(frozen=True, eq=False)
class _Shares:
    """Every result at once. A group says how likely each scenario with one fault is to get
    there (row) on machines with each cause alone (column)."""

    ground: Ground

    def begin(self) -> Array:
        shares = np.zeros((len(self.ground.held), len(self.ground.causes)))
        for place, cause in enumerate(self.ground.causes):
            shares[self.ground.single[cause], place] = self.ground.within[cause]
        return shares

    def look(
        self, check: int, group: Array, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, Array]]:
        likelihood = self.ground.problem.checks[check].likelihood
        parts = ((result, group * row[:, None]) for result, row in enumerate(likelihood))
        return [(result, part) for result, part in parts if part.sum(axis=0).max() > SMALL]

    def repair(self, repair: int, group: Array, fails: float) -> Iterable[tuple[int, Array]]:
        raise NotImplementedError("These machines are only looked at.")


def _follow_all(ground: Ground) -> tuple[CauseIsolation, ...] | None:
    """Every result followed; None when that passes EXACT_NODES."""
    causes, problem = ground.causes, ground.problem
    ended = np.zeros((len(causes), len(LEVELS)))
    minutes = np.zeros(len(causes))
    for step in walk(problem, ground.policy, _Shares(ground), checks_only=True):
        if step.number >= EXACT_NODES:
            return None
        mass = step.group.sum(axis=0)
        if step.action.kind == "check":
            minutes += mass * ground.minutes(step.situation, step.action.number)
        else:
            ranks = ground.ranks(step.situation)[causes]
            ended += mass[:, None] * (ranks[:, None] <= np.array(LEVELS))
    return tuple(
        CauseIsolation(
            cause=problem.causes[cause],
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
    causes = ground.causes
    truths = np.concatenate(
        [rng.choice(ground.single[c], size=tickets, p=ground.within[c]) for c in causes]
    )
    owner = np.repeat(causes, tickets)
    ranks = np.zeros(len(truths), dtype=np.int64)
    minutes = np.zeros(len(truths))
    machines = FromScenarios(ground.problem, truths, rng)
    for step in walk(ground.problem, ground.policy, machines, checks_only=True):
        if step.action.kind == "check":
            minutes[step.group] += ground.minutes(step.situation, step.action.number)
        else:
            ranks[step.group] = ground.ranks(step.situation)[owner[step.group]]
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
