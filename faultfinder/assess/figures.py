"""The single figures a model file gives, and the model with one of them moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.model.parts import (
    Basis,
    Dense,
    Distribution,
    FaultModel,
    Link,
    NoisyMax,
    Row,
    SimpleTest,
    Table,
    Variable,
)


@dataclass(frozen=True)
class Figure:
    """One probability of a model file, strictly between 0 and 1.

    `part` is "chance", "leak", "link", "row", "sensitivity" or "specificity"; `row` the
    number of a table's row, `parent` and `parent_state` those of a link. `where` says in words
    under which circumstances it holds, `state` which state of `variable` it is the chance of.
    """

    variable: str
    part: str
    state: str
    value: float
    where: str
    basis: Basis | None = None
    row: int = -1
    parent: str = ""
    parent_state: str = ""


def figures_of(model: FaultModel) -> tuple[Figure, ...]:
    """Every figure that can move, in the order of the model.

    Certain ones (0 and 1) are left out: no odds lead away from them. Of two chances that
    make up one, the one of the worse state stands for both.
    """
    figures: list[Figure] = []
    for variable in model.variables:
        distribution = variable.distribution
        if isinstance(distribution, SimpleTest):
            said = distribution.basis or variable.basis
            shows = "|".join(distribution.shows)
            for part, state, value, where in (
                ("sensitivity", 1, distribution.sensitivity, f"{distribution.of}={shows}"),
                ("specificity", 0, distribution.specificity, f"{distribution.of} otherwise"),
            ):
                if 0.0 < value < 1.0:
                    name = variable.states[state]
                    figures.append(Figure(variable.name, part, name, value, where, said))
        elif isinstance(distribution, Table):
            for number, row in enumerate(distribution.rows):
                part = "row" if distribution.parents else "chance"
                figures += [
                    Figure(
                        variable.name,
                        part,
                        variable.states[place],
                        row.gives[place],
                        _when(row, number, len(distribution.rows)),
                        row.basis or variable.basis,
                        row=number,
                    )
                    for place in _free(row.gives)
                ]
        elif isinstance(distribution, NoisyMax):
            figures += _noisy(variable, distribution)
    return tuple(figures)


def _noisy(variable: Variable, distribution: NoisyMax) -> list[Figure]:
    leak = distribution.leak
    figures = [
        Figure(
            variable.name,
            "leak",
            variable.states[place],
            leak.gives[place],
            "without any of its causes" if distribution.parents else "",
            leak.basis or variable.basis,
        )
        for place in _free(leak.gives)
    ]
    for parent, links in distribution.links.items():
        for parent_state, link in links.items():
            figures += [
                Figure(
                    variable.name,
                    "link",
                    variable.states[place],
                    link.gives[place],
                    f"{parent}={parent_state} alone",
                    link.basis or variable.basis,
                    parent=parent,
                    parent_state=parent_state,
                )
                for place in _free(link.gives)
            ]
    return figures


def _free(gives: Sequence[float]) -> list[int]:
    live = [place for place, chance in enumerate(gives) if 0.0 < chance < 1.0]
    return live[1:] if len(live) == 2 else live


def _when(row: Row, number: int, rows: int) -> str:
    if row.when:
        return ", ".join(f"{name}={'|'.join(states)}" for name, states in row.when.items())
    return "otherwise" if rows > 1 and number else ""


def odds_times(value: float, factor: float) -> float:
    """The probability whose odds are `factor` times those of `value`.

    >>> round(odds_times(0.5, 3.0), 6)
    0.75
    """
    return value * factor / (1.0 - value + value * factor)


def moved_variable(variable: Variable, figure: Figure, value: float) -> Variable:
    """The variable with one of its figures at `value`; what else its row gives is scaled to fill
    up.

    Proportional covariation, as usual in sensitivity analysis of Bayesian networks (Renooij,
    Int. J. Approx. Reasoning 55 (2014) 1022).
    """
    distribution: Distribution = variable.distribution
    place = variable.states.index(figure.state)
    if isinstance(distribution, SimpleTest):
        if figure.part == "sensitivity":
            distribution = replace(distribution, sensitivity=value)
        else:
            distribution = replace(distribution, specificity=value)
    elif isinstance(distribution, Table):
        rows = list(distribution.rows)
        rows[figure.row] = replace(
            rows[figure.row], gives=_covaried(rows[figure.row].gives, place, value)
        )
        distribution = replace(distribution, rows=tuple(rows))
    elif isinstance(distribution, NoisyMax) and figure.part == "leak":
        leak = replace(distribution.leak, gives=_covaried(distribution.leak.gives, place, value))
        distribution = replace(distribution, leak=leak)
    elif isinstance(distribution, NoisyMax):
        links: dict[str, dict[str, Link]] = {p: dict(s) for p, s in distribution.links.items()}
        link = links[figure.parent][figure.parent_state]
        links[figure.parent][figure.parent_state] = replace(
            link, gives=_covaried(link.gives, place, value)
        )
        distribution = replace(distribution, links=links)
    else:
        assert isinstance(distribution, Dense)
        raise ValueError(f"{variable.name} is a full table; it has no single figures.")
    return replace(variable, distribution=distribution)


def _covaried(gives: Sequence[float], place: int, value: float) -> tuple[float, ...]:
    scaled = np.asarray(gives, dtype=np.float64).copy()
    scaled[place] = 0.0
    scaled *= (1.0 - value) / scaled.sum()
    scaled[place] = value
    return tuple(scaled.tolist())
