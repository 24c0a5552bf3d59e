"""Which figures of a model the next check hangs on.

One-way sensitivity analysis: each figure is moved alone, its odds multiplied by a factor in
both directions, the rest of its row scaled to fill up, until another check is advised (or none
any more): the case is consulted anew for each, so this takes its time.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from faultfinder.assess.figures import Figure, figures_of, moved_variable, odds_times
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import with_variable

FARTHEST = 100.0
"""Factor on the odds up to which a figure is moved."""

GRID = (2.0, 6.5, FARTHEST)
"""Factors tried first, by rounds: a round is the last when enough figures have changed the
check. One that is advised only between two of the factors is not seen."""

FINE = 1e-3
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

    `moved` figures were tried of the `of` that the model has, `hanging` of them change the
    advice within a factor of `farthest` on their odds.
    """

    check: str
    findings: Mapping[str, str]
    hinges: tuple[Hinge, ...]
    moved: int
    hanging: int
    farthest: float
    of: int


Run = Callable[[Callable[[Any], Any], Sequence[Any]], Iterable[Any]]
"""Does the same work for many things, in order: `map`, or what spreads it over cores."""


def sensitivity(
    case: Case,
    *,
    most: int = 10,
    sample: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    run: Run = map,
) -> Sensitivity:
    """The `most` figures on which the next check of a case hangs.

    With `sample` only so many figures are moved, drawn at random (the same each time).
    `progress` is told how many figures of how many were looked at, round by round. Raises
    ImpossibleEvidence for findings that contradict each other.
    """
    advised = _Advised(case, _check(case))
    figures: Sequence[Figure] = figures_of(case.model.model)
    of = len(figures)
    if sample is not None and sample < of:
        figures = random.Random(0).sample(figures, sample)
    found: dict[int, dict[int, _Side]] = {number: {} for number in range(len(figures))}
    tried = 1.0
    for factor in GRID:
        places = [
            (number, power) for number, sides in found.items() for power in {-1, 1} - sides.keys()
        ]
        tasks = [(figures[number], factor**power) for number, power in places]
        for (number, power), check in zip(places, run(advised, tasks), strict=True):
            if check is not None and check != advised.now:
                found[number][power] = (tried**power, factor**power, check)
            if progress is not None:
                progress(number + 1, len(figures))
        tried = factor
        if sum(bool(sides) for sides in found.values()) >= most:
            break
    hanging = {figures[number]: sides for number, sides in found.items() if sides}
    hinges = [
        Hinge(figure, *(_turn(figure, sides.get(power)) for power in (-1, 1)))
        for figure, sides in _narrowed(advised, hanging, most, run).items()
    ]
    hinges.sort(key=lambda hinge: hinge.margin)
    return Sensitivity(
        advised.now, case.findings, tuple(hinges[:most]), len(figures), len(hanging), tried, of
    )


_Side = tuple[float, float, str]
"""Factor at which nothing has changed yet, factor at which it has, and the check named there."""


@dataclass(frozen=True)
class _Advised:
    """The check that is advised on a case with a figure's odds multiplied; "" for none."""

    case: Case
    now: str

    def __call__(self, task: tuple[Figure, float]) -> str | None:
        """None where all that was found would be impossible."""
        figure, factor = task
        value = odds_times(figure.value, factor)
        moved = moved_variable(self.case.model.model, figure, value)
        try:
            return _check(replace(self.case, model=with_variable(self.case.model, moved)))
        except ImpossibleEvidence:
            return None


def _check(case: Case) -> str:
    step = consult(case).next_step
    return step.name if step is not None and step.kind == "check" else ""


def _narrowed(
    advised: _Advised, hanging: Mapping[Figure, dict[int, _Side]], most: int, run: Run
) -> dict[Figure, dict[int, _Side]]:
    """The changes narrowed down by halving, of the figures that can be among the `most` with
    the smallest margins."""
    left = {figure: dict(sides) for figure, sides in hanging.items()}
    while True:
        margins = sorted(
            min(_far(high) for _, high, _ in sides.values()) for sides in left.values()
        )
        farthest = margins[most - 1] if len(margins) > most else math.inf
        left = {
            figure: sides
            for figure, sides in left.items()
            if min(_far(low) for low, _, _ in sides.values()) <= farthest
        }
        wide = [
            (figure, power)
            for figure, sides in left.items()
            for power, (low, high, _) in sides.items()
            if abs(math.log(high / low)) > FINE
        ]
        if not wide:
            return left
        middles = [
            math.sqrt(left[figure][power][0] * left[figure][power][1]) for figure, power in wide
        ]
        tasks = [(figure, middle) for (figure, _), middle in zip(wide, middles, strict=True)]
        for (figure, power), middle, check in zip(wide, middles, run(advised, tasks), strict=True):
            low, high, named = left[figure][power]
            changed = check is not None and check != advised.now
            left[figure][power] = (low, middle, check) if changed else (middle, high, named)


def _far(factor: float) -> float:
    return max(factor, 1.0 / factor)


def _turn(figure: Figure, side: _Side | None) -> Turn | None:
    return None if side is None else Turn(side[1], odds_times(figure.value, side[1]), side[2])
