"""The figures of a model that can be learnt, and how tables follow from them.

A figure group is one probability vector as the file writes it: a base rate, a table
row, a noisy link, a leak, a sensitivity. One group may fill many columns of a table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.noisy import NoisyTables, noisy_tables
from faultfinder.model.network import Array
from faultfinder.model.parts import (
    Basis,
    Dense,
    Distribution,
    FaultModel,
    FirstOf,
    Kind,
    Link,
    NoisyMax,
    Row,
    SimpleTest,
    Table,
    Variable,
    worth_of_figure,
)

DEFAULT_WORTH = 20.0
"""Tickets that a figure counts for where the file does not say (a choice, no source)."""


@dataclass(frozen=True)
class Place:
    """Where a figure group stands in the model.

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


class Tables(Protocol):
    """How the figures of one variable become tables, and counts become theirs."""

    @property
    def numbers(self) -> tuple[int, ...]:
        """The network's variables whose tables these are."""

    def tables(self, figures: Array) -> dict[int, Array]:
        """Conditional tables, axes (parents..., own), from figures (groups, states)."""

    def counts(self, figures: Array, joints: Mapping[int, Array]) -> Array:
        """Expected counts (groups, states, batch) from those of families.

        `joints[number]` has shape (parents' joint states, own states, batch).
        """


@dataclass(frozen=True, eq=False)
class RowTables:
    """A table whose columns are rows of the figures: `row_of` has one entry per parent state."""

    number: int
    shape: tuple[int, ...]
    row_of: NDArray[np.int64]

    @property
    def numbers(self) -> tuple[int, ...]:
        return (self.number,)

    def tables(self, figures: Array) -> dict[int, Array]:
        return {self.number: figures[self.row_of].reshape(*self.shape, figures.shape[1])}

    def counts(self, figures: Array, joints: Mapping[int, Array]) -> Array:
        joint = joints[self.number]
        groups = len(figures)
        if groups == len(self.row_of) and np.array_equal(self.row_of, np.arange(groups)):
            return joint
        chosen = (self.row_of == np.arange(groups)[:, None]).astype(np.float64)
        added: Array = chosen @ joint.reshape(len(joint), -1)
        return added.reshape(groups, *joint.shape[1:])


@dataclass(frozen=True, eq=False)
class Family:
    """The figure groups of one variable.

    `file` holds the file's figures, shape (groups, states); `worth` the pseudo-counts of
    each group, shape (groups,); `free` marks groups that are not certain as written. `more` are
    pseudo-counts besides, from other models that have the figure, shape (groups, states).
    """

    number: int
    places: tuple[Place, ...]
    file: Array = field(repr=False)
    worth: Array = field(repr=False)
    form: Tables = field(repr=False)
    more: Array | float = field(default=0.0, repr=False)

    @property
    def prior(self) -> Array:
        """Pseudo-counts of each group: shape (groups, states)."""
        return self.worth[:, None] * self.file + self.more

    @property
    def free(self) -> NDArray[np.bool_]:
        marks: NDArray[np.bool_] = np.count_nonzero(self.file > 0.0, axis=1) > 1
        return marks


def ancestors(compiled: CompiledModel, number: int) -> frozenset[int]:
    """A variable and all that it depends on."""
    found: set[int] = set()
    stack = [number]
    while stack:
        at = stack.pop()
        if at not in found:
            found.add(at)
            stack.extend(compiled.network.parents[at])
    return frozenset(found)


def read_families(
    compiled: CompiledModel, seen_share: float = 1.0, default_worth: float = DEFAULT_WORTH
) -> tuple[Family, ...]:
    """All variables with figures to learn. Deterministic tables have none.

    Figures of histories and causes that lead to the complaint are rates among all
    machines, of which only the share `seen_share` becomes a ticket: a ticket's worth
    of pseudo-counts stands for 1 / seen_share machines there.
    """
    model = compiled.model
    above: frozenset[int] = frozenset()
    if model.complaint is not None:
        above = ancestors(compiled, compiled.network.index[model.complaint])
    families = []
    for number, variable in enumerate(model.variables):
        if isinstance(variable.distribution, FirstOf) or _only_silence(model, variable):
            continue
        places, rows, bases, form = _read(compiled, number, variable)
        file = np.array(rows, dtype=np.float64).reshape(len(places), len(variable.states))
        worth = np.array([worth_of_figure(default_worth, basis, variable.basis) for basis in bases])
        if number in above and variable.kind in (Kind.HISTORY, Kind.CAUSE):
            worth = worth / seen_share
        family = Family(number, places, file, worth, form)
        if family.free.any():
            families.append(family)
    return tuple(families)


def _only_silence(model: FaultModel, variable: Variable) -> bool:
    """Whether a finding tells by what was not mentioned only: it has no figures in the file, and
    how often it is given tells nothing."""
    told = variable.distribution
    if model.silence is None or model.silence.finding != variable.name:
        return False
    return isinstance(told, Table) and not told.parents and len(set(told.rows[0].gives)) == 1


_Read = tuple[tuple[Place, ...], Sequence[Sequence[float]], Sequence[Basis | None], Tables]


def _read(compiled: CompiledModel, number: int, variable: Variable) -> _Read:
    model, name = compiled.model, variable.name
    parents = tuple(model.by_name[parent] for parent in variable.parents)
    shape = tuple(len(parent.states) for parent in parents)
    cells = int(np.prod(shape, dtype=np.int64))
    told: Distribution = variable.distribution
    if isinstance(told, NoisyMax):
        groups = [
            (parent, state, link)
            for parent in told.parents
            for state, link in told.links.get(parent, {}).items()
        ]
        places = (
            Place(name, "leak"),
            *(Place(name, "link", parent=parent, state=state) for parent, state, _ in groups),
        )
        links = [told.leak, *(link for _, _, link in groups)]
        form: Tables = _noisy(compiled, number, parents, groups)
        return places, [link.gives for link in links], [link.basis for link in links], form
    if isinstance(told, Dense):
        values = np.asarray(told.values, dtype=np.float64).reshape(cells, len(variable.states))
        kind = "dense" if parents else "chance"
        places = tuple(Place(name, kind, row if parents else None) for row in range(cells))
        row_of = np.arange(cells)
        return places, values.tolist(), [None] * cells, RowTables(number, shape, row_of)
    if isinstance(told, SimpleTest):
        shows = [state in told.shows for state in parents[0].states]
        row_of = np.where(shows, 0, 1).astype(np.int64)
        rows = [
            (1.0 - told.sensitivity, told.sensitivity),
            (told.specificity, 1.0 - told.specificity),
        ]
        places = (Place(name, "sensitivity"), Place(name, "specificity"))
        return places, rows, [told.basis] * 2, RowTables(number, shape, row_of)
    assert isinstance(told, Table)
    filled = np.zeros(shape, dtype=np.int64)
    # From the last row to the first, so that the first match stands.
    for place, row in reversed(list(enumerate(told.rows))):
        where = [
            [parent.states.index(state) for state in row.when.get(parent.name, parent.states)]
            for parent in parents
        ]
        filled[np.ix_(*where) if parents else ...] = place
    kind = "row" if parents else "chance"
    places = tuple(
        Place(name, kind, place if parents else None, key=row.key, held=_held(row, parents))
        for place, row in enumerate(told.rows)
    )
    form = RowTables(number, shape, filled.reshape(-1))
    return places, [row.gives for row in told.rows], [row.basis for row in told.rows], form


def _held(row: Row, parents: Sequence[Variable]) -> str:
    """ "cause.state, cause.state" of a row under `figures` that names causes."""
    if not row.key or row.key in ("default", "none") or len(parents) != 1:
        return ""
    parent = parents[0]
    bare = not isinstance(parent.distribution, FirstOf)
    return ", ".join(f"{parent.name}.{s}" if bare else s for s in row.when[parent.name])


def _noisy(
    compiled: CompiledModel,
    number: int,
    parents: Sequence[Variable],
    groups: Sequence[tuple[str, str, Link]],
) -> NoisyTables:
    """The family as the network has it: one table, or a chain of steps."""
    none = len(groups) + 1
    which = []
    for parent in parents:
        row = np.full(len(parent.states), none, dtype=np.int64)
        for place, (name, state, _) in enumerate(groups):
            if name == parent.name:
                row[parent.states.index(state)] = place + 1
        which.append(row)
    steps = [number]
    while len(compiled.network.parents[steps[0]]) == 2 and (
        compiled.network.parents[steps[0]][0] >= compiled.network.own
    ):
        steps.insert(0, compiled.network.parents[steps[0]][0])
    chained = len(steps) > 1
    return noisy_tables(tuple(steps), tuple(which), chained)


def rewritten(
    model: FaultModel, families: Sequence[Family], figures: Mapping[int, Array]
) -> FaultModel:
    """The model with these figures in place of the file's; all else as it was."""
    variables = list(model.variables)
    for family in families:
        variable = variables[family.number]
        told = _told_anew(variable.distribution, family, figures[family.number])
        variables[family.number] = replace(variable, distribution=told)
    return replace(model, variables=tuple(variables))


def _told_anew(told: Distribution, family: Family, figures: Array) -> Distribution:
    rows = [tuple(row) for row in figures.tolist()]
    if isinstance(told, NoisyMax):
        links: dict[str, dict[str, Link]] = {name: {} for name in told.links}
        for place, gives in zip(family.places[1:], rows[1:], strict=True):
            assert place.parent is not None
            assert place.state is not None
            old = told.links[place.parent][place.state]
            links[place.parent][place.state] = replace(old, gives=gives)
        return replace(told, leak=replace(told.leak, gives=rows[0]), links=links)
    if isinstance(told, Dense):
        return replace(told, values=figures.reshape(np.shape(told.values)))
    if isinstance(told, SimpleTest):
        return replace(told, sensitivity=rows[0][1], specificity=rows[1][0])
    assert isinstance(told, Table)
    return replace(
        told,
        rows=tuple(replace(row, gives=gives) for row, gives in zip(told.rows, rows, strict=True)),
    )
