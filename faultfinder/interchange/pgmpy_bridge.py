"""Any discrete Bayesian network of pgmpy as a model to diagnose with."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.parts import Check, Dense, FaultModel, Kind, Kit, Stage, Variable


def from_pgmpy(
    network: Any,
    causes: Mapping[str, Sequence[str]],
    checks: Iterable[str] | Mapping[str, str | Sequence[str]],
    costs: Mapping[str, float] | None = None,
    kits: Mapping[str, tuple[float, Sequence[str]]] | None = None,
) -> CompiledModel:
    """Make a pgmpy DiscreteBayesianNetwork ready for `diagnose`.

    `causes` maps a node to its faulty states. `checks` are nodes, or map a check's
    name to the node or nodes it observes. `costs` maps a check to its minutes
    (default 1), `kits` what must be set up once to its minutes and the checks that need it.
    No complaint is added: pass whatever is known as findings.
    Raises MisuseError for names the network does not have, tables that do not sum
    to one (tolerance 1e-6; within it they are scaled to one), or costs below zero.
    """
    nodes = [str(node) for node in network.nodes()]
    tables: dict[str, tuple[tuple[str, ...], tuple[str, ...], np.ndarray]] = {}
    for node in network.nodes():
        table = network.get_cpds(node)
        if table is None:
            raise MisuseError(f"The network has no table for {node}.")
        parents = tuple(str(name) for name in table.variables[1:])
        # pgmpy puts the child first; ours has it last.
        values = np.moveaxis(np.asarray(table.values, dtype=np.float64), 0, -1)
        sums = values.sum(axis=-1)
        if not np.all(np.isfinite(values)) or np.any(values < 0) or np.abs(sums - 1).max() > 1e-6:
            raise MisuseError(f"The table of {node} has columns that do not sum to one.")
        states = tuple(str(state) for state in table.state_names[node])
        # Files round their columns (0.3333333 three times); probabilities sum to one.
        tables[str(node)] = (parents, states, np.ascontiguousarray(values / sums[..., None]))
    faulty = {}
    for node, wanted in causes.items():
        cause = str(node)
        _known(cause, nodes, "cause")
        for state in map(str, wanted):
            if state not in tables[cause][1]:
                raise MisuseError(
                    f'{cause} has no state "{state}". {did_you_mean(state, tables[cause][1])}'
                )
        faulty[cause] = tuple(map(str, wanted))
    observed = _observed(checks, nodes)
    minutes = dict(costs or {})
    for name in minutes:
        if name not in observed:
            raise MisuseError(f'A cost is given for "{name}". {did_you_mean(name, observed)}')
        if not minutes[name] >= 0:
            raise MisuseError(f"The cost of {name} is {minutes[name]}; it must be at least 0.")
    for name, (setting_up, checked) in (kits or {}).items():
        for check in checked:
            if check not in observed:
                raise MisuseError(
                    f'The kit {name} serves "{check}". {did_you_mean(check, observed)}'
                )
        if not setting_up >= 0:
            raise MisuseError(f"The kit {name} takes {setting_up}; it must be at least 0.")

    def kind(node: str) -> Kind:
        return Kind.CAUSE if node in faulty else Kind.FINDING

    # Causes in the order asked for, so that joint states have a known order.
    order = [*faulty, *(node for node in nodes if node not in faulty)]
    model = FaultModel(
        name="network",
        title="network",
        variables=tuple(
            Variable(n, kind(n), n, tables[n][1], Dense(tables[n][0], tables[n][2])) for n in order
        ),
        checks=tuple(
            Check(
                name,
                name,
                group,
                float(minutes.get(name, 1.0)),
                "bench",
                kits=tuple(kit for kit, (_, served) in (kits or {}).items() if name in served),
            )
            for name, group in observed.items()
        ),
        kits=tuple(Kit(kit, kit, float(took)) for kit, (took, _) in (kits or {}).items()),
        stages=(Stage("bench", "bench", powered=True),),
        moves=(),
        start="bench",
        faulty=faulty,
    )
    return compile_model(model)


def _known(name: str, nodes: Sequence[str], role: str) -> None:
    if name not in nodes:
        raise MisuseError(f'The network has no node "{name}" ({role}). {did_you_mean(name, nodes)}')


def _observed(
    checks: Iterable[str] | Mapping[str, str | Sequence[str]], nodes: Sequence[str]
) -> dict[str, tuple[str, ...]]:
    if not isinstance(checks, Mapping):
        checks = {str(name): str(name) for name in checks}
    observed = {}
    for check, what in checks.items():
        several = isinstance(what, Sequence) and not isinstance(what, str)
        group = tuple(map(str, what)) if several else (str(what),)
        for node in group:
            _known(node, nodes, f"check {check}")
        if not group or len(set(group)) != len(group):
            raise MisuseError(f"The check {check} must observe at least one node, each once.")
        observed[check] = group
    return observed
