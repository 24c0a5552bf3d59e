"""How often the advice stays when the model's figures move by what their basis allows.

A figure that counts for n tickets lies within about 1 / sqrt(n p (1 - p)) of its log odds (the
standard error of a logit). All figures of a model are moved at once, each by a normal step of that
size, and the same machine is consulted again. Normal noise in log odds on every figure of a network
is how Pradhan, Henrion, Provan, Del Favero & Huang (Artif. Intell. 85 (1996) 363) tried how much
imprecise figures matter; citation from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel, with_variable
from faultfinder.model.figures import figures_in, restated
from faultfinder.model.parts import worth_of_figure

if TYPE_CHECKING:
    from faultfinder.consultation.consult import Consultation

DRAWS = 10
"""Times that the figures are moved: enough for "in 8 of 10", while somebody waits."""

FARTHEST = 1.0
"""Standard deviation of a step, in log odds, at most: a figure that hardly counts is still no
guess out of the blue (a judgement, no source)."""

UNSAID = 10.0
"""Tickets that a figure without a basis counts for (a judgement, no source)."""

SEED = 1


@dataclass(frozen=True)
class Steadiness:
    """Of so many `draws`, in how many the next step stays the `same`, and in how many it is that or
    another check of the round (`near`). `other` is what is advised most often instead of the same
    step, "" for nothing."""

    draws: int
    same: int
    near: int
    other: str


def steadiness(told: Consultation, draws: int = DRAWS) -> Steadiness | None:
    """How steady the next step is; None where none is weighed."""
    step = told.next_step
    if told.advice is None or step is None or told.case.naming is not None:
        return None
    rng = np.random.default_rng(SEED)
    same = near = made = 0
    others: Counter[str] = Counter()
    for _ in range(draws):
        moved = replace(told, case=replace(told.case, model=drawn(told.case.model, rng)))
        try:
            found = moved.next_step
        except ImpossibleEvidence:
            continue
        made += 1
        if found is None:
            continue
        alike = (found.kind, found.name) == (step.kind, step.name)
        same += alike
        near += alike or found.name in told.round
        if not alike:
            others[found.name] += 1
    return Steadiness(made, same, near, max(others, key=lambda name: others[name], default=""))


def drawn(compiled: CompiledModel, rng: np.random.Generator) -> CompiledModel:
    """The model with each figure moved by a normal step in log odds; certain ones stay."""
    for variable in compiled.model.variables:
        stated = figures_in(compiled.model, variable)
        rows = [
            moved(one.gives, worth_of_figure(UNSAID, one.basis, variable.basis), rng)
            for one in stated
        ]
        if rows != [one.gives for one in stated]:
            compiled = with_variable(compiled, restated(variable, rows))
    return compiled


def moved(gives: Sequence[float], worth: float, rng: np.random.Generator) -> tuple[float, ...]:
    """A row of probabilities with the odds of each against the first possible one moved by a
    normal step; zeros stay, and the row sums to one."""
    row = np.asarray(gives, dtype=np.float64)
    possible = np.flatnonzero(row > 0.0)
    if len(possible) < 2:
        return tuple(gives)
    chances = row[possible]
    spread = 1.0 / np.sqrt(np.maximum(worth * chances * (1.0 - chances), 1e-12))
    steps = rng.normal(size=len(possible)) * np.minimum(spread, FARTHEST)
    steps[0] = 0.0
    row = row.copy()
    row[possible] *= np.exp(steps)
    return tuple((row / row.sum()).tolist())
