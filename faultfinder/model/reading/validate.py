"""Cross-checks over a whole model: what no single line shows to be wrong.

The network first (loops, rows that never match, states that never occur), then what
the shop needs (every finding observed, every cause within reach of the complaint).
Stages, moves and repairs are in `validate_shop`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from faultfinder.errors import counted
from faultfinder.model.network import Flags
from faultfinder.model.parts import (
    FaultModel,
    FirstOf,
    Kind,
    NoisyMax,
    SimpleTest,
    Table,
    Variable,
)
from faultfinder.model.reading.faults import Faults, listed
from faultfinder.model.reading.validate_shop import validate_shop

ENTRY_LIMIT = 1_000_000
"""Numbers in one table, written out over all combinations, above which it is refused."""

WORK_LIMIT = 20_000_000
"""Rows times combinations, over all tables, above which a model is refused."""

RESULT_LIMIT = 4_096
"""Joint results of one check at most."""

Graph = Any
"""A directed graph of networkx."""
StateLines = Mapping[tuple[str, str], int]


def validate(
    model: FaultModel,
    faults: Faults,
    unsound: frozenset[str] = frozenset(),
    state_lines: StateLines | None = None,
) -> None:
    """Add every problem of the whole to `faults`.

    Variables in `unsound` were read with problems: what hangs on their figures is not
    judged. `state_lines` holds the line of a (variable, state) where it is known.
    """
    lines = state_lines or {}
    graph = _graph(model)
    for loop in _loops(graph):
        _tell_loop(faults, model, loop)
    if not _bearable(faults, model, unsound):
        return
    for variable in model.variables:
        if variable.name not in unsound and _fits(faults, model, variable):
            _check_rows(faults, model, variable)
            _check_states_occur(faults, variable, lines)
    _check_findings(faults, model)
    _check_causes(faults, model, graph, unsound, lines)
    validate_shop(model, faults)


def _graph(model: FaultModel) -> Graph:
    """An arrow from each variable to what depends on it."""
    import networkx as nx  # slow to import; a model that is read is compiled next, which needs it

    graph = nx.DiGraph()
    graph.add_nodes_from(model.by_name)
    graph.add_edges_from(
        (parent, variable.name)
        for variable in model.variables
        for parent in variable.parents
        if parent in model.by_name
    )
    return graph


# --- loops


def _loops(graph: Graph) -> Iterator[list[str]]:
    """Loops that share no variable: each a chain of names in which one depends on the next."""
    import networkx as nx

    left = graph.reverse()
    while True:
        try:
            loop = [name for name, _ in nx.find_cycle(left)]
        except nx.NetworkXNoCycle:
            return
        yield loop
        left.remove_nodes_from(loop)


def _tell_loop(faults: Faults, model: FaultModel, loop: Sequence[str]) -> None:
    # Begin with the one that stands first in the file.
    first = min(range(len(loop)), key=lambda number: model.by_name[loop[number]].line)
    names = [*loop[first:], *loop[:first], loop[first]]
    faults.add(
        model.by_name[names[0]].line,
        f"These depend on each other in a loop: {' <- '.join(names)}.",
        "Take one of the arrows out.",
    )


# --- tables


def _combinations(model: FaultModel, variable: Variable) -> int:
    return math.prod(len(model.by_name[parent].states) for parent in variable.parents)


def _bearable(faults: Faults, model: FaultModel, unsound: frozenset[str]) -> bool:
    """Whether the tables can be gone through in a moment; counted, not expanded."""
    work = 0
    for variable in model.variables:
        table = variable.distribution
        if variable.name in unsound or not isinstance(table, Table):
            continue
        combinations = _combinations(model, variable)
        if combinations * len(variable.states) > ENTRY_LIMIT:
            continue  # told by itself
        work += len(table.rows) * combinations
        if work > WORK_LIMIT:
            faults.add(
                variable.line,
                f"Up to {variable.name}, the tables have more than {WORK_LIMIT:,} rows times "
                "combinations of their parents.",
                "Give tables fewer rows or parents, put conditions between, or use noisy_max.",
            )
            return False
    return True


def _fits(faults: Faults, model: FaultModel, variable: Variable) -> bool:
    """Whether a table is small enough to be written out; counted, not expanded."""
    if not isinstance(variable.distribution, Table):
        return True
    family = [model.by_name[parent] for parent in variable.parents]
    entries = math.prod(len(parent.states) for parent in family) * len(variable.states)
    if entries <= ENTRY_LIMIT:
        return True
    faults.add(
        variable.line,
        f"The table of {variable.name} over its {len(family)} parents would hold "
        f"{counted(entries)} numbers.",
        f"At most {ENTRY_LIMIT:,}: give it fewer parents, put a condition between, or use "
        "noisy_max.",
    )
    return False


def _check_rows(faults: Faults, model: FaultModel, variable: Variable) -> None:
    """Rows that never match, and combinations without a row."""
    table = variable.distribution
    if not isinstance(table, Table):
        return
    family = [model.by_name[parent] for parent in table.parents]
    uncovered: Flags = np.ones([len(parent.states) for parent in family], dtype=bool)
    for row in table.rows:
        here = uncovered & _where(row.when, family)
        if not here.any():
            faults.add(
                row.line,
                f"This row of {variable.name} never counts: the rows above it take every case.",
                "Move it up, or leave it out.",
            )
        uncovered &= ~here
    if not uncovered.any():
        return
    first = np.unravel_index(int(np.argmax(uncovered)), uncovered.shape)
    case = ", ".join(
        f"{parent.name} = {parent.states[int(number)]}"
        for parent, number in zip(family, first, strict=True)
    )
    more = int(uncovered.sum()) - 1
    others = f" (and {more:,} more)" if more else ""
    faults.add(
        variable.line,
        f"{variable.kind} {variable.name} has no row for {case}{others}.",
        "Add a row, or end with otherwise: ...",
    )


def _where(when: Mapping[str, Sequence[str]], family: Sequence[Variable]) -> Flags:
    """The cases a row asks for: one axis per parent, of length one where any state will do."""
    where = np.ones([1] * len(family), dtype=bool)
    for axis, parent in enumerate(family):
        if parent.name in when:
            shape = [1] * len(family)
            shape[axis] = len(parent.states)
            matches = [state in when[parent.name] for state in parent.states]
            where = where & np.array(matches).reshape(shape)
    return where


def possible_states(variable: Variable) -> tuple[bool, ...]:
    """Whether each state has a chance above zero for some states of the parents."""
    distribution = variable.distribution
    count = len(variable.states)
    if isinstance(distribution, Table):
        return tuple(any(row.gives[s] > 0 for row in distribution.rows) for s in range(count))
    if isinstance(distribution, FirstOf):
        return (True,) * count
    if isinstance(distribution, SimpleTest):
        return (
            distribution.sensitivity < 1 or distribution.specificity > 0,
            distribution.sensitivity > 0 or distribution.specificity < 1,
        )
    if isinstance(distribution, NoisyMax):
        # With one parent at work: the worst of the leak and that one.
        leak = distribution.leak.gives
        lowest = next(s for s in range(count) if leak[s] > 0)
        links = [link.gives for states in distribution.links.values() for link in states.values()]
        return tuple(
            s >= lowest and (leak[s] > 0 or any(gives[s] > 0 for gives in links))
            for s in range(count)
        )
    cases = distribution.values.reshape(-1, count)
    return tuple(bool(np.any(cases[:, s] > 0)) for s in range(count))


def _check_states_occur(faults: Faults, variable: Variable, lines: StateLines) -> None:
    what = "result" if variable.kind is Kind.FINDING else "state"
    for state, possible in zip(variable.states, possible_states(variable), strict=True):
        if possible:
            continue
        if variable.kind is Kind.COMPLAINT:
            found = f"The complaint can never be {state}: nothing brings it about."
            right = "Give it conditions or causes under any_of."
        else:
            found = (
                f"The {what} {state} of {variable.name} is never used: its chance is zero "
                "in every case."
            )
            right = "Give it a chance somewhere, or leave it out."
        faults.add(lines.get((variable.name, state), variable.line), found, right)


# --- findings and causes


def _check_findings(faults: Faults, model: FaultModel) -> None:
    for check in model.checks:
        results = math.prod(len(model.by_name[name].states) or 1 for name in check.observes)
        if results > RESULT_LIMIT:
            faults.add(
                check.line,
                f"check {check.name} has {counted(results)} joint results.",
                f"At most {RESULT_LIMIT:,}: make several checks of it.",
            )
    observed = {name for check in model.checks for name in check.observes}
    at_intake = {name for check in model.checks if check.intake for name in check.observes}
    for finding in model.of_kind(Kind.FINDING):
        if finding.name not in observed and model.checks:
            faults.add(
                finding.line,
                f"No check observes the finding {finding.name}.",
                f"Add it to the observes of a check, or leave it out: observes: [{finding.name}].",
            )
        elif finding.name in at_intake and not finding.ask:
            faults.add(
                finding.line,
                f"finding {finding.name} is asked at the counter, but has no ask.",
                "Give the question, such as ask: Is the panel lit from behind?",
            )


def _check_causes(
    faults: Faults,
    model: FaultModel,
    graph: Graph,
    unsound: frozenset[str],
    lines: StateLines,
) -> None:
    import networkx as nx

    findings = [finding.name for finding in model.of_kind(Kind.FINDING)]
    telling = set[str]().union(*(nx.ancestors(graph, name) for name in findings))
    complaint = None if model.complaint is None else model.by_name[model.complaint]
    complained = set() if complaint is None else nx.ancestors(graph, complaint.name)
    for cause in model.of_kind(Kind.CAUSE):
        if findings and cause.name not in telling:
            faults.add(
                cause.line,
                f"No finding depends on the cause {cause.name}, so no check can ever tell it.",
                "Let a finding depend on it, directly or over a condition.",
            )
        # A complaint without parents is complained about on its own.
        if complaint is not None and complaint.parents and cause.name not in complained:
            faults.add(
                cause.line,
                f"The cause {cause.name} can never bring the complaint {complaint.name} about.",
                "Add it to any_of of the complaint, or to a condition that is there.",
            )
        own = [model.by_name[name] for name in graph.successors(cause.name)]
        if not own or any(child.name in unsound for child in own):
            continue
        for state in cause.states[1:]:
            if not any(tells_apart(child, cause, state) for child in own):
                faults.add(
                    lines.get((cause.name, state), cause.line),
                    f"The state {state} of the cause {cause.name} changes nothing: "
                    f"all that depends on it ({listed([child.name for child in own])}) "
                    f"treats it like {cause.states[0]}.",
                    "Let something depend on it, or leave it out.",
                )


def tells_apart(child: Variable, parent: Variable, state: str) -> bool:
    """Whether `child` treats `state` of `parent` otherwise than its normal state."""
    distribution = child.distribution
    normal = parent.states[0]
    if isinstance(distribution, Table):
        return any(
            parent.name in row.when
            and (state in row.when[parent.name]) != (normal in row.when[parent.name])
            for row in distribution.rows
        )
    if isinstance(distribution, FirstOf):
        return True
    if isinstance(distribution, SimpleTest):
        return (state in distribution.shows) != (normal in distribution.shows)
    if isinstance(distribution, NoisyMax):
        link = distribution.links.get(parent.name, {}).get(state)
        return link is not None and any(chance > 0 for chance in link.gives[1:])
    axis = distribution.parents.index(parent.name)
    here = np.take(distribution.values, parent.states.index(state), axis=axis)
    return not np.array_equal(here, np.take(distribution.values, 0, axis=axis))
