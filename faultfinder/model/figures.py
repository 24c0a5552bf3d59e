"""The figures of a model: the chances that its file gives in each place, and others put there.

One place is one vector of chances: a base rate, a table row, a noisy link, a leak, a sensitivity.
Learning, sensitivity and steadiness all go by this list.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from faultfinder.frozen import frozen
from faultfinder.model.parts import (
    Basis,
    Dense,
    Distribution,
    FaultModel,
    FirstOf,
    Link,
    NoisyMax,
    Row,
    SimpleTest,
    Table,
    Variable,
)


@frozen
class Place:
    """Where a figure stands in the model.

    `kind` is chance, row, link, leak, sensitivity, specificity or dense. `row` is the
    number of a table's row in the file's order, or the flat number of the parents' joint
    state (dense); `parent` and `state` name the parent's state of a link; `key` is the key of a
    row that stands under `figures`, and `held` the same with each state named for which it speaks.
    """

    variable: str
    kind: str
    row: int | None = None
    parent: str | None = None
    state: str | None = None
    key: str = ""
    held: str = ""

    def __str__(self) -> str:
        if self.kind == "link":
            return f"{self.variable}, link from {self.parent}={self.state}"
        if self.key:
            return f"{self.variable}, figures of {self.key}"
        if self.kind in ("row", "dense") and self.row is not None:
            return f"{self.variable}, row {self.row + 1}"
        return f"{self.variable}, {self.kind}"


@frozen
class Stated:
    """A figure as the file states it: `gives` are the chances of the variable's states, `basis`
    where it comes from, if that stands right beside it."""

    place: Place
    gives: tuple[float, ...]
    basis: Basis | None = None


def figures_in(model: FaultModel, variable: Variable) -> list[Stated]:
    """The figures of one variable in the order of the file, the leak before links; none where
    everything is certain by its form (`first_of`)."""
    told, name = variable.distribution, variable.name
    if isinstance(told, NoisyMax):
        found = [Stated(Place(name, "leak"), told.leak.gives, told.leak.basis)]
        found += [
            Stated(Place(name, "link", parent=parent, state=state), link.gives, link.basis)
            for parent in told.parents
            for state, link in told.links.get(parent, {}).items()
        ]
        return found
    if isinstance(told, SimpleTest):
        shown = (1.0 - told.sensitivity, told.sensitivity)
        other = (told.specificity, 1.0 - told.specificity)
        return [
            Stated(Place(name, "sensitivity"), shown, told.basis),
            Stated(Place(name, "specificity"), other, told.basis),
        ]
    if isinstance(told, Table):
        kind = "row" if told.parents else "chance"
        return [
            Stated(
                Place(
                    name,
                    kind,
                    number if told.parents else None,
                    key=row.key,
                    held=_held(model, row, told.parents),
                ),
                row.gives,
                row.basis,
            )
            for number, row in enumerate(told.rows)
        ]
    if isinstance(told, Dense):
        rows = np.reshape(told.values, (-1, len(variable.states))).tolist()
        if not told.parents:
            return [Stated(Place(name, "chance"), tuple(rows[0]))]
        return [Stated(Place(name, "dense", n), tuple(row)) for n, row in enumerate(rows)]
    return []


def _held(model: FaultModel, row: Row, parents: Sequence[str]) -> str:
    """ "cause.state, cause.state" of a row under `figures` that names causes."""
    if not row.key or row.key in ("default", "none") or len(parents) != 1:
        return ""
    parent = parents[0]
    bare = not isinstance(model.by_name[parent].distribution, FirstOf)
    return ", ".join(f"{parent}.{state}" if bare else state for state in row.when[parent])


def restated(variable: Variable, rows: Sequence[Sequence[float]]) -> Variable:
    """The variable with other chances, in the order of `figures_in`; all else as it was."""
    told: Distribution = variable.distribution
    gives = [tuple(row) for row in rows]
    if isinstance(told, NoisyMax):
        others = iter(gives[1:])
        links: dict[str, dict[str, Link]] = {
            parent: {
                state: replace(link, gives=next(others))
                for state, link in told.links.get(parent, {}).items()
            }
            for parent in told.parents
        }
        leak = replace(told.leak, gives=gives[0])
        told = replace(told, leak=leak, links={name: links[name] for name in told.links})
    elif isinstance(told, SimpleTest):
        told = replace(told, sensitivity=gives[0][1], specificity=gives[1][0])
    elif isinstance(told, Table):
        pairs = zip(told.rows, gives, strict=True)
        told = replace(told, rows=tuple(replace(row, gives=one) for row, one in pairs))
    elif isinstance(told, Dense):
        told = replace(told, values=np.reshape(gives, np.shape(told.values)))
    return replace(variable, distribution=told)
