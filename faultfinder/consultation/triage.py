"""How long a machine will take until it is decided what to do with it.

For dealing out work: the minutes of checking until the policy stops checking, not the
repair. Short jobs first keeps the mean waiting time least (W. E. Smith, Naval Research
Logistics Quarterly 3 (1956) 59, for one bench and equal weights).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.decide.policies.planners import OneStep, after_check, check_cost, start
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.model.parts import Check, FaultModel

DRAWS = 100
"""Machines drawn for an estimate: its standard error is then about a minute."""


def minutes_to_decision(
    problem: Problem, shop: Shop, model: FaultModel, possible: Callable[[Check], bool]
) -> float:
    """Mean minutes of checks (ways included) until the one-step policy stops checking.

    Estimated by drawing DRAWS machines from the belief (systematically, so that the same
    question has the same answer) and following the policy on each; a full tree has many
    rare, long branches. Only checks that are `possible` count: those for which the tools
    are here.
    """
    by_name = model.checks_by_name
    checks = tuple(action for action in problem.checks if possible(by_name[action.name]))
    kept = replace(problem, checks=checks)
    policy = OneStep(kept, shop.worth_per_bit)
    per_minute = shop.cost(1.0, 0.0)
    if per_minute <= 0.0:
        return 0.0
    rng = np.random.default_rng(0)
    places = (np.arange(DRAWS) + 0.5) / DRAWS
    truths = np.searchsorted(np.cumsum(kept.weights), places * float(kept.weights.sum()))
    total = 0.0
    # Machines with the same results so far are followed together.
    together = [(start(kept), np.minimum(truths, len(kept.weights) - 1))]
    while together:
        situation, machines = together.pop()
        action = policy.decide(situation)
        if action.kind != "check":
            continue
        check = kept.checks[action.number]
        money = check_cost(kept, situation, action.number) - by_name[check.name].consumables
        total += money * len(machines)
        bounds = np.cumsum(check.likelihood[:, machines], axis=0)
        results = (rng.random(len(machines)) * bounds[-1] >= bounds).sum(axis=0)
        for result, _, then in after_check(kept, situation, action.number):
            same = machines[results == result]
            if len(same):
                together.append((then, same))
    return total / per_minute / DRAWS


@dataclass(frozen=True)
class Turn:
    """When a ticket's turn comes: `bench` counts from 1, `begins` is in minutes from now."""

    ticket: int
    minutes: float
    bench: int
    begins: float


def deal(jobs: Iterable[tuple[int, float]], benches: int) -> tuple[Turn, ...]:
    """Jobs (ticket, minutes) dealt out to benches, the shortest first, each to the bench that
    is free first."""
    free: list[tuple[float, int]] = [(0.0, bench) for bench in range(1, benches + 1)]
    turns = []
    for ticket, minutes in sorted(jobs, key=lambda job: (job[1], job[0])):
        begins, bench = heapq.heappop(free)
        turns.append(Turn(ticket, minutes, bench, begins))
        heapq.heappush(free, (begins + minutes, bench))
    return tuple(turns)


def missing_tools(check: Check, without: Sequence[str]) -> bool:
    """Whether the check needs a tool that is not here (named by a part of its words)."""
    have = [tool.casefold() for tool in check.tools]
    return any(word.casefold() in tool for word in without for tool in have)
