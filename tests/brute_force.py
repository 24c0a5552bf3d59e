"""The oracle: every joint state of a small model, one by one.

Shares nothing with the engine: tables are worked out here from the model's own
words, multiplied into one array over all variables, and every question is
answered by adding up its entries.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from faultfinder.model.parts import Dense, FaultModel, FirstOf, NoisyMax, SimpleTest, Variable

Array = NDArray[np.float64]
Labels = NDArray[np.intp]

LARGEST = 1 << 21
"""Joint states above which the oracle refuses: it is for small models."""


@dataclass(frozen=True)
class Joint:
    """P(all variables): `table` has one axis per name, in order."""

    names: tuple[str, ...]
    states: Mapping[str, tuple[str, ...]]
    table: Array

    def axis(self, name: str) -> int:
        return self.names.index(name)

    def weights(self, evidence: Mapping[str, str]) -> Array:
        """The joint table with everything zero that the evidence excludes."""
        kept = self.table.copy()
        for name, state in evidence.items():
            moved = np.moveaxis(kept, self.axis(name), 0)
            for number, other in enumerate(self.states[name]):
                if other != state:
                    moved[number] = 0.0
        return kept

    def probability(self, evidence: Mapping[str, str]) -> float:
        """P(evidence)."""
        return float(self.weights(evidence).sum())

    def posterior(self, name: str, evidence: Mapping[str, str]) -> dict[str, float]:
        """P(name | evidence), by state."""
        kept = self.weights(evidence)
        away = tuple(axis for axis in range(kept.ndim) if axis != self.axis(name))
        counts = kept.sum(axis=away)
        shares = counts / counts.sum()
        return dict(zip(self.states[name], shares.tolist(), strict=True))

    def states_of(self, name: str) -> Labels:
        """The state number of `name` in every joint state, flat."""
        view = [1] * len(self.names)
        view[self.axis(name)] = -1
        numbers = np.arange(len(self.states[name])).reshape(view)
        return np.broadcast_to(numbers, self.table.shape).reshape(-1)

    def joint_labels(self, names: Sequence[str]) -> Labels:
        """One number per joint state of `names`, the last varying fastest, flat."""
        labels: Labels = np.zeros(self.table.size, dtype=np.intp)
        for name in names:
            labels = labels * len(self.states[name]) + self.states_of(name)
        return labels

    def block_labels(self, blocks: Sequence[Sequence[tuple[str, Sequence[str]]]]) -> Labels:
        """One number per pattern of "is any (cause, faulty states) of the block present"."""
        labels: Labels = np.zeros(self.table.size, dtype=np.intp)
        for block in blocks:
            present = np.zeros(self.table.size, dtype=bool)
            for cause, faulty in block:
                wanted = [self.states[cause].index(state) for state in faulty]
                present |= np.isin(self.states_of(cause), wanted)
            labels = labels * 2 + present
        return labels

    def contingency(self, rows: Labels, columns: Labels, evidence: Mapping[str, str]) -> Array:
        """P(rows, columns | evidence) as a two-way table."""
        table = np.zeros((int(rows.max()) + 1, int(columns.max()) + 1))
        weights = self.weights(evidence).reshape(-1)
        np.add.at(table, (rows, columns), weights)
        result: Array = table / weights.sum()
        return result

    def outcomes(self, names: Sequence[str], evidence: Mapping[str, str]) -> list[float]:
        """P(joint result of `names` | evidence), the last name varying fastest."""
        count = math.prod(len(self.states[name]) for name in names)
        weights = self.weights(evidence).reshape(-1)
        sums = np.bincount(self.joint_labels(names), weights, minlength=count)
        shares: list[float] = (sums / weights.sum()).tolist()
        return shares

    def smallest_contradictions(
        self, evidence: Mapping[str, str], always: Mapping[str, str]
    ) -> set[frozenset[str]]:
        """All sets of findings of the smallest size that, with `always`, cannot be."""
        for size in range(len(evidence) + 1):
            found = {
                frozenset(chosen)
                for chosen in combinations(evidence, size)
                if self.probability({**always, **{name: evidence[name] for name in chosen}}) == 0.0
            }
            if found:
                return found
        return set()


def mutual_information(table: Array) -> float:
    """I(row; column) in bits of a joint table, from its definition."""
    bits = 0.0
    row_sums, column_sums = table.sum(axis=1), table.sum(axis=0)
    for (row, column), p in np.ndenumerate(table):
        if p > 0.0:
            bits += p * math.log2(p / (row_sums[row] * column_sums[column]))
    return bits


def entropy(shares: Sequence[float] | Array) -> float:
    """Entropy in bits, from its definition."""
    return -sum(p * math.log2(p) for p in np.asarray(shares).reshape(-1).tolist() if p > 0.0)


def conditional(variable: Variable, parents: Mapping[str, tuple[Variable, str]]) -> Array:
    """P(variable | these parent states), from the words of the model."""
    distribution = variable.distribution
    if isinstance(distribution, FirstOf):
        # The oracle's own words: look along the order until one is not normal.
        said = "none"
        for name in distribution.parents:
            parent, state = parents[name]
            if state != parent.states[0]:
                said = f"{name}.{state}"
                break
        return np.array([1.0 if state == said else 0.0 for state in variable.states])
    if isinstance(distribution, Dense):
        index = tuple(
            parents[name][0].states.index(parents[name][1]) for name in distribution.parents
        )
        return np.asarray(distribution.values, dtype=np.float64)[index]
    if isinstance(distribution, SimpleTest):
        shows = parents[distribution.of][1] in distribution.shows
        yes = distribution.sensitivity if shows else 1.0 - distribution.specificity
        return np.array([1.0 - yes, yes])
    if isinstance(distribution, NoisyMax):
        # The highest of independent draws, one draw at a time.
        highest = np.asarray(distribution.leak.gives, dtype=np.float64)
        for name in distribution.parents:
            link = distribution.links.get(name, {}).get(parents[name][1])
            if link is not None:
                after = np.zeros_like(highest)
                for before, p in enumerate(highest):
                    for drawn, q in enumerate(link.gives):
                        after[max(before, drawn)] += p * q
                highest = after
        return highest
    for row in distribution.rows:
        if all(parents[name][1] in states for name, states in row.when.items()):
            return np.asarray(row.gives, dtype=np.float64)
    return np.zeros(len(variable.states))


def family_table(model: FaultModel, variable: Variable) -> Array:
    """P(variable | parents), axes (parents..., variable), one row at a time."""
    family = [model.by_name[name] for name in variable.parents]
    table = np.zeros([*(len(parent.states) for parent in family), len(variable.states)])
    for where in product(*(range(len(parent.states)) for parent in family)):
        given = {
            parent.name: (parent, parent.states[state])
            for parent, state in zip(family, where, strict=True)
        }
        table[where] = conditional(variable, given)
    return table


def joint_of_model(model: FaultModel) -> Joint:
    """Every joint state of a model; the complaint is one variable among others."""
    names = tuple(variable.name for variable in model.variables)
    states = {variable.name: variable.states for variable in model.variables}
    families = [
        ((*variable.parents, variable.name), family_table(model, variable))
        for variable in model.variables
    ]
    return _multiply(names, states, families)


def joint_of_network(network: Any) -> Joint:
    """Every joint state of a pgmpy network, its tables scaled so that columns sum to one."""
    names = tuple(str(node) for node in network.nodes())
    states: dict[str, tuple[str, ...]] = {}
    families = []
    for node in network.nodes():
        table = network.get_cpds(node)
        states[node] = tuple(str(state) for state in table.state_names[node])
        values = np.asarray(table.values, dtype=np.float64)
        families.append((tuple(map(str, table.variables)), values / values.sum(axis=0)))
    return _multiply(names, states, families)


def _multiply(
    names: tuple[str, ...],
    states: Mapping[str, tuple[str, ...]],
    families: Sequence[tuple[tuple[str, ...], Array]],
) -> Joint:
    shape = tuple(len(states[name]) for name in names)
    if math.prod(shape) > LARGEST:
        raise ValueError(f"{math.prod(shape):,} joint states are too many to count one by one")
    table = np.ones(shape)
    for scope, values in families:
        axes = [names.index(name) for name in scope]
        order = sorted(range(len(scope)), key=lambda place: axes[place])
        view = [shape[axis] if axis in axes else 1 for axis in range(len(shape))]
        table *= values.transpose(order).reshape(view)
    return Joint(names, states, table)
