"""What the tests of published networks share: possible evidence, and pyAgrum's own reader."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import faultfinder
from tests.networks import bif_text, published

SETS = 200
"""Evidence sets a network."""

NETWORKS = ("asia", "alarm", "child", "hepar2", "win95pts")


@dataclass(frozen=True)
class Question:
    """One evidence set, the joint target, and the checks whose gains are compared."""

    engine: faultfinder.CompiledModel
    known: Mapping[str, str]
    causes: tuple[str, ...]
    checks: Mapping[str, tuple[str, ...]]


def states_of(network: Any, node: str) -> list[str]:
    return [str(state) for state in network.get_cpds(node).state_names[node]]


def forward_sample(network: Any, rng: np.random.Generator) -> dict[str, int]:
    """One joint state of all nodes, drawn from the network: so whatever is seen is possible."""
    import networkx as nx

    drawn: dict[str, int] = {}
    for node in nx.topological_sort(network):
        table = network.get_cpds(node)
        index = (slice(None), *(drawn[parent] for parent in table.variables[1:]))
        shares = np.asarray(table.values)[index]
        drawn[node] = int(rng.choice(len(shares), p=shares / shares.sum()))
    return drawn


def questions(name: str, count: int = SETS, engines: int = 8) -> Iterator[Question]:
    """Seeded questions about a network: 0 to 8 findings, 1 to 4 causes, three checks.

    Causes are any nodes, roots and inner ones; checks any others, alone and in pairs;
    now and then a cause is among what is known.
    """
    network = published(name)
    nodes = sorted(str(node) for node in network.nodes())
    rng = np.random.default_rng(list(name.encode()))
    made = [_engine(network, nodes, rng) for _ in range(engines)]
    for number in range(count):
        engine, causes, checks = made[number % engines]
        drawn = forward_sample(network, rng)
        others = [node for node in nodes if node not in causes]
        most = min(8, len(others) - 2)
        seen = list(rng.choice(others, size=int(rng.integers(0, most + 1)), replace=False))
        if rng.random() < 0.1:
            seen.append(causes[0])
        known = {str(node): states_of(network, str(node))[drawn[str(node)]] for node in seen}
        target = causes[: int(rng.integers(1, len(causes) + 1))]
        open_checks = [c for c, what in checks.items() if not set(what) <= known.keys()]
        few = rng.choice(open_checks, size=min(3, len(open_checks)), replace=False)
        left = {
            str(check): tuple(node for node in checks[check] if node not in known) for check in few
        }
        yield Question(engine, known, tuple(target), left)


def _engine(
    network: Any, nodes: Sequence[str], rng: np.random.Generator
) -> tuple[faultfinder.CompiledModel, list[str], dict[str, tuple[str, ...]]]:
    causes = [str(node) for node in rng.choice(nodes, size=min(4, len(nodes) // 2), replace=False)]
    others = [node for node in nodes if node not in causes]
    checks: dict[str, tuple[str, ...]] = {node: (node,) for node in others}
    for number in range(6):
        pair = rng.choice(others, size=2, replace=False)
        checks[f"pair{number}"] = tuple(str(node) for node in pair)
    faulty = {cause: states_of(network, cause)[1:] for cause in causes}
    return faultfinder.from_pgmpy(network, faulty, checks), causes, checks


def elimination_of(network: Any) -> Any:
    """pgmpy's variable elimination, imported without its notices."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.inference import VariableElimination

    return VariableElimination(network)


def gain_bits(table: NDArray[np.float64]) -> float:
    """I(row; column) in bits of a joint table that sums to one."""

    def entropy(shares: NDArray[np.float64]) -> float:
        positive = shares[shares > 0.0]
        return float(-(positive * np.log2(positive)).sum())

    return entropy(table.sum(axis=1)) + entropy(table.sum(axis=0)) - entropy(table.reshape(-1))


def pgmpy_joint(
    elimination: Any, network: Any, wanted: Sequence[str], known: Mapping[str, str]
) -> NDArray[np.float64]:
    """P(wanted | known) by pgmpy's variable elimination, axes in the order wanted.

    What is wanted and known at once gets a table with all its weight in one state.
    """
    free = [node for node in wanted if node not in known]
    if free:
        found = elimination.query(free, evidence=dict(known), show_progress=False)
        table = np.asarray(found.values).transpose([found.variables.index(node) for node in free])
    else:
        table = np.ones(())
    return _with_known(table, [states_of(network, node) for node in wanted], wanted, known)


def _with_known(
    table: NDArray[np.float64],
    states: Sequence[Sequence[str]],
    wanted: Sequence[str],
    known: Mapping[str, str],
) -> NDArray[np.float64]:
    for axis, node in enumerate(wanted):
        if node in known:
            whole = np.zeros((len(states[axis]), *table.shape))
            moved = np.moveaxis(whole, 0, axis)
            index = [slice(None)] * moved.ndim
            index[axis] = states[axis].index(known[node])  # type: ignore[call-overload]
            moved[tuple(index)] = table
            table = moved
    return table


@lru_cache(maxsize=8)
def _agrum_text(name: str) -> str:
    """The file with states that pyAgrum's reader takes: names such as "<5" are coded."""

    def coded(names: str) -> str:
        return ", ".join(
            "v" + re.sub(r"[^A-Za-z0-9]", lambda odd: f"_{ord(odd[0]):x}_", state.strip())
            for state in names.split(",")
        )

    text = re.sub(
        r"(type discrete \[\s*\d+\s*\]\s*\{)([^}]*)\}",
        lambda found: f"{found[1]} {coded(found[2])} }}",
        bif_text(name),
    )
    # Rows of a table: "(state, state) 0.1, 0.9;"
    return re.sub(
        r"^(\s*)\(([^)]*)\)", lambda found: f"{found[1]}({coded(found[2])})", text, flags=re.M
    )


def agrum_network(name: str, folder: Path) -> Any:
    """The network as pyAgrum reads it from a file."""
    import pyagrum

    path = folder / f"{name}.bif"
    path.write_text(_agrum_text(name), encoding="utf-8")
    return pyagrum.loadBN(str(path))


def agrum_joints(
    bayes_net: Any, network: Any, wanted: Sequence[Sequence[str]], known: Mapping[str, str]
) -> tuple[list[NDArray[np.float64]], float]:
    """P(each group | known) by pyAgrum's lazy propagation with joint targets, and P(known)."""
    import pyagrum

    inference = pyagrum.LazyPropagation(bayes_net)
    evidence = {node: states_of(network, node).index(state) for node, state in known.items()}
    inference.setEvidence(evidence)
    groups = [[node for node in group if node not in known] for group in wanted]
    for group in groups:
        if len(group) > 1:
            inference.addJointTarget(set(group))
        elif group:
            inference.addTarget(group[0])
    inference.makeInference()
    tables = []
    for whole, group in zip(wanted, groups, strict=True):
        if len(group) > 1:
            found = inference.jointPosterior(set(group))
        elif group:
            found = inference.posterior(group[0])
        if group:
            # A pyAgrum tensor names its axes first to last; its array has them last to first.
            names = list(reversed(found.names))
            table = np.asarray(found.toarray()).transpose([names.index(node) for node in group])
        else:
            table = np.ones(())
        states = [states_of(network, node) for node in whole]
        tables.append(_with_known(table, states, whole, known))
    # With targets named, pyAgrum leaves out evidence that does not bear on them, and
    # its probability; so that is asked of a second pass.
    whole_pass = pyagrum.LazyPropagation(bayes_net)
    whole_pass.setEvidence(evidence)
    whole_pass.makeInference()
    return tables, float(whole_pass.evidenceProbability())
