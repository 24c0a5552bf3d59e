"""The figures of a model that can be learnt, and how tables follow from them.

A figure group is one probability vector as the file writes it: a base rate, a table
row, a noisy link, a leak, a sensitivity. One group may fill many columns of a table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.noisy import NoisyTables
from faultfinder.model.figures import Place, Stated, figures_in, restated
from faultfinder.model.network import Array, Flags, Ints
from faultfinder.model.parts import (
    Dense,
    FaultModel,
    Kind,
    NoisyMax,
    SimpleTest,
    Table,
    Variable,
    worth_of_figure,
)

DEFAULT_WORTH = 20.0
"""Tickets that a figure counts for where the file does not say (a choice, no source)."""


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
    row_of: Ints

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
    def free(self) -> Flags:
        marks: Flags = np.count_nonzero(self.file > 0.0, axis=1) > 1
        return marks


def read_families(
    compiled: CompiledModel, seen_share: float = 1.0, default_worth: float = DEFAULT_WORTH
) -> tuple[Family, ...]:
    """All variables with figures to learn (see `to_learn`), as the network has them.

    Figures of histories and causes that lead to the complaint are rates among all
    machines, of which only the share `seen_share` becomes a ticket: a ticket's worth
    of pseudo-counts stands for 1 / seen_share machines there.
    """
    model = compiled.model
    above: frozenset[int] = frozenset()
    if model.complaint is not None:
        above = compiled.network.above([compiled.network.index[model.complaint]])
    families = []
    for number, stated in to_learn(model):
        variable = model.variables[number]
        file = np.array([one.gives for one in stated], dtype=np.float64)
        worth = np.array(
            [worth_of_figure(default_worth, one.basis, variable.basis) for one in stated]
        )
        if number in above and variable.kind in (Kind.HISTORY, Kind.CAUSE):
            worth = worth / seen_share
        places = tuple(one.place for one in stated)
        families.append(Family(number, places, file, worth, _tables(compiled, number, stated)))
    return tuple(families)


def to_learn(model: FaultModel) -> Iterator[tuple[int, list[Stated]]]:
    """The variables, by number, with figures that are not all certain, and their figures."""
    for number, variable in enumerate(model.variables):
        stated = [] if _only_silence(model, variable) else figures_in(model, variable)
        if any(sum(chance > 0.0 for chance in one.gives) > 1 for one in stated):
            yield number, stated


def _only_silence(model: FaultModel, variable: Variable) -> bool:
    """Whether a finding tells by what was not mentioned only: it has no figures in the file, and
    how often it is given tells nothing."""
    told = variable.distribution
    if model.silence is None or model.silence.finding != variable.name:
        return False
    return isinstance(told, Table) and not told.parents and len(set(told.rows[0].gives)) == 1


def _tables(compiled: CompiledModel, number: int, stated: Sequence[Stated]) -> Tables:
    """How the figures of a variable become tables of the network."""
    variable = compiled.model.variables[number]
    told = variable.distribution
    parents = tuple(compiled.model.by_name[parent] for parent in variable.parents)
    shape = tuple(len(parent.states) for parent in parents)
    if isinstance(told, NoisyMax):
        return _noisy(compiled, number, parents, [one.place for one in stated[1:]])
    if isinstance(told, Dense):
        return RowTables(number, shape, np.arange(len(stated)))
    if isinstance(told, SimpleTest):
        shows = [state in told.shows for state in parents[0].states]
        return RowTables(number, shape, np.where(shows, 0, 1).astype(np.int64))
    assert isinstance(told, Table)
    filled = np.zeros(shape, dtype=np.int64)
    # From the last row to the first, so that the first match stands.
    for place, row in reversed(list(enumerate(told.rows))):
        where = [
            [parent.states.index(state) for state in row.when.get(parent.name, parent.states)]
            for parent in parents
        ]
        filled[np.ix_(*where) if parents else ...] = place
    return RowTables(number, shape, filled.reshape(-1))


def _noisy(
    compiled: CompiledModel,
    number: int,
    parents: Sequence[Variable],
    links: Sequence[Place],
) -> NoisyTables:
    """The family as the network has it: one table, or a chain of steps."""
    none = len(links) + 1
    which = []
    for parent in parents:
        row = np.full(len(parent.states), none, dtype=np.int64)
        for group, link in enumerate(links, start=1):
            if link.parent == parent.name and link.state is not None:
                row[parent.states.index(link.state)] = group
        which.append(row)
    steps = [number]
    while len(compiled.network.parents[steps[0]]) == 2 and (
        compiled.network.parents[steps[0]][0] >= compiled.network.own
    ):
        steps.insert(0, compiled.network.parents[steps[0]][0])
    assert len(steps) in (1, len(which))
    return NoisyTables(tuple(steps), tuple(which))


def rewritten(
    model: FaultModel, families: Sequence[Family], figures: Mapping[int, Array]
) -> FaultModel:
    """The model with these figures in place of the file's; all else as it was."""
    variables = list(model.variables)
    for family in families:
        rows = figures[family.number].tolist()
        variables[family.number] = restated(variables[family.number], rows)
    return replace(model, variables=tuple(variables))
