"""Where a round leads: what each result of its most telling check means, and the step after it;
and what the things told already suggest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Policy, after_check, start
from faultfinder.decide.together import Telling
from faultfinder.model.parts import FaultModel

LIKELY = 0.03
"""A result less likely than this is not followed."""

MOST = 4
"""Results that are followed at most, the likeliest."""

TRIED, NAMED = 2, 2
"""Checks that are followed, and causes named of each result."""


@dataclass(frozen=True)
class Lead:
    """A result of a check with its `chance`; the causes that it makes likeliest, with their
    probabilities then; and the step after it (`kind` and `name` as of a next step), where the
    other checks of the round have told nothing new."""

    check: str
    result: str
    chance: float
    causes: Mapping[str, float]
    kind: str
    name: str


def leads_of(problem: Problem, policy: Policy, members: Sequence[str]) -> tuple[Lead, ...]:
    """Where the most telling check of a round leads, the first whose results lead to more than
    one step; () where there is none."""
    places = [number for number, check in enumerate(problem.checks) if check.name in members]
    bits = Telling(problem).bits(problem.weights)
    telling = sorted(places, key=lambda number: -float(bits[number]))[:TRIED]
    first: tuple[Lead, ...] = ()
    for check in telling:
        found = _leads(problem, policy, check, frozenset(places))
        if len({(lead.kind, lead.name) for lead in found}) > 1:
            return found
        first = first or found
    return first


def _leads(
    problem: Problem, policy: Policy, check: int, members: frozenset[int]
) -> tuple[Lead, ...]:
    found = []
    for result, chance, then in after_check(problem, start(problem), check):
        if chance >= LIKELY:
            then = replace(then, checked=then.checked | members)
            found.append((chance, result, then))
    found.sort(key=lambda one: -one[0])
    leads = []
    for chance, result, then in found[:MOST]:
        held = then.weights @ (problem.scenarios != 0)
        causes = np.argsort(-held, kind="stable")[:NAMED]
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
                {problem.causes[cause]: float(held[cause]) for cause in causes},
                action.kind,
                name,
            )
        )
    return tuple(leads)


def suggestions_of(model: FaultModel, results: Mapping[str, str | None]) -> dict[str, str]:
    """What the results suggest in the model's words: finding -> words, the last told first."""
    says = {
        (finding, result): words
        for check in model.checks
        for finding, of in check.suggests.items()
        for result, words in of.items()
    }
    told = [(name, result) for name, result in reversed([*results.items()]) if result is not None]
    return {name: says[name, result] for name, result in told if (name, result) in says}
