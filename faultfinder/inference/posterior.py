"""From findings to beliefs: evidence, and the posterior of any variable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from functools import lru_cache

import numpy as np

from faultfinder.frozen import frozen
from faultfinder.inference.compiled import (
    CompiledModel,
    ordered_factor,
    start_tables,
)
from faultfinder.inference.firsts import Factor
from faultfinder.inference.propagation import (
    Calibrated,
    calibrate,
    evidence_probability,
)
from faultfinder.inference.tree import JunctionTree, build_tree
from faultfinder.model.network import Array


@frozen
class Evidence:
    """What is known, as likelihoods by variable number.

    `likelihoods[i]` has shape (states of i,), or (states of i, batch). `silent` are those of
    findings without a result of which nobody spoke although something else was asked for:
    they stay open, and a result of their own takes the place of the silence about them.
    """

    likelihoods: Mapping[int, Array]
    silent: Mapping[int, Array] = field(default_factory=dict)

    @property
    def weighed(self) -> Mapping[int, Array]:
        """All that bears on beliefs, results and silences alike."""
        return {**self.silent, **self.likelihoods} if self.silent else self.likelihoods

    def with_columns(self, more: Mapping[int, Array]) -> Evidence:
        """This evidence together with `more`; a variable in both is multiplied."""
        joined = dict(self.likelihoods)
        for number, vector in more.items():
            if number in joined:
                before = joined[number]
                if before.ndim < vector.ndim:
                    before = before[:, None]
                elif vector.ndim < before.ndim:
                    vector = vector[:, None]
                vector = before * vector
            joined[number] = vector
        return Evidence(joined, {n: v for n, v in self.silent.items() if n not in more})


def certain(card: int, state: int) -> Array:
    """The likelihood of a finding known to be in `state`."""
    vector = np.zeros(card)
    vector[state] = 1.0
    return vector


def evidence_from(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    hints: Mapping[int, Array] | None = None,
) -> Evidence:
    """Evidence from state names; the complaint, where the model has one, is added.

    `hints` are likelihoods of variables that stay open, shape (states,) each: what bears on them
    from outside the model.

    The names must be the model's own (see `faultfinder.model.answers` for what people type).
    """
    network = compiled.network
    likelihoods = {}
    for name, state in findings.items():
        number = network.index[name]
        likelihoods[number] = certain(network.cards[number], network.states[number].index(state))
    complaint = compiled.model.complaint
    if complaint is not None and complaint not in findings:
        number = network.index[complaint]
        likelihoods[number] = certain(network.cards[number], network.cards[number] - 1)
    open_ones = {n: vector for n, vector in (hints or {}).items() if n not in likelihoods}
    return Evidence(likelihoods, {**silent_about(compiled, findings), **open_ones})


def evidence_columns(
    compiled: CompiledModel,
    findings: Sequence[Mapping[str, str]],
    hints: Mapping[int, Array] | None = None,
) -> Evidence:
    """`evidence_from` each of several sets of findings, a column each: shape (states, columns)."""
    cards = compiled.network.cards
    columns: dict[int, Array] = {}
    for place, known in enumerate(findings):
        for number, vector in evidence_from(compiled, known, hints).weighed.items():
            # Not known in the other columns: any result fits.
            held = columns.setdefault(number, np.ones((cards[number], len(findings))))
            held[:, place] = vector
    return Evidence(columns)


def silent_about(compiled: CompiledModel, findings: Mapping[str, str]) -> dict[int, Array]:
    """What silence says of each striking finding without a result: shape (states,) each.

    Nothing, unless the findings hold the answer "nothing else" (`silence` in the model).
    P(not mentioned | result) is 1 - mentioned for a striking result, else 1.
    """
    silence = compiled.model.silence
    if silence is None or findings.get(silence.finding) != silence.result:
        return {}
    return {
        compiled.network.index[variable.name]: np.array(
            [
                1.0 - variable.striking.mentioned * (s in variable.striking.values)
                for s in variable.states
            ]
        )
        for variable in compiled.model.variables
        if variable.striking is not None
        and variable.name not in findings
        and findings.keys().isdisjoint(variable.striking.unless_told)
    }


def factors_of(compiled: CompiledModel, evidence: Evidence) -> list[Factor]:
    """Evidence as factors that the tree can take in; leaves become factors on their parents."""
    network = compiled.network
    factors = []
    for number, vector in evidence.weighed.items():
        if number in compiled.leaves:
            parents = network.parents[number]
            values = network.tables[number] @ vector
            if vector.ndim == 1:
                values = values[..., None]
            factors.append(ordered_factor(parents, values))
        else:
            factors.append(((number,), vector if vector.ndim == 2 else vector[:, None]))
    return factors


def _tree_for(
    compiled: CompiledModel, factors: list[Factor]
) -> tuple[JunctionTree, tuple[Array, ...]]:
    """The model's tree, or a larger one when a finding's family did not fit into it."""
    extra = frozenset(scope for scope, _ in factors if compiled.tree.home(scope) is None)
    if not extra:
        return compiled.tree, compiled.start
    return _grown(compiled, extra)


@lru_cache(maxsize=64)
def _grown(
    compiled: CompiledModel, extra: frozenset[tuple[int, ...]]
) -> tuple[JunctionTree, tuple[Array, ...]]:
    network = compiled.network
    scopes = [compiled.tree.without_twigs(scope) for scope in sorted(extra)]
    tree = build_tree([*compiled.tree.cliques, *scopes], network.cards, network.firsts)
    tree = replace(tree, twigs=compiled.tree.twigs)
    return tree, start_tables(tree, compiled.network, compiled.leaves)


def beliefs(compiled: CompiledModel, evidence: Evidence) -> Calibrated:
    """Exact beliefs of every clique given the evidence (one batch column per evidence set)."""
    factors = factors_of(compiled, evidence)
    tree, start = _tree_for(compiled, factors)
    return calibrate(tree, start, factors)


def log_probability(compiled: CompiledModel, evidence: Evidence) -> Array:
    """Natural log of P(evidence), shape (batch,)."""
    factors = factors_of(compiled, evidence)
    tree, start = _tree_for(compiled, factors)
    return evidence_probability(tree, start, factors)


def posterior(compiled: CompiledModel, calibrated: Calibrated, number: int) -> Array:
    """P(variable | evidence): shape (states, batch)."""
    if number in compiled.leaves:
        parents = compiled.network.parents[number]
        known = calibrated.marginal(parents)
        table = compiled.network.tables[number]
        axes = list(range(len(parents)))
        result: Array = np.tensordot(table, known, axes=(axes, axes))
        return result
    return calibrated.marginal((number,))
