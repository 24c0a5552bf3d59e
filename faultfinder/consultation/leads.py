"""Where a round leads: what each result of its most telling check means, and the step after it;
and what the things told already suggest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Policy, Situation, decide_each
from faultfinder.decide.together import Telling
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel

LIKELY = 0.03
"""A result less likely than this is not followed."""

MOST = 4
"""Results that are followed at most, the likeliest."""

TRIED, NAMED = 2, 2
"""Findings that are followed, and causes named of each result."""

LIKELIER_THAN_NOT = 0.5
"""A repair that is right less often is not named: a dear part is ordered on such a word."""

WORTH_NAMING = 0.25
"""A cause less likely than this share of the likeliest is not named beside it."""


@dataclass(frozen=True)
class Lead:
    """A result of one finding of a check, as "finding=result" where the check brings several,
    with its `chance`; the causes that it makes likeliest, with their probabilities then; the
    step after it (`kind` and `name` as of a next step, "" where it was not worked out), where the
    other checks of the round have told nothing new; and the `repair` that is then right
    more likely than not ("": none)."""

    check: str
    result: str
    chance: float
    causes: Mapping[str, float]
    kind: str
    name: str
    repair: str


@dataclass(frozen=True, eq=False)
class _Finding:
    """One finding of a check of the problem: P(result | scenario) of each of its results."""

    check: int
    results: tuple[str, ...]
    likelihood: Array


def leads_of(problem: Problem, policy: Policy | None, members: Sequence[str]) -> tuple[Lead, ...]:
    """Where the most telling finding of a round leads, the first whose results lead to more
    than one step (without a policy: to more than one cause or repair); () where there is none."""
    places = [number for number, check in enumerate(problem.checks) if check.name in members]
    telling = Telling(problem)
    findings = [finding for place in places for finding in _findings(problem, place)]
    before = problem.weights[None]
    findings.sort(key=lambda one: -float(telling.more_by(one.likelihood, before)[0]))
    first: tuple[Lead, ...] = ()
    for finding in findings[:TRIED]:
        found = _leads(problem, policy, finding, frozenset(places))
        ends = {
            (next(iter(lead.causes), ""), lead.repair) if policy is None else (lead.kind, lead.name)
            for lead in found
        }
        if len(ends) > 1:
            return found
        first = first or found
    return first


def _findings(problem: Problem, check: int) -> list[_Finding]:
    """The findings of a check, each by itself: its joint results put together by one of them."""
    action = problem.checks[check]
    labels = [tuple(label.split(", ")) for label in action.results]
    found = []
    for column in zip(*labels, strict=True):
        results = tuple(dict.fromkeys(column))
        rows = [[label == result for label in column] for result in results]
        found.append(_Finding(check, results, np.array(rows, dtype=np.float64) @ action.likelihood))
    return found


def _leads(
    problem: Problem, policy: Policy | None, finding: _Finding, members: frozenset[int]
) -> tuple[Lead, ...]:
    check = problem.checks[finding.check]
    joint = finding.likelihood * problem.weights
    chances = joint.sum(axis=1)
    likeliest = [n for n in np.argsort(-chances, kind="stable").tolist() if chances[n] >= LIKELY]
    likeliest = likeliest[:MOST]
    after = [Situation(joint[n] / chances[n], check.stage, members) for n in likeliest]
    steps = [None] * len(after) if policy is None else decide_each(policy, after)
    leads = []
    for number, then, action in zip(likeliest, after, steps, strict=True):
        held = then.weights @ (problem.scenarios != 0)
        causes = np.argsort(-held, kind="stable")[:NAMED].tolist()
        kind, name = "", ""
        if action is not None:
            kind = action.kind
            if action.number >= 0:
                of = problem.checks if kind == "check" else problem.repairs
                name = of[action.number].name
        leads.append(
            Lead(
                check.name,
                finding.results[number],
                float(chances[number]),
                {
                    problem.causes[cause]: float(held[cause])
                    for cause in causes
                    if held[cause] >= WORTH_NAMING * held[causes[0]]
                },
                kind,
                name,
                _right(problem, then.weights),
            )
        )
    return tuple(leads)


def _right(problem: Problem, weights: Array) -> str:
    """The repair that is right more likely than not, or "" where that is none of them."""
    shares = np.bincount(problem.right_repair, weights)
    right = int(shares.argmax())
    if right >= len(problem.repairs) or shares[right] < LIKELIER_THAN_NOT * shares.sum():
        return ""
    return problem.repairs[right].name


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
