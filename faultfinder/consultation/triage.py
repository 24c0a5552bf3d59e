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
from faultfinder.decide.abreast import Abreast, told_once
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.situation import start
from faultfinder.model.parts import Check

DRAWS = 100
"""Stories that an estimate goes by; fewer likely ones than machines drawn by chance would need."""


def minutes_to_decision(consultation: Consultation, without: Sequence[str] = ()) -> float:
    """Mean minutes of checks (ways included) until a machine is no longer checked on.

    Estimated over the advised step and then the simple policy that its figures rest on, each
    result followed as far as it is likely (see `faultfinder.decide.abreast`); the same question
    has the same answer. Checks that need a tool named in `without` are not made.
    """
    problem, model = consultation.problem, consultation.case.model.model
    by_name = model.checks_by_name
    terms, first = consultation.case.terms, consultation.action
    gone = [n for n, c in enumerate(problem.checks) if missing_tools(by_name[c.name], without)]
    if gone:
        problem = problem.without(gone)
        first = consultation.make_policy(problem, terms).decide(start(problem))
    per_minute = terms.cost(1.0, 0.0)
    if per_minute <= 0.0 or first.kind != "check":
        return 0.0
    if consultation.case.tried:
        problem = problem.for_checks()
    then, abreast = OneStep(problem, terms.worth_per_bit), Abreast(problem, 1.0 / DRAWS)
    own = np.array([c.cost - by_name[c.name].consumables - c.shop_share for c in problem.checks])
    stories, checks = told_once(problem, start(problem), 0), np.array([first.number])
    outcomes = None
    total = 0.0
    while len(stories):
        way = problem.travel[stories.stages, abreast.places[checks]]
        total += float(stories.chance @ (way + own[checks]))
        stories = abreast.check(stories, checks, outcomes)
        checks, outcomes = then.looked(stories.weights, stories.stages, stories.made)
        on = checks >= 0
        stories, checks, outcomes = stories.take(on), checks[on], outcomes[on]
    return total / per_minute


@dataclass(frozen=True, slots=True)
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
