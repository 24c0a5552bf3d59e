"""Which causes' chances the advised step hangs on.

A base rate and how often a cause shows what was found enter its odds as factors, so that moving
any of its figures moves the odds of the cause against all else, whichever it is: one cause at a
time, in both directions, until another step is advised (one-way sensitivity analysis, on the
posterior odds).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import start

if TYPE_CHECKING:
    from faultfinder.consultation.consult import Consultation

CAUSES = 4
"""Causes that are tried, the likeliest."""

FACTORS = (1.5, 3.0)
"""Factors on the odds that are tried, up and down, from small to large."""

TIPS = 2
"""Causes that are named."""


@dataclass(frozen=True)
class Tip:
    """A cause with its `chance` and the first of the factors on its odds at which the step changes:
    its chance there (`then`), and the step, by `kind` and `name` as of a next step."""

    cause: str
    chance: float
    then: float
    kind: str
    name: str


def tips(told: Consultation) -> tuple[Tip, ...]:
    """The causes whose chances would change the step first; () where none of the factors does, and
    where no step is weighed or a look comes before all else."""
    step = told.next_step
    if told.advice is None or step is None or told.case.naming is not None or told.first_look:
        return ()
    problem, found = told.problem, dict[str, Tip]()
    held = problem.weights @ (problem.scenarios != 0)
    causes = np.argsort(-held, kind="stable")[:CAUSES].tolist()
    for cause, moved in _moved(problem, causes):
        name = problem.causes[cause]
        if name in found:
            continue
        policy = told.make_policy(moved, told.case.terms)
        action = policy.decide(start(moved))
        parts = moved.checks if action.kind == "check" else moved.repairs
        to = parts[action.number].name if action.number >= 0 else ""
        if (action.kind, to) == (step.kind, step.name) or to in told.round:
            continue
        then = float(moved.weights @ (moved.scenarios[:, cause] != 0))
        found[name] = Tip(name, float(held[cause]), then, action.kind, to)
        if len(found) == TIPS:
            break
    return tuple(found.values())


def _moved(problem: Problem, causes: list[int]) -> Iterator[tuple[int, Problem]]:
    """The problem with the odds of each cause moved, by the smallest factors first."""
    for factor in FACTORS:
        for cause in causes:
            present = problem.scenarios[:, cause] != 0
            for one in (factor, 1.0 / factor):
                weights = problem.weights * np.where(present, one, 1.0)
                yield cause, replace(problem, weights=weights / weights.sum())
