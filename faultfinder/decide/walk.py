"""The one loop that plays a job: choose, do, see what it shows, until it ends.

What it is played on is a `Machines`: one machine, many that are followed together while they
have the same story, or every result at once with its probability. The loop knows nothing of
them but how they split.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import (
    Action,
    Policy,
    Situation,
    after_check,
    after_no_result,
    after_repair,
    check_cost,
    start,
)
from faultfinder.model.network import Array, Ints

Group = TypeVar("Group")
"""Those on whom everything has gone alike so far: places of machines, or a probability."""

PASSES, FAILS = 1, 0
"""What the powered look after a repair can show."""

UNTOLD = -1
"""What a check shows that was made in vain: its result could not be told."""


class Machines(Protocol[Group]):
    """What a job is played on."""

    def begin(self) -> Group:
        """All of them."""
        ...

    def look(
        self, check: int, group: Group, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, Group]]:
        """What a check shows on them, as (number of the result or UNTOLD, those that show it).

        `chances` are the results that are believed possible, with their probabilities.
        """
        ...

    def repair(self, repair: int, group: Group, fails: float) -> Iterable[tuple[int, Group]]:
        """What the powered look after a repair shows: (PASSES or FAILS, those that show it).

        `fails` is the probability that the look is believed to fail with.
        """
        ...


@dataclass(frozen=True, eq=False)
class Way(Generic[Group]):
    """One thing that a step showed: `result` is the number of the check's result, or PASSES or
    FAILS after a repair. `then` is the situation after it; None where the job is over, or
    where what was seen is believed to be impossible."""

    result: int
    group: Group
    then: Situation | None


@dataclass(frozen=True, eq=False)
class Step(Generic[Group]):
    """One step of a job.

    `situation` is where it stood before, `action` what was chosen, `group` those it was done
    on, `ways` what it showed. `cost` is its money: the way there included, and for handing
    over what that and closing up cost. `why` tells that the job was left there ("" else: the
    action was taken). `number` counts the steps, `before` is that of the step that led here by
    its way number `way` (-1 for the first).
    """

    number: int
    before: int
    way: int
    situation: Situation
    action: Action
    group: Group
    cost: float
    ways: tuple[Way[Group], ...] = ()
    why: str = ""


def walk(
    problem: Problem,
    policy: Policy,
    machines: Machines[Group],
    *,
    until: Callable[[Situation, Group], str] | None = None,
    checks_only: bool = False,
) -> Iterator[Step[Group]]:
    """Follow a policy on machines, step by step, every story to its end, the first ways first.

    `until` is asked before each choice: a reason ends the story there. With `checks_only` it
    ends where the policy would stop checking; that last step is yielded and not taken.
    """
    waiting: list[tuple[Situation, Group, int, int]] = [(start(problem), machines.begin(), -1, -1)]
    number = 0
    while waiting:
        situation, group, before, way = waiting.pop()
        why = until(situation, group) if until is not None else ""
        cost, ways = 0.0, list[Way[Group]]()
        if why:
            action = Action("stop", -1, np.nan)
        else:
            action = policy.decide(situation)
            if action.kind == "check":
                cost, ways = _check(problem, situation, action.number, machines, group)
            elif checks_only:
                why = "no check is chosen"
            elif action.kind == "repair":
                cost, ways = _repair(problem, situation, action.number, machines, group)
            elif action.kind == "name":
                cost = float(problem.finish[situation.stage])
            else:
                cost = problem.give_up + float(problem.finish[situation.stage])
        yield Step(number, before, way, situation, action, group, cost, tuple(ways), why)
        waiting += [
            (one.then, one.group, number, place)
            for place, one in reversed(list(enumerate(ways)))
            if one.then is not None
        ]
        number += 1


def _check(
    problem: Problem, situation: Situation, check: int, machines: Machines[Group], group: Group
) -> tuple[float, list[Way[Group]]]:
    chances, thens = dict[int, float](), {UNTOLD: after_no_result(problem, situation, check)}
    for result, chance, then in after_check(problem, situation, check):
        chances[result], thens[result] = chance, then
    ways = [
        Way(result, some, thens.get(result))
        for result, some in machines.look(check, group, chances)
    ]
    return check_cost(problem, situation, check), ways


def _repair(
    problem: Problem, situation: Situation, repair: int, machines: Machines[Group], group: Group
) -> tuple[float, list[Way[Group]]]:
    _, _, fails, then = after_repair(problem, situation, repair)
    ways = [
        Way(result, some, then if result == FAILS else None)
        for result, some in machines.repair(repair, group, fails)
    ]
    return float(problem.act_cost[situation.stage, repair]), ways


class EveryResult:
    """Every result that is believed possible is followed; a group is its probability."""

    def begin(self) -> float:
        return 1.0

    def look(
        self, check: int, group: float, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, float]]:
        return [(result, group * p) for result, p in chances.items()]

    def repair(self, repair: int, group: float, fails: float) -> Iterable[tuple[int, float]]:
        told = [(PASSES, group * (1.0 - fails)), (FAILS, group * fails)]
        return [(result, p) for result, p in told if p > 0.0]


@dataclass(frozen=True, eq=False)
class FromScenarios:
    """Machines with known joint states of the causes (rows of the problem's scenarios), for
    checks alone: what a check shows is drawn as the problem has it. Groups are places of
    machines in `truths`."""

    problem: Problem
    truths: Ints
    rng: np.random.Generator

    def begin(self) -> Ints:
        return np.arange(len(self.truths))

    def look(
        self, check: int, group: Ints, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, Ints]]:
        shares: Array = self.problem.checks[check].likelihood[:, self.truths[group]]
        bounds = np.cumsum(shares, axis=0)
        results = (self.rng.random(len(group)) * bounds[-1] >= bounds).sum(axis=0)
        return split(group, results)

    def repair(self, repair: int, group: Ints, fails: float) -> Iterable[tuple[int, Ints]]:
        raise NotImplementedError("These machines are only looked at.")


def split(group: Ints, results: Ints) -> list[tuple[int, Ints]]:
    """Places of machines by their result."""
    return [
        (result, group[results == result])
        for result in np.flatnonzero(np.bincount(results)).tolist()
    ]


def closing_cost(problem: Problem, step: Step[float]) -> float:
    """What is expected to come on top where the look after a repair passes: closing up, and
    the comebacks that slip through it; or where a name is wrong. Nothing after other actions."""
    if step.action.kind == "name" and problem.names is not None:
        return problem.names.best(step.situation.weights)[1]
    if step.action.kind != "repair" or step.why:
        return 0.0
    passes, slipped, _, _ = after_repair(problem, step.situation, step.action.number)
    stage = problem.repairs[step.action.number].test_stage
    return passes * float(problem.finish[stage]) + slipped * problem.comeback
