"""Which figures of a model the next check hangs on.

One-way sensitivity analysis: each figure is moved alone, its odds multiplied by a factor in
both directions, the rest of its row scaled to fill up, until another check leads. The check
is the one with most bits per cost that is worth its cost (or none), as in a ranking by
information; beliefs are exact.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.assess.figures import Figure, figures_of, odds_times
from faultfinder.assess.moved_ranking import MovedRanking
from faultfinder.consultation.case import read_results
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import find_stage
from faultfinder.model.parts import Kind

FARTHEST = 100.0
"""Factor on the odds up to which a figure is moved."""

GRID = ((1.02, 1.05, 1.1, 1.2, 1.35, 1.6, 2.0), (2.7, 4.0, 6.5), (12.0, 30.0, FARTHEST))
"""Factors tried first, by rounds: a round is the last when enough figures have changed the
check. One that leads only between two of the factors is not seen."""

FINE = 1e-4
"""Relative width to which a change is narrowed down."""


@dataclass(frozen=True)
class Turn:
    """Where the advice changes in one direction.

    `factor` is that on the odds (above 1 or below it), `value` the figure there, `check` what
    is named beyond it ("" for none).
    """

    factor: float
    value: float
    check: str


@dataclass(frozen=True)
class Hinge:
    """A figure and how far it may move before another check is named.

    `up` and `down` are None where nothing changes up to the farthest factor tried.
    """

    figure: Figure
    down: Turn | None
    up: Turn | None

    @property
    def margin(self) -> float:
        """The smaller factor on the odds (at least 1) at which the advice changes."""
        found = [max(t.factor, 1.0 / t.factor) for t in (self.down, self.up) if t is not None]
        return min(found, default=math.inf)


@dataclass(frozen=True)
class Sensitivity:
    """The figures with the smallest margin first. `check` is named now ("" for none).

    `moved` figures were tried, `hanging` of them change the advice within a factor of
    `farthest` on their odds.
    """

    check: str
    findings: Mapping[str, str]
    hinges: tuple[Hinge, ...]
    moved: int
    hanging: int
    farthest: float


def sensitivity(
    compiled: CompiledModel,
    findings: Mapping[str, str | None] | None = None,
    *,
    stage: str | None = None,
    shop: Shop | None = None,
    most: int = 10,
) -> Sensitivity:
    """The `most` figures on which the next check hangs.

    Questions for the counter are not ranked where there are other checks. Raises MisuseError
    for unknown names, ImpossibleEvidence for findings that contradict each other.
    """
    results = read_results(compiled, (findings or {}).items())
    known = {name: result for name, result in results.items() if result is not None}
    unclear = tuple(name for name, result in results.items() if result is None)
    ranking = MovedRanking.start(
        compiled, known, unclear, find_stage(compiled.model, stage), shop or Shop(),
        ranked_checks(compiled),
    )  # fmt: skip
    figures = figures_of(compiled.model)
    brackets: list[_Bracket] = [(None, None)] * len(figures)
    farthest = 1.0
    for steps in GRID:
        brackets = [
            _further(ranking, figure, bracket, farthest, steps)
            for figure, bracket in zip(figures, brackets, strict=True)
        ]
        farthest = steps[-1]
        if sum(any(bracket) for bracket in brackets) >= most:
            break
    hanging = [(f, b) for f, b in zip(figures, brackets, strict=True) if any(b)]
    # Only those that may belong to the first ones are narrowed down.
    surest = sorted(_nearest(bracket)[1] for _, bracket in hanging)
    bound = surest[min(most, len(surest)) - 1] if surest else 0.0
    hinges = [
        Hinge(figure, *(_narrowed(ranking, figure, side) for side in bracket))
        for figure, bracket in hanging
        if _nearest(bracket)[0] <= bound
    ]
    hinges.sort(key=lambda hinge: hinge.margin)
    return Sensitivity(
        ranking.leader, known, tuple(hinges[:most]), len(figures), len(hanging), farthest
    )


def ranked_checks(compiled: CompiledModel) -> tuple[str, ...]:
    """The checks that compete: no questions for the counter, unless there is nothing else."""
    histories = {variable.name for variable in compiled.model.of_kind(Kind.HISTORY)}
    names = [c.name for c in compiled.model.checks if not histories.issuperset(c.observes)]
    return tuple(names or [check.name for check in compiled.model.checks])


_Side = tuple[float, float, str]
"""Factor at which nothing has changed yet, factor at which it has, and the check named there."""


_Bracket = tuple[_Side | None, _Side | None]
"""Between which factors the advice first changes: (downwards, upwards)."""


def _further(
    ranking: MovedRanking, figure: Figure, bracket: _Bracket, tried: float, steps: Sequence[float]
) -> _Bracket:
    """Look further out, from the factor `tried` on, where nothing has changed yet."""
    ways = [power for power, side in zip((-1, 1), bracket, strict=True) if side is None]
    factors = [step**power for power in ways for step in steps]
    if not factors:
        return bracket
    told = ranking.leaders(figure, [odds_times(figure.value, factor) for factor in factors])
    found = dict(zip((-1, 1), bracket, strict=True))
    for number, power in enumerate(ways):
        before = tried**power
        begin = number * len(steps)
        for factor, check in zip(
            factors[begin : begin + len(steps)], told[begin : begin + len(steps)], strict=True
        ):
            if check is not None and check != ranking.leader:
                found[power] = (before, factor, check)
                break
            before = factor
    return found[-1], found[1]


def _nearest(bracket: Collection[_Side | None]) -> tuple[float, float]:
    """The smallest factors (at least 1) that a bracket allows: (surely unchanged, changed)."""
    sides = [side for side in bracket if side is not None]
    return (
        min(max(side[0], 1.0 / side[0]) for side in sides),
        min(max(side[1], 1.0 / side[1]) for side in sides),
    )


def _narrowed(ranking: MovedRanking, figure: Figure, side: _Side | None) -> Turn | None:
    """Narrow a bracket down, nine steps at a time."""
    if side is None:
        return None
    low, high, check = side
    while abs(math.log(high / low)) > FINE:
        steps: Sequence[float] = np.geomspace(low, high, 11)[1:-1].tolist()
        told = ranking.leaders(figure, [odds_times(figure.value, step) for step in steps])
        for step, named in zip(steps, told, strict=True):
            if named is not None and named != ranking.leader:
                high, check = step, named
                break
            low = step
    return Turn(high, odds_times(figure.value, high), check)
