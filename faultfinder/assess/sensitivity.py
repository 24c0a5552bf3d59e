"""Which figures of a model the next check hangs on.

One-way sensitivity analysis: each figure is moved alone, its odds multiplied by a factor in
both directions, the rest of its row scaled to fill up, until another check is advised (or none
any more): the case is consulted anew for each, so this takes its time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

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
    case: Case, *, most: int = 10, progress: Callable[[int, int], None] | None = None
) -> Sensitivity:
    """The `most` figures on which the next check of a case hangs.

    `progress` is told how many figures of how many were looked at, round by round. Raises
    ImpossibleEvidence for findings that contradict each other.
    """
    advised = _Advised(case, _check(case))
    figures = figures_of(case.model.model)
    found: dict[int, dict[int, _Side]] = {number: {} for number in range(len(figures))}
    tried = 1.0
    for factor in GRID:
        for number, figure in enumerate(figures):
            for power in {-1, 1} - found[number].keys():
                check = advised(figure, factor**power)
                if check is not None and check != advised.now:
                    found[number][power] = (tried**power, factor**power, check)
            if progress is not None:
                progress(number + 1, len(figures))
        tried = factor
        if sum(bool(sides) for sides in found.values()) >= most:
            break
    hanging = {figures[number]: sides for number, sides in found.items() if sides}
    hinges = [
        Hinge(figure, *(_narrowed(advised, figure, sides.get(power)) for power in (-1, 1)))
        for figure, sides in hanging.items()
    ]
    hinges.sort(key=lambda hinge: hinge.margin)
    return Sensitivity(
        advised.now, case.findings, tuple(hinges[:most]), len(figures), len(hanging), tried
    )


_Side = tuple[float, float, str]
"""Factor at which nothing has changed yet, factor at which it has, and the check named there."""


@dataclass(frozen=True)
class _Advised:
    """The check that is advised on a case with a figure's odds multiplied; "" for none."""

    case: Case
    now: str

    def __call__(self, figure: Figure, factor: float) -> str | None:
        """None where all that was found would be impossible."""
        variable = self.case.model.model.by_name[figure.variable]
        moved = moved_variable(variable, figure, odds_times(figure.value, factor))
        try:
            return _check(replace(self.case, model=with_variable(self.case.model, moved)))
        except ImpossibleEvidence:
            return None


def _check(case: Case) -> str:
    step = consult(case).next_step
    return step.name if step is not None and step.kind == "check" else ""


def _narrowed(advised: _Advised, figure: Figure, side: _Side | None) -> Turn | None:
    """Narrow a change down by halving."""
    if side is None:
        return None
    low, high, check = side
    while abs(math.log(high / low)) > FINE:
        middle = math.sqrt(low * high)
        named = advised(figure, middle)
        if named is not None and named != advised.now:
            high, check = middle, named
        else:
            low = middle
    return Turn(high, odds_times(figure.value, high), check)
