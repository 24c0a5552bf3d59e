"""Where a round leads: what each result of its most telling check means, and the step after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Policy, after_check, start
from faultfinder.decide.together import Telling

LIKELY = 0.03
"""A result less likely than this is not followed."""

MOST = 4
"""Results that are followed at most, the likeliest."""


@dataclass(frozen=True)
class Lead:
    """A result of a check with its `chance`; the cause it makes likeliest, with its probability
    then; and the step after it (`kind` and `name` as of a next step), where the other checks of
    the round have told nothing new."""

    check: str
    result: str
    chance: float
    cause: str
    likely: float
    kind: str
    name: str


def leads_of(problem: Problem, policy: Policy, members: Sequence[str]) -> tuple[Lead, ...]:
    """Where the most telling check of a round leads; () where there is none."""
    places = [number for number, check in enumerate(problem.checks) if check.name in members]
    if not places:
        return ()
    bits = Telling(problem).bits(problem.weights)
    check = max(places, key=lambda number: float(bits[number]))
    found = []
    for result, chance, then in after_check(problem, start(problem), check):
        if chance >= LIKELY:
            then = replace(then, checked=then.checked | frozenset(places))
            found.append((chance, result, then))
    found.sort(key=lambda one: -one[0])
    leads = []
    for chance, result, then in found[:MOST]:
        held = then.weights @ (problem.scenarios != 0)
        cause = int(held.argmax())
        action = policy.decide(then)
        name = ""
        if action.number >= 0:
            of = problem.checks if action.kind == "check" else problem.repairs
            name = of[action.number].name
        leads.append(
            Lead(
                problem.checks[check].name,
                problem.checks[check].results[result],
                chance,
                problem.causes[cause],
                float(held[cause]),
                action.kind,
                name,
            )
        )
    return tuple(leads)
