"""Simulated tickets: machines drawn from the model, and a planner followed on them.

The machines are drawn from the network itself, findings and all, and never from a
plan's own scenarios; so a plan's figures can be held against them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from faultfinder.decide.policies.planners import (
    Planner,
    Situation,
    after_check,
    after_repair,
    start,
)
from faultfinder.decide.problem import Ints, Problem
from faultfinder.decide.shop import Shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array

Floats = Array


def draw_machines(
    compiled: CompiledModel,
    count: int,
    rng: np.random.Generator,
    findings: Mapping[str, str] | None = None,
) -> Ints:
    """Machines with the complaint (and `findings`), drawn from the model.

    Returns state numbers, shape (count, variables of the network). By rejection;
    raises FaultfinderError when fewer than one draw in 20,000 fits.
    """
    network = compiled.network
    wanted = {
        network.index[name]: network.states[network.index[name]].index(state)
        for name, state in (findings or {}).items()
    }
    complaint = compiled.model.complaint
    if complaint is not None and complaint not in (findings or {}):
        number = network.index[complaint]
        wanted[number] = network.cards[number] - 1
    kept: list[Ints] = []
    have, drawn = 0, 0
    while have < count:
        batch = np.zeros((100_000, len(network.names)), dtype=np.int64)
        _draw(compiled, batch, list(network.order), rng)
        fits = np.ones(len(batch), dtype=bool)
        for number, state in wanted.items():
            fits &= batch[:, number] == state
        kept.append(batch[fits])
        have += int(fits.sum())
        drawn += len(batch)
        if drawn >= 2_000_000 and have < drawn / 20_000:
            raise FaultfinderError("These findings are too rare to be drawn from the model.")
    return np.concatenate(kept)[:count]


def _draw(
    compiled: CompiledModel, machines: Ints, variables: list[int], rng: np.random.Generator
) -> None:
    """Fill in `variables` (parents before children) of every machine, in place."""
    network = compiled.network
    for number in variables:
        index = tuple(machines[:, parent] for parent in network.parents[number])
        table = network.tables[number]
        rows = table[index] if index else np.broadcast_to(table, (len(machines), len(table)))
        bounds = np.cumsum(rows, axis=1)
        drawn = (rng.random(len(machines))[:, None] >= bounds).sum(axis=1)
        machines[:, number] = np.minimum(drawn, network.cards[number] - 1)


@dataclass(frozen=True)
class Outcome:
    """What became of each ticket; every array has shape (tickets,).

    `money` includes comebacks and handing over; `minutes` is bench time; `needless`
    counts dear parts fitted to machines that had none of the causes they mend;
    `solved` is whether the machine left without a fault; `checks` how many were made.
    """

    money: Floats
    minutes: Floats
    needless: Floats
    solved: Floats
    checks: Floats
    decisions: int


@dataclass
class _Run:
    compiled: CompiledModel
    problem: Problem
    planner: Planner
    shop: Shop
    machines: Ints
    rng: np.random.Generator

    def __post_init__(self) -> None:
        count = len(self.machines)
        self.money = np.zeros(count)
        self.minutes = np.zeros(count)
        self.needless = np.zeros(count)
        self.solved = np.zeros(count)
        self.checks = np.zeros(count)
        self.decisions = 0
        network = self.compiled.network
        inner = set(self.compiled.causes)
        histories = {
            number
            for number in network.order
            if not network.parents[number] and number not in inner
        }
        fixed = inner | self._above(inner) | histories
        self.downstream = [number for number in network.order if number not in fixed]
        per_minute = self.shop.cost(1.0, 0.0)
        self.travel = self.problem.travel / per_minute if per_minute > 0 else self.problem.travel

    def _above(self, numbers: set[int]) -> set[int]:
        parents = self.compiled.network.parents
        above: set[int] = set()
        stack = list(numbers)
        while stack:
            for parent in parents[stack.pop()]:
                if parent not in above:
                    above.add(parent)
                    stack.append(parent)
        return above

    def follow(self) -> None:
        """Follow the planner on all tickets, those with the same story together."""
        waiting: list[tuple[Situation, Ints]] = [
            (start(self.problem), np.arange(len(self.machines)))
        ]
        while waiting:
            situation, tickets = waiting.pop()
            if len(tickets) == 0:
                continue
            self.decisions += 1
            action = self.planner.decide(situation)
            if action.kind == "check":
                waiting += self._check(situation, tickets, action.number)
            elif action.kind == "repair":
                waiting += self._repair(situation, tickets, action.number)
            else:
                self._finish(situation.stage, tickets)
                self.money[tickets] += self.problem.give_up

    def _finish(self, stage: int, tickets: Ints) -> None:
        self.money[tickets] += self.problem.finish[stage]
        self.minutes[tickets] += self.travel[stage, self._home]

    @property
    def _home(self) -> int:
        return self.problem.stages.index(self.compiled.model.start)

    def _check(
        self, situation: Situation, tickets: Ints, check: int
    ) -> list[tuple[Situation, Ints]]:
        action = self.problem.checks[check]
        model, network = self.compiled.model, self.compiled.network
        told = model.checks_by_name[action.name]
        self.checks[tickets] += 1
        self.money[tickets] += self.problem.travel[situation.stage, action.stage] + action.cost
        self.minutes[tickets] += self.travel[situation.stage, action.stage] + told.minutes
        result = np.zeros(len(tickets), dtype=np.int64)
        for name in action.findings:
            number = network.index[name]
            result = result * network.cards[number] + self.machines[tickets, number]
        ways = {place: nxt for place, _, nxt in after_check(self.problem, situation, check)}
        split = []
        for place in np.unique(result).tolist():
            group = tickets[result == place]
            if place in ways:
                split.append((ways[place], group))
            else:
                # So unlikely that the plan does not follow it: the machine is handed over.
                self._finish(action.stage, group)
                self.money[group] += self.problem.give_up
        return split

    def _repair(
        self, situation: Situation, tickets: Ints, repair: int
    ) -> list[tuple[Situation, Ints]]:
        problem = self.problem
        action = problem.repairs[repair]
        causes = np.array(self.compiled.causes)
        states = self.machines[tickets[:, None], causes]
        chance = action.mends[np.arange(len(causes)), states]
        part = self.compiled.model.repairs_by_name[action.name]
        if part.part.likely >= self.shop.dear_part:
            self.needless[tickets] += ~(chance > 0.0).any(axis=1)
        mended = self.rng.random(chance.shape) < chance
        changed = self.machines[tickets].copy()
        changed[:, causes] = np.where(mended, 0, states)
        _draw(self.compiled, changed, self.downstream, self.rng)
        self.machines[tickets] = changed
        faulty = (changed[:, causes] != 0).any(axis=1)
        passes = ~faulty | (self.rng.random(len(tickets)) < problem.missed)
        self.money[tickets] += problem.act_cost[situation.stage, repair]
        retest = self.compiled.model.retest
        self.minutes[tickets] += (
            self.travel[situation.stage, action.stage]
            + part.minutes
            + self.travel[action.stage, action.test_stage]
            + (retest.minutes if retest else 0.0)
        )
        done = tickets[passes]
        self._finish(action.test_stage, done)
        self.money[done] += np.where(faulty[passes], problem.comeback, 0.0)
        self.solved[done] = ~faulty[passes]
        rest = tickets[~passes]
        # The findings below the complaint are drawn with it still there.
        _, _, _, nxt = after_repair(problem, situation, repair)
        if nxt is None:
            self._finish(action.test_stage, rest)
            self.money[rest] += problem.give_up
            return []
        return [(nxt, rest)]


def simulate(
    compiled: CompiledModel,
    problem: Problem,
    planner: Planner,
    shop: Shop,
    machines: Ints,
    rng: np.random.Generator,
) -> Outcome:
    """Follow a planner on drawn machines to the end of every ticket.

    `machines` come from `draw_machines` with the findings that `problem` starts from;
    they are not changed. Tickets that have the same story share each decision.
    """
    run = _Run(compiled, problem, planner, shop, machines.copy(), rng)
    run.follow()
    return Outcome(run.money, run.minutes, run.needless, run.solved, run.checks, run.decisions)
