"""A model as plain arrays: one conditional probability table per variable.

Large noisy-MAX families are split into a chain of small steps (parent divorcing,
Olesen et al. 1989; temporal transformation, Heckerman & Breese 1996), so that a
condition with ten causes costs ten small tables and not one of 2^10 columns.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from faultfinder.errors import FaultfinderError, counted
from faultfinder.frozen import frozen
from faultfinder.model.parts import (
    Dense,
    Distribution,
    FaultModel,
    FirstOf,
    NoisyMax,
    SimpleTest,
    Table,
    Variable,
)

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

DENSE_LIMIT = 4096
"""Joint parent states up to which a finding keeps its family as one table."""

TABLE_LIMIT = 2_000_000
"""Entries above which a single table is refused."""


NETWORK_LIMIT = 20_000_000
"""Entries of all tables together (8 bytes each) above which a model is refused."""


STEP_LIMIT = 1_500
"""Variables, with the steps of split families, above which a model is refused."""


FIRST_WHOLE = 1
"""Members up to which the first of some variables stays one table."""


@frozen
class First:
    """A variable that is the first present of `members`, in the order of hiding.

    `some[i]` is the number of the variable that says whether any of members[: i + 1] is
    present ("no", "yes"). What depends on the first needs no table over its many states: in
    each joint state exactly one member speaks, so that a factor over the first is the product
    of small factors over (some of those in front, member), see `faultfinder.inference.firsts`.
    `steps` are the auxiliary variables of its own tables.
    """

    members: tuple[int, ...]
    some: tuple[int, ...]
    steps: tuple[int, ...]


@frozen
class DiscreteNetwork:
    """A Bayesian network over discrete variables, by index.

    `tables[i]` has one axis per parent, in the order of `parents[i]`, then the axis
    of variable i; it sums to one over the last axis. Variables from index `own`
    on are auxiliary (steps of a split family) and have no name in the model. `firsts` are
    the variables that are the first present of many others.
    """

    names: tuple[str, ...]
    states: tuple[tuple[str, ...], ...]
    parents: tuple[tuple[int, ...], ...]
    tables: tuple[Array, ...]
    own: int
    firsts: Mapping[int, First] = field(default_factory=dict)

    @cached_property
    def hidden(self) -> frozenset[int]:
        """The firsts and the steps of their tables, which no junction tree has to hold."""
        steps = {step for first in self.firsts.values() for step in first.steps}
        return frozenset(self.firsts) | steps

    @cached_property
    def index(self) -> dict[str, int]:
        return {name: number for number, name in enumerate(self.names)}

    @cached_property
    def cards(self) -> tuple[int, ...]:
        """Number of states of each variable."""
        return tuple(len(states) for states in self.states)

    def above(self, numbers: Iterable[int]) -> frozenset[int]:
        """Variables and all that they depend on."""
        found = set(numbers)
        left = list(found)
        while left:
            new = set(self.parents[left.pop()]) - found
            found |= new
            left += new
        return frozenset(found)

    @cached_property
    def children(self) -> tuple[tuple[int, ...], ...]:
        children: list[list[int]] = [[] for _ in self.names]
        for child, parents in enumerate(self.parents):
            for parent in parents:
                children[parent].append(child)
        return tuple(map(tuple, children))

    @cached_property
    def deterministic(self) -> tuple[bool, ...]:
        """Whether a variable is a function of its parents (all entries zero or one)."""
        return tuple(
            bool(parents) and bool(np.all((table == 0.0) | (table == 1.0)))
            for parents, table in zip(self.parents, self.tables, strict=True)
        )

    @cached_property
    def order(self) -> tuple[int, ...]:
        """The variables, parents before children."""
        waiting = [len(parents) for parents in self.parents]
        ready = [number for number, count in enumerate(waiting) if count == 0]
        placed: list[int] = []
        while ready:
            number = ready.pop()
            placed.append(number)
            for child in self.children[number]:
                waiting[child] -= 1
                if waiting[child] == 0:
                    ready.append(child)
        if len(placed) != len(self.names):
            raise FaultfinderError("The network has a cycle: a variable depends on itself.")
        return tuple(placed)


def dense_table(variable: Variable, parents: tuple[Variable, ...]) -> Array:
    """The full conditional table of `variable`, axes (parents..., child).

    Raises FaultfinderError when it would hold more than TABLE_LIMIT entries.
    """
    shape = tuple(len(parent.states) for parent in parents)
    entries = math.prod(shape) * len(variable.states)
    if entries > TABLE_LIMIT:
        raise FaultfinderError(
            f"The table of {variable.name} would hold {counted(entries)} numbers; "
            f"the limit is {TABLE_LIMIT:,}. Give it fewer parents."
        )
    return _expand(variable.distribution, variable, parents, shape)


def _expand(
    distribution: Distribution,
    variable: Variable,
    parents: tuple[Variable, ...],
    shape: tuple[int, ...],
) -> Array:
    card = len(variable.states)
    if isinstance(distribution, Dense):
        return np.asarray(distribution.values, dtype=np.float64)
    if isinstance(distribution, FirstOf):
        table = np.zeros((*shape, card))
        cells = np.indices(shape).reshape(len(shape), -1)
        table.reshape(-1, card)[np.arange(cells.shape[1]), first_present(cells, shape)] = 1.0
        return table
    if isinstance(distribution, SimpleTest):
        (parent,) = parents
        positive = [
            distribution.sensitivity
            if state in distribution.shows
            else 1 - distribution.specificity
            for state in parent.states
        ]
        return np.array([[1 - p, p] for p in positive])
    if isinstance(distribution, Table):
        table = np.zeros((*shape, card))
        # Written from the last row to the first, so that the first match stands.
        for row in reversed(distribution.rows):
            where = tuple(
                [parent.states.index(state) for state in row.when[parent.name]]
                if parent.name in row.when
                else list(range(len(parent.states)))
                for parent in parents
            )
            if parents:
                table[np.ix_(*where)] = row.gives
            else:
                table[...] = row.gives
        return table
    cumulative = np.cumsum(distribution.leak.gives)
    for axis, parent in enumerate(parents):
        factor = np.cumsum(_step(distribution, parent, card), axis=1)
        view = [1] * len(parents) + [card]
        view[axis] = len(parent.states)
        # P(max <= y) is the product over independent influences (Diez 1993).
        cumulative = cumulative * factor.reshape(view)
    table = np.diff(cumulative, axis=-1, prepend=0.0)
    # A difference of products can fall a rounding error below zero, or miss a one.
    return _settle(np.broadcast_to(table, (*shape, card)))


def first_present(states: Ints, cards: Sequence[int]) -> Ints:
    """The state of the first of some variables, from their own states.

    `states` has shape (variables, cases), in the order of hiding; state 0 is normal.
    """
    result = np.zeros(states.shape[1], dtype=np.int64)
    place = 1 + sum(card - 1 for card in cards)
    for own, card in zip(states[::-1], reversed(cards), strict=True):
        place -= card - 1
        result = np.where(own > 0, place + own - 1, result)
    return result


def _settle(table: Array) -> Array:
    settled = np.where(np.abs(table) < 1e-15, 0.0, table)
    settled = np.where(np.abs(settled - 1.0) < 1e-15, 1.0, settled)
    return np.ascontiguousarray(settled / settled.sum(axis=-1, keepdims=True))


def _step(distribution: NoisyMax, parent: Variable, card: int) -> Array:
    """What one parent does alone: shape (parent states, child states)."""
    alone = np.zeros((len(parent.states), card))
    alone[:, 0] = 1.0
    for state, link in distribution.links.get(parent.name, {}).items():
        alone[parent.states.index(state)] = link.gives
    return alone


def _chain_step(alone: Array) -> Array:
    """P(max(before, z) | before, parent) with z drawn from `alone[parent]`.

    Returns shape (child states, parent states, child states).
    """
    card = alone.shape[1]
    table = np.zeros((card, alone.shape[0], card))
    for before in range(card):
        table[before, :, before] = alone[:, : before + 1].sum(axis=1)
        table[before, :, before + 1 :] = alone[:, before + 1 :]
    return _settle(table)


def _first_step(before: int, card: int) -> NDArray[Any]:
    """The first of some variables with one more behind them: (before, card, after) states.

    Nothing but zeros and ones, and many of them: kept in a byte each.

    `before` counts the states of the first of those in front, `card` those of the one more.
    """
    after = before + card - 1
    table = np.zeros((before, card, after), dtype=np.int8)
    places = np.arange(1, before)
    table[places, :, places] = 1
    table[0, 0, 0] = 1
    behind = np.arange(1, card)
    table[0, behind, before + behind - 1] = 1
    return table


def to_network(model: FaultModel) -> DiscreteNetwork:
    """Turn a model into arrays; the model's own variables come first, in its order.

    Raises FaultfinderError when they would hold more than NETWORK_LIMIT entries.
    """
    has_children = {parent for variable in model.variables for parent in variable.parents}
    made = _Making(model)
    held = 0
    for variable in model.variables:
        family = tuple(model.by_name[name] for name in variable.parents)
        entries = math.prod(len(parent.states) for parent in family)
        leaf = variable.name not in has_children and variable.name != model.complaint
        split = isinstance(variable.distribution, NoisyMax) and (
            entries > DENSE_LIMIT or (not leaf and len(family) > 2)
        )
        card = len(variable.states)
        # A step of a split family goes from each state before, over one parent, to each after.
        steps = sum(len(parent.states) for parent in family) * card * card
        if isinstance(variable.distribution, FirstOf) and len(family) > FIRST_WHOLE:
            # The states of a step are those of the variables so far, not yet all of them.
            split, steps = True, steps // 3
        held += steps if split else entries * card
        if held > NETWORK_LIMIT and (split or entries * card <= TABLE_LIMIT):
            raise FaultfinderError(
                f"Up to {variable.name}, the tables of this model hold {counted(held)} numbers; "
                f"the limit is {NETWORK_LIMIT:,}. Give variables fewer states or fewer parents."
            )
        if split and len(made.names) + len(family) > STEP_LIMIT:
            raise FaultfinderError(
                f"Up to {variable.name}, this model needs more than {STEP_LIMIT:,} variables: "
                "each parent of a large noisy_or, noisy_max, any_of or worst_of takes one. Give "
                "them fewer parents."
            )
        if split and isinstance(variable.distribution, FirstOf):
            made.first_of(variable, family)
        elif split and isinstance(variable.distribution, NoisyMax):
            made.chain(variable, variable.distribution, family)
        else:
            scope = tuple(made.index[parent.name] for parent in family)
            made.add(scope, dense_table(variable, family))
    return made.network()


class _Making:
    """A network while it is made: the model's own variables, and the steps that large families
    are split into, which come after them."""

    def __init__(self, model: FaultModel) -> None:
        self.index = {variable.name: number for number, variable in enumerate(model.variables)}
        self.names = [variable.name for variable in model.variables]
        self._states = [variable.states for variable in model.variables]
        self._own: list[tuple[tuple[int, ...], Array]] = []
        self._steps: list[tuple[tuple[int, ...], Array]] = []
        self._firsts: dict[int, First] = {}

    def add(self, scope: tuple[int, ...], table: Array) -> None:
        """The table of the model's next variable over its parents, by number."""
        self._own.append((scope, table))

    def _more(
        self, name: str, states: tuple[str, ...], scope: tuple[int, ...], table: Array
    ) -> int:
        """One more variable, which no model names; returns its number."""
        self.names.append(name)
        self._states.append(states)
        self._steps.append((scope, table))
        return len(self.names) - 1

    def first_of(self, variable: Variable, family: Sequence[Variable]) -> None:
        """The first present of many: the first of those so far and one more, step by step, and
        beside that whether any of those so far is present."""
        members = tuple(self.index[parent.name] for parent in family)
        front, count, steps = members[0], len(family[0].states), list[int]()
        for number, parent in enumerate(family[1:], 2):
            scope, table = (front, members[number - 1]), _first_step(count, len(parent.states))
            count = table.shape[2]
            if number == len(family):
                self.add(scope, table)
            else:
                name = f"{variable.name}~{number}"
                front = self._more(name, variable.states[:count], scope, table)
                steps.append(front)
        some: list[int] = []
        for number, parent in enumerate(family):
            present = (np.arange(len(parent.states)) > 0).astype(np.int64)
            any_scope: tuple[int, ...] = (members[number],)
            if some:
                present = np.stack([present, np.ones_like(present)])
                any_scope = (some[-1], members[number])
            name = f"{variable.name}~any{number + 1}"
            some.append(self._more(name, ("no", "yes"), any_scope, np.eye(2)[present]))
        self._firsts[self.index[variable.name]] = First(members, tuple(some), tuple(steps))

    def chain(self, variable: Variable, told: NoisyMax, family: Sequence[Variable]) -> None:
        """A noisy-MAX as the worst of the influences so far and one more, step by step."""
        before: int | None = None
        for number, parent in enumerate(family):
            step = _chain_step(_step(told, parent, len(variable.states)))
            scope: tuple[int, ...]
            if before is None:
                # The leak is the first influence.
                leak = np.asarray(told.leak.gives)
                scope, step = (self.index[parent.name],), np.einsum("b,bpc->pc", leak, step)
            else:
                scope = (before, self.index[parent.name])
            if number == len(family) - 1:
                self.add(scope, _settle(step))
            else:
                name = f"{variable.name}~{number + 1}"
                before = self._more(name, variable.states, scope, _settle(step))

    def network(self) -> DiscreteNetwork:
        """What was made."""
        every = [*self._own, *self._steps]
        return DiscreteNetwork(
            names=tuple(self.names),
            states=tuple(self._states),
            parents=tuple(scope for scope, _ in every),
            tables=tuple(table for _, table in every),
            own=len(self._own),
            firsts=self._firsts,
        )
