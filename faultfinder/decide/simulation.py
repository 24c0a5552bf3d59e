"""Simulated tickets: machines drawn from the model, and a policy followed on them.

The machines are drawn from the network itself, findings and all, and never from a
plan's own scenarios; so a plan's figures can be held against them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Policy
from faultfinder.decide.walk import FAILS, PASSES, split, walk
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array, Flags, Ints

MANY = 8
"""States from which one is found by halving."""


def drawn_states(
    compiled: CompiledModel, states: Mapping[int, Ints], number: int, shares: Array
) -> Ints:
    """The state of a variable in each machine whose parents' are known: where its share, drawn
    evenly from 0 to 1, falls among the chances of its states."""
    network, bounds = compiled.network, _bounds(compiled, number)
    row = np.zeros(len(shares), dtype=np.int64)
    for parent in network.parents[number]:
        row = row * network.cards[parent] + states[parent]
    found = np.zeros(len(shares), dtype=np.int64)
    if len(bounds) < MANY:
        for bound in bounds:
            found += shares >= bound[row]
        return found
    # Halving, since the chances add up and never fall.
    for step in (1 << power for power in reversed(range(len(bounds).bit_length()))):
        beyond = np.minimum(found + step, len(bounds))
        found = np.where(shares >= bounds[beyond - 1, row], beyond, found)
    return found


@lru_cache(maxsize=512)
def _bounds(compiled: CompiledModel, number: int) -> Array:
    """Of every state but the last how likely it or one before it is: (states, rows of the parents'
    states)."""
    table = compiled.network.tables[number]
    rising = np.cumsum(table.reshape(-1, table.shape[-1]), axis=1)
    return np.ascontiguousarray(rising[:, :-1].T)


def _draw(
    compiled: CompiledModel, machines: Ints, variables: list[int], rng: np.random.Generator
) -> None:
    """Fill in `variables` (parents before children) of every machine, in place."""
    states = {number: machines[:, number] for number in compiled.network.order}
    for number in variables:
        machines[:, number] = drawn_states(compiled, states, number, rng.random(len(machines)))


@dataclass(frozen=True)
class Outcome:
    """What became of each ticket; every array has shape (tickets,).

    `money` includes comebacks and handing over; `minutes` is bench time; `needless`
    counts dear parts fitted to machines that had none of the causes they mend;
    `wrong` counts repairs that had nothing to mend, whatever their price, and `in_vain` tells them
    by repair; `solved` is whether
    the machine left without a fault; `checks` how many were made, and `drawn` how many of them
    had a result that was not `recorded`.
    """

    money: Array
    minutes: Array
    needless: Array
    wrong: Array
    solved: Array
    checks: Array
    drawn: Array
    in_vain: Mapping[str, Array]


@dataclass(eq=False)
class Drawn:
    """Machines drawn from the network, to play a job on: groups are places in `states`.

    Repairs change `states`: give a copy to keep them. `helped` tells of each machine of the
    group repaired last whether it had any of the causes that the repair mends.
    """

    compiled: CompiledModel
    problem: Problem
    states: Ints
    rng: np.random.Generator
    helped: Flags = field(init=False)

    def begin(self) -> Ints:
        return np.arange(len(self.states))

    def look(
        self, check: int, group: Ints, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, Ints]]:
        network = self.compiled.network
        result = np.zeros(len(group), dtype=np.int64)
        for name in self.problem.checks[check].findings:
            number = network.index[name]
            result = result * network.cards[number] + self.states[group, number]
        return split(group, result)

    def repair(self, repair: int, group: Ints, fails: float) -> Iterable[tuple[int, Ints]]:
        causes = np.array(self.compiled.causes)
        held = self.states[group[:, None], causes]
        chance = self.problem.repairs[repair].mends[np.arange(len(causes)), held]
        self.helped = (chance > 0.0).any(axis=1)
        mended = self.rng.random(chance.shape) < chance
        changed = self.states[group].copy()
        changed[:, causes] = np.where(mended, 0, held)
        # The findings below the complaint are drawn with it still there.
        _draw(self.compiled, changed, self._downstream, self.rng)
        self.states[group] = changed
        passes = ~self.faulty(group) | (self.rng.random(len(group)) < self.problem.missed)
        return split(group, np.where(passes, PASSES, FAILS))

    def faulty(self, group: Ints) -> Flags:
        """Whether each machine has a cause present."""
        causes = np.array(self.compiled.causes)
        found: Flags = (self.states[group[:, None], causes] != 0).any(axis=1)
        return found

    @cached_property
    def _downstream(self) -> list[int]:
        """What a repair can change: all but causes, what lies above them, and histories."""
        network = self.compiled.network
        above = network.above(self.compiled.causes)
        roots = {number for number in network.order if not network.parents[number]}
        return [number for number in network.order if number not in above | roots]


def simulate(
    compiled: CompiledModel,
    problem: Problem,
    policy: Policy,
    shop: Shop,
    machines: Ints,
    rng: np.random.Generator,
    recorded: Flags | None = None,
) -> Outcome:
    """Follow a policy on drawn machines to the end of every ticket.

    `machines` are state numbers, shape (tickets, variables of the network), drawn with the
    findings that `problem` starts from; they are not changed. Tickets that have the same story
    share each decision. `recorded`, of their shape, marks states that are known to be so; all,
    unless given.
    """
    drawn = Drawn(compiled, problem, machines.copy(), rng)
    count = len(machines)
    money, minutes, needless = np.zeros(count), np.zeros(count), np.zeros(count)
    solved, checks = np.zeros(count), np.zeros(count)
    in_vain = {repair.name: np.zeros(count) for repair in problem.repairs}
    unseen = np.zeros(count)
    model = compiled.model
    home, stages = model.start, problem.stages

    def finish(stage: int, group: Ints, more: float | Array = 0.0) -> None:
        money[group] += problem.finish[stage] + more
        minutes[group] += compiled.routes[stages[stage], home].minutes

    for step in walk(problem, policy, drawn):
        group, here, number = step.group, stages[step.situation.stage], step.action.number
        money[group] += step.cost
        if step.action.kind == "check":
            check = model.checks_by_name[problem.checks[number].name]
            checks[group] += 1
            if recorded is not None:
                names = problem.checks[number].findings
                columns = [compiled.network.index[name] for name in names]
                unseen[group] += ~recorded[group][:, columns].all(axis=1)
            at = problem.checks[number].stage
            minutes[group] += compiled.routes[here, stages[at]].minutes + check.minutes
            for way in step.ways:
                if way.then is None:
                    # Held impossible: the machine is handed over.
                    finish(at, way.group, problem.give_up)
        elif step.action.kind == "repair":
            action = problem.repairs[number]
            repair = model.repairs_by_name[action.name]
            retest = model.retest.minutes if model.retest else 0.0
            minutes[group] += (
                compiled.routes[here, repair.stage].minutes
                + repair.minutes
                + compiled.routes[repair.stage, stages[action.test_stage]].minutes
                + retest
            )
            in_vain[action.name][group] += ~drawn.helped
            if repair.part.likely >= shop.dear_part:
                needless[group] += ~drawn.helped
            for way in step.ways:
                if way.result == PASSES:
                    faulty = drawn.faulty(way.group)
                    finish(action.test_stage, way.group, np.where(faulty, problem.comeback, 0.0))
                    solved[way.group] = ~faulty
                elif way.then is None:
                    finish(action.test_stage, way.group, problem.give_up)
        else:
            minutes[group] += compiled.routes[here, home].minutes
    wrong = sum(in_vain.values(), np.zeros(count))
    return Outcome(money, minutes, needless, wrong, solved, checks, unseen, in_vain)
