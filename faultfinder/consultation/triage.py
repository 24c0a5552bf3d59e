"""How long a machine will take until it is decided what to do with it.

For dealing out work: the minutes of checking until the policy stops checking, not the
repair. Short jobs first keeps the mean waiting time least (W. E. Smith, Naval Research
Logistics Quarterly 3 (1956) 59, for one bench and equal weights).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.consultation.consult import Consultation
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.situation import Action, Situation, start
from faultfinder.decide.walk import FromScenarios, walk
from faultfinder.model.parts import Check

DRAWS = 100
"""Machines drawn for an estimate: its standard error is then about a minute."""


def minutes_to_decision(consultation: Consultation, without: Sequence[str] = ()) -> float:
    """Mean minutes of checks (ways included) until a machine is no longer checked on.

    Estimated by drawing DRAWS machines from the belief (systematically, so that the same
    question has the same answer) and following on each the advised step and then the simple
    policy that its figures rest on. Checks that need a tool named in `without` are not made.
    """
    problem, model = consultation.problem, consultation.case.model.model
    by_name = model.checks_by_name
    terms, first = consultation.case.terms, consultation.action
    gone = [n for n, c in enumerate(problem.checks) if missing_tools(by_name[c.name], without)]
    if gone:
        problem = problem.without(gone)
        first = consultation.make_policy(problem, terms).decide(start(problem))
    per_minute = terms.cost(1.0, 0.0)
    if per_minute <= 0.0:
        return 0.0
    places = (np.arange(DRAWS) + 0.5) / DRAWS
    truths = np.searchsorted(np.cumsum(problem.weights), places * float(problem.weights.sum()))
    truths = np.minimum(truths, len(problem.weights) - 1)
    machines = FromScenarios(problem, truths, np.random.default_rng(0))
    policy = _ChecksAlone(first, OneStep(problem, terms.worth_per_bit))
    total = 0.0
    for step in walk(problem, policy, machines, checks_only=True):
        if step.action.kind == "check":
            check = problem.checks[step.action.number]
            besides = by_name[check.name].consumables + check.shop_share
            total += (step.cost - besides) * len(step.group)
    return total / per_minute / DRAWS


@dataclass(frozen=True, eq=False)
class _ChecksAlone:
    """As `roll_out_once`, as far as the checks go: which repair then comes is not worked out."""

    first: Action
    then: OneStep

    def decide(self, situation: Situation) -> Action:
        if not situation.checked:
            return self.first
        return self.then.check(situation) or Action("hand over", -1, np.nan)


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
