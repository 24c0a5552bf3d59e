"""The single chances that a model gives, and a variable with one of them moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.model.figures import Place, figures_in, restated
from faultfinder.model.parts import Basis, Dense, FaultModel, SimpleTest, Table, Variable


@dataclass(frozen=True)
class Figure:
    """One probability of a model file, strictly between 0 and 1.

    `part` is "chance", "leak", "link", "row", "sensitivity" or "specificity"; `where` says in words
    under which circumstances it holds, `state` which state of `variable` it is the chance of.
    `number` is the place of its row among the variable's figures.
    """

    variable: str
    part: str
    state: str
    value: float
    where: str
    basis: Basis | None
    number: int


def figures_of(model: FaultModel) -> tuple[Figure, ...]:
    """Every figure that can move, in the order of the model; full tables have none.

    Certain ones (0 and 1) are left out: no odds lead away from them. Of two chances that
    make up one, the one of the worse state stands for both (for a specificity the better one).
    """
    return tuple(
        Figure(
            variable.name,
            stated.place.kind,
            variable.states[at],
            stated.gives[at],
            _where(variable, stated.place, number),
            stated.basis or variable.basis,
            number,
        )
        for variable in model.variables
        if not isinstance(variable.distribution, Dense)
        for number, stated in enumerate(figures_in(model, variable))
        for at in _free(stated.gives, stated.place.kind)
    )


def _free(gives: Sequence[float], kind: str) -> list[int]:
    live = [place for place, chance in enumerate(gives) if 0.0 < chance < 1.0]
    if len(live) != 2:
        return live
    return live[:1] if kind == "specificity" else live[1:]


def _where(variable: Variable, place: Place, number: int) -> str:
    told = variable.distribution
    if isinstance(told, SimpleTest):
        shows = place.kind == "sensitivity"
        return f"{told.of}={'|'.join(told.shows)}" if shows else f"{told.of} otherwise"
    if isinstance(told, Table):
        when = told.rows[number].when
        said = ", ".join(f"{name}={'|'.join(states)}" for name, states in when.items())
        return said or ("otherwise" if number else "")
    if place.kind == "link":
        return f"{place.parent}={place.state} alone"
    return "without any of its causes" if variable.parents else ""


def odds_times(value: float, factor: float) -> float:
    """The probability whose odds are `factor` times those of `value`.

    >>> round(odds_times(0.5, 3.0), 6)
    0.75
    """
    return value * factor / (1.0 - value + value * factor)


def moved_variable(model: FaultModel, figure: Figure, value: float) -> Variable:
    """The variable of a figure with that at `value`; what else its row gives is scaled to fill up.

    Proportional covariation, as usual in sensitivity analysis of Bayesian networks (Renooij,
    Int. J. Approx. Reasoning 55 (2014) 1022).
    """
    variable = model.by_name[figure.variable]
    rows = [stated.gives for stated in figures_in(model, variable)]
    at = variable.states.index(figure.state)
    rows[figure.number] = _covaried(rows[figure.number], at, value)
    return restated(variable, rows)


def _covaried(gives: Sequence[float], place: int, value: float) -> tuple[float, ...]:
    scaled = np.asarray(gives, dtype=np.float64).copy()
    scaled[place] = 0.0
    scaled *= (1.0 - value) / scaled.sum()
    scaled[place] = value
    return tuple(scaled.tolist())
