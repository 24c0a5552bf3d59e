"""Any discrete Bayesian network of pgmpy as a model to diagnose with."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.interchange.formats import check_node, node_of
from faultfinder.model.parts import Check, Dense, FaultModel, Kind, Kit, Stage, Variable


def from_pgmpy(
    network: Any,
    causes: Mapping[str, Sequence[str]],
    checks: Iterable[str] | Mapping[str, str | Sequence[str]],
    costs: Mapping[str, float] | None = None,
    kits: Mapping[str, tuple[float, Sequence[str]]] | None = None,
) -> CompiledModel:
    """A pgmpy DiscreteBayesianNetwork as a model for `Case` and `consult`.

    `causes` maps a node to its faulty states. `checks` are nodes, or map a check's
    name to the node or nodes it observes. `costs` maps a check to its minutes
    (default 1), `kits` what must be set up once to its minutes and the checks that need it.
    No complaint is added: pass whatever is known as findings.
    Raises MisuseError for names the network does not have, costs below zero, and tables as
    `node_of` does.
    """
    nodes = {node.name: node for node in (node_of(network, name) for name in network.nodes())}
    faulty = {}
    for node, wanted in causes.items():
        cause = str(node)
        check_node(cause, nodes, "cause")
        for state in map(str, wanted):
            if state not in nodes[cause].states:
                hint = did_you_mean(state, nodes[cause].states)
                raise MisuseError(f'{cause} has no state "{state}". {hint}')
        faulty[cause] = tuple(map(str, wanted))
    observed = _observed(checks, nodes)
    costs, kits = costs or {}, kits or {}
    _check_costs(costs, kits, observed)

    def kind(node: str) -> Kind:
        return Kind.CAUSE if node in faulty else Kind.FINDING

    # Causes in the order asked for, so that joint states have a known order.
    order = [nodes[name] for name in [*faulty, *(name for name in nodes if name not in faulty)]]
    model = FaultModel(
        name="network",
        title="network",
        variables=tuple(
            Variable(n.name, kind(n.name), n.name, n.states, Dense(n.parents, n.table))
            for n in order
        ),
        checks=tuple(
            Check(
                name,
                name,
                group,
                float(costs.get(name, 1.0)),
                "bench",
                kits=tuple(kit for kit, (_, served) in kits.items() if name in served),
            )
            for name, group in observed.items()
        ),
        kits=tuple(Kit(kit, kit, float(took)) for kit, (took, _) in kits.items()),
        stages=(Stage("bench", "bench", powered=True),),
        moves=(),
        start="bench",
        faulty=faulty,
    )
    return compile_model(model)


def _check_costs(
    costs: Mapping[str, float],
    kits: Mapping[str, tuple[float, Sequence[str]]],
    observed: Collection[str],
) -> None:
    for name in costs:
        if name not in observed:
            raise MisuseError(f'A cost is given for "{name}". {did_you_mean(name, observed)}')
        if not costs[name] >= 0:
            raise MisuseError(f"The cost of {name} is {costs[name]}; it must be at least 0.")
    for name, (setting_up, checked) in kits.items():
        for check in checked:
            if check not in observed:
                hint = did_you_mean(check, observed)
                raise MisuseError(f'The kit {name} serves "{check}". {hint}')
        if not setting_up >= 0:
            raise MisuseError(f"The kit {name} takes {setting_up}; it must be at least 0.")


def _observed(
    checks: Iterable[str] | Mapping[str, str | Sequence[str]], nodes: Collection[str]
) -> dict[str, tuple[str, ...]]:
    if not isinstance(checks, Mapping):
        checks = {str(name): str(name) for name in checks}
    observed = {}
    for check, what in checks.items():
        several = isinstance(what, Sequence) and not isinstance(what, str)
        group = tuple(map(str, what)) if several else (str(what),)
        for node in group:
            check_node(node, nodes, f"check {check}")
        if not group or len(set(group)) != len(group):
            raise MisuseError(f"The check {check} must observe at least one node, each once.")
        observed[check] = group
    return observed
