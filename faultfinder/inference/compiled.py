"""A model made ready for questions: arrays, junction tree, and what each check reads.

Compiling is done once for a model's content; `faultfinder.inference.cache` keeps
the result on disk.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import field, replace
from functools import cached_property

import numpy as np

from faultfinder.errors import FaultfinderError, counted
from faultfinder.frozen import frozen
from faultfinder.inference.firsts import Factor
from faultfinder.inference.propagation import initial_tables
from faultfinder.inference.separation import determined
from faultfinder.inference.tree import JunctionTree, Twig, build_tree, tree_size
from faultfinder.model.network import Array, DiscreteNetwork, Flags, dense_table, to_network
from faultfinder.model.parts import FaultModel, Kind, Variable
from faultfinder.model.routes import Routes, all_routes

COMPILER_VERSION = 17
"""Raised whenever the compiled form changes, so that kept results are made anew."""

TREE_BUDGET = 1 << 21
"""Entries up to which families of unobserved findings are kept in the tree."""

TREE_LIMIT = 20_000_000
"""Entries (8 bytes each) above which a tree is refused."""

READOUT_LIMIT = 1 << 22
"""Entries above which a readout is not made."""

FAMILY_TRIES = 8
"""Leaf families that did not fit, after which no larger ones are tried."""


@frozen
class Readout:
    """How the results of some findings follow from a scope that one clique holds.

    `rows` has shape (joint results, joint states of scope): P(results | scope).
    `entropy` has shape (joint states of scope,): the entropy in bits of the
    results given the scope. `findings` are variable numbers, the last one varying
    fastest in `rows`. Where the findings are the scope itself,
    `entropy` is zero.
    """

    findings: tuple[int, ...]
    scope: tuple[int, ...]
    rows: Array = field(repr=False)
    entropy: Array = field(repr=False)


@frozen(eq=False)
class CompiledModel:
    """A model, its arrays and its junction tree.

    `leaves` are the variables left out of the tree (findings that nothing depends
    on); each is read from its parents by its `Readout`.
    """

    model: FaultModel
    network: DiscreteNetwork
    leaves: frozenset[int]
    tree: JunctionTree
    start: tuple[Array, ...] = field(repr=False)
    causes: tuple[int, ...]
    closed_causes: frozenset[int]
    routes: Routes = field(repr=False)
    readouts: dict[str, Readout | None] = field(repr=False)

    @cached_property
    def faulty(self) -> dict[int, Flags]:
        """Which states of each cause, by number, count as the fault being present: (states,)."""
        names, states = self.network.names, self.network.states
        return {c: np.isin(states[c], self.model.faulty_states(names[c])) for c in self.causes}

    def check_findings(self, check: str) -> tuple[int, ...]:
        """The variables a check observes, by number."""
        index = self.network.index
        return tuple(index[name] for name in self.model.checks_by_name[check].observes)


def compile_model(model: FaultModel) -> CompiledModel:
    """Compile a model.

    Raises FaultfinderError when its junction tree would pass TREE_LIMIT.
    """
    network = to_network(model)
    index = network.index
    observed = {index[name] for check in model.checks for name in check.observes}
    leaves = frozenset(
        number
        for number in observed
        if not network.children[number] and model.variables[number].kind is Kind.FINDING
    )
    complaint = None if model.complaint is None else index[model.complaint]
    if (
        complaint is not None
        and network.parents[complaint]
        and not network.children[complaint]
        and network.firsts.keys() >= set(network.parents[complaint])
    ):
        # It is read from the first of the causes, like a finding, and need not be carried along.
        leaves |= {complaint}
    twigs = _twigs(network, leaves)
    core = [
        (*network.parents[number], number)
        for number in tree_variables(network, leaves)
        if number not in {twig.number for twig in twigs}
    ]
    families = {network.parents[number] for number in leaves}
    for check in model.checks:
        inside = [index[name] for name in check.observes if index[name] in leaves]
        if len(inside) > 1:
            families.add(tuple(sorted({p for n in inside for p in network.parents[n]})))
    families = {JunctionTree((), (), (), 0, twigs=twigs).without_twigs(f) for f in families}
    ordered = sorted(families, key=lambda f: (_entries(network, f), f))
    tree = replace(_fit(core, ordered, network), twigs=twigs)
    start = start_tables(tree, network, leaves)
    causes = tuple(index[variable.name] for variable in model.of_kind(Kind.CAUSE))
    compiled = CompiledModel(
        model=model,
        network=network,
        leaves=leaves,
        tree=tree,
        start=start,
        causes=causes,
        closed_causes=determined(network, causes),
        routes=all_routes(model),
        readouts={},
    )
    for check in model.checks:
        findings = tuple(index[name] for name in check.observes)
        compiled.readouts[check.name] = readout(compiled, findings)
    return compiled


def with_variable(compiled: CompiledModel, moved: Variable) -> CompiledModel:
    """The model with other figures in one variable's distribution, as `compile_model` makes it.

    Where the variable has one table and the new one is zero where that is, the tree stays and
    only what is read from the table is made anew.
    """
    model, network = compiled.model, compiled.network
    variables = tuple(moved if v.name == moved.name else v for v in model.variables)
    model = replace(model, variables=variables)
    number = network.index[moved.name]
    family = tuple(network.names[p] for p in network.parents[number])
    if number in network.firsts or family != moved.parents:
        return compile_model(model)
    before = network.tables[number]
    table = dense_table(moved, tuple(model.by_name[name] for name in family))
    if table.shape != before.shape or ((table > 0.0) != (before > 0.0)).any():
        return compile_model(model)
    tables = (*network.tables[:number], table, *network.tables[number + 1 :])
    network = replace(network, tables=tables)
    start = compiled.start
    if number not in compiled.leaves:
        start = start_tables(compiled.tree, network, compiled.leaves)
    found = replace(
        compiled, model=model, network=network, start=start, readouts=dict(compiled.readouts)
    )
    for check in model.checks:
        if moved.name in check.observes:
            found.readouts[check.name] = readout(found, found.check_findings(check.name))
    return found


def _twigs(network: DiscreteNetwork, leaves: frozenset[int]) -> tuple[Twig, ...]:
    """The variables on which only leaves hang, and which hang on a first alone.

    Carried along in the tree they would multiply every clique of the first's chain.
    """
    found = []
    for number, parents in enumerate(network.parents):
        if number in leaves or len(parents) != 1 or parents[0] not in network.firsts:
            continue
        around = {number, parents[0]}
        if all(
            c in leaves and around.issuperset(network.parents[c]) for c in network.children[number]
        ):
            shape = (network.cards[parents[0]], network.cards[number])
            found.append(Twig(number, parents[0], shape))
    return tuple(found)


def start_tables(
    tree: JunctionTree, network: DiscreteNetwork, leaves: frozenset[int]
) -> tuple[Array, ...]:
    """The tree's tables before any evidence: all families but those of leaves."""
    return initial_tables(
        tree,
        [family_factor(network, number) for number in tree_variables(network, leaves)],
    )


def tree_variables(network: DiscreteNetwork, leaves: frozenset[int]) -> list[int]:
    """The variables whose families make up the tree's tables."""
    outside = leaves | network.hidden
    return [number for number in range(len(network.names)) if number not in outside]


def _entries(network: DiscreteNetwork, scope: Iterable[int]) -> int:
    return math.prod(network.cards[v] for v in scope)


def _fit(
    core: list[tuple[int, ...]], families: list[tuple[int, ...]], network: DiscreteNetwork
) -> JunctionTree:
    """A tree over the core that also holds as many leaf families as fit the budget."""
    cards, firsts = network.cards, network.firsts
    if tree_size([*core, *families], cards, firsts) <= TREE_BUDGET:
        return build_tree([*core, *families], cards, firsts)
    size = tree_size(core, cards, firsts)
    if size > TREE_LIMIT:
        raise FaultfinderError(
            f"This model needs a table of {counted(size)} numbers; the limit is {TREE_LIMIT:,}. "
            "Put hidden conditions between causes and findings, or give variables fewer parents."
        )
    held = core
    step = max(1, len(families) // 8)
    position = failed = 0
    while position < len(families) and failed < FAMILY_TRIES:
        more = [*held, *families[position : position + step]]
        if tree_size(more, cards, firsts) <= TREE_BUDGET:
            held, position = more, position + step
        elif step > 1:
            step //= 2
        else:
            position, failed = position + 1, failed + 1
    return build_tree(held, cards, firsts)


def family_factor(network: DiscreteNetwork, number: int) -> Factor:
    """The table of a variable as a factor over ascending variable numbers."""
    return ordered_factor((*network.parents[number], number), network.tables[number][..., None])


def ordered_factor(scope: tuple[int, ...], values: Array) -> Factor:
    """Bring a factor's axes (batch axis last) into ascending order of variable number."""
    order = sorted(range(len(scope)), key=lambda axis: scope[axis])
    return tuple(scope[axis] for axis in order), values.transpose([*order, len(scope)])


def readout(compiled: CompiledModel, findings: tuple[int, ...]) -> Readout | None:
    """How to read the joint result of `findings`; None when no clique can tell.

    A leaf is read from its parents. Several findings can be read at once only when
    all are leaves (their noise is then independent given their parents).
    """
    network, tree = compiled.network, compiled.tree
    if not all(number in compiled.leaves for number in findings):
        if tree.home(findings) is None:
            return None
        size = _entries(network, findings)
        if size * size > READOUT_LIMIT:
            return None
        if any(number in compiled.leaves for number in findings):
            return None
        # rows[k] picks joint state k, findings in the order asked.
        return Readout(findings, findings, np.eye(size), np.zeros(size))
    scope = tuple(sorted({p for number in findings for p in network.parents[number]}))
    if tree.home(scope) is None:
        return None
    dims = tuple(network.cards[v] for v in scope)
    if math.prod(dims) * _entries(network, findings) > READOUT_LIMIT or len(dims) > 60:
        return None
    rows = np.ones((1, *dims))
    for number in findings:
        parents = network.parents[number]
        order = [parents.index(v) for v in scope if v in parents]
        table = network.tables[number].transpose([len(parents), *order])
        view = (
            table.shape[0],
            *(d if v in parents else 1 for v, d in zip(scope, dims, strict=True)),
        )
        rows = (rows[:, None] * table.reshape(view)[None]).reshape(-1, *dims)
    flat = np.ascontiguousarray(rows.reshape(rows.shape[0], -1))
    return Readout(findings, scope, flat, entropy_bits(flat))


def entropy_bits(probabilities: Array) -> Array:
    """Shannon entropy in bits over axis 0; zero probabilities count as zero.

    Probabilities along axis 0 are taken to sum to one.
    """
    safe = np.where(probabilities > 0.0, probabilities, 1.0)
    bits: Array = -(probabilities * np.log2(safe)).sum(axis=0)
    # -0.0 and rounding below zero are not entropies.
    return np.maximum(bits, 0.0)
