"""The belief about the machine as it is now, over listed scenarios.

Findings made before a repair judge the machine as it was, later ones the machine as
it is: the cause state before, the repair's success, the cause state after.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from functools import lru_cache

import numpy as np

from faultfinder.decide.problem import codes_of, moved, moves_by
from faultfinder.decide.scenarios import (
    Common,
    common_conditions,
    finding_likelihoods,
    on_histories,
    scenario_values,
    sum_histories,
)
from faultfinder.errors import ImpossibleEvidence, MisuseError, did_you_mean
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import certain, evidence_from, log_probability, silent_about
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind


@frozen
class Tried:
    """A repair that was made and did not cure, and the results since; None: could not tell."""

    repair: str
    results_since: Mapping[str, str | None] = field(default_factory=dict)

    @property
    def findings(self) -> dict[str, str]:
        """What was found since."""
        return {name: result for name, result in self.results_since.items() if result is not None}

    @property
    def unclear(self) -> tuple[str, ...]:
        """What was looked for since and could not be told."""
        return tuple(name for name, result in self.results_since.items() if result is None)


@frozen
class BeliefNow:
    """The belief about the machine as it is: weights (scenarios,) summing to one.

    `likelihoods` are P(result | scenario, what is known of the condition it shares with
    others) of every finding; `neglected` is the
    probability of the scenarios left out, `evidence_probability` that of the findings
    before any repair. `since` is, for each repair tried, the probability of what was
    found after it, given all before and that it did not cure.
    """

    weights: Array
    likelihoods: Mapping[int, Array]
    neglected: float
    evidence_probability: float
    since: tuple[float, ...] = ()


def belief_now(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    tried: Sequence[Tried] = (),
    at_once: int = 3,
    hints: Mapping[int, Array] | None = None,
    exact: float | None = None,
) -> BeliefNow:
    """The belief after findings, repairs that did not cure, and findings since.

    `findings` were made before any repair. After each repair in `tried` the complaint
    is taken to be still there, unless its findings say otherwise. `hints` are likelihoods of
    causes, shape (states,), of the machine as it came; `exact` is how likely all of `findings` are,
    where that was worked out before. Raises
    ImpossibleEvidence when nothing explains what was found.
    """
    model, network = compiled.model, compiled.network
    roots = {v.name for v in model.of_kind(Kind.HISTORY)}
    known = {name: state for name, state in findings.items() if name in roots}
    for step in tried:
        for name, state in step.findings.items():
            if name in roots and known.setdefault(name, state) != state:
                raise MisuseError(
                    f"{name} is given twice: as {known[name]} and, after a repair, as {state}. "
                    "What happened before does not change: keep the one that is right."
                )
    shared = on_histories(compiled, at_once)
    at_start = {n: s for n, s in findings.items() if network.index[n] in shared}
    histories = sum_histories(compiled, {**known, **at_start}, at_once)
    likelihoods = finding_likelihoods(compiled, histories, at_once)
    judge = _Judge(compiled, likelihoods, common_conditions(compiled, at_once), roots, at_once)
    rest = {name: state for name, state in findings.items() if name not in at_start}
    silent = silent_about(compiled, findings)
    weights = judge.seen(histories.weights, rest, {**silent, **(hints or {})})
    # After a repair the machine is another, of which nobody has been silent.
    told = judge.told(tried[-1].findings) if tried else judge.told(rest, silent)
    kept = float(weights.sum())
    if exact is None:
        evidence = evidence_from(compiled, {**findings, **known}, hints)
        exact = float(np.exp(log_probability(compiled, evidence)[0]))
    if kept <= 0.0 or exact <= 0.0:
        raise ImpossibleEvidence(sorted(findings.items()))
    weights = weights / kept
    repairs = model.repairs_by_name
    since: list[float] = []
    for step in tried:
        if step.repair not in repairs:
            raise MisuseError(
                f'This model has no repair "{step.repair}". {did_you_mean(step.repair, repairs)}'
            )
        uncured = judge.seen(_after(compiled, step.repair, weights, at_once), {})
        weights = judge.seen(uncured, step.findings)
        total = float(weights.sum())
        if total <= 0.0:
            raise ImpossibleEvidence([(step.repair, "done"), *sorted(step.findings.items())])
        since.append(total / float(uncured.sum()))
        weights = weights / total
    neglected = max(0.0, 1.0 - kept / exact)
    return BeliefNow(weights, told, neglected, exact, tuple(since))


@frozen
class _Judge:
    """Weighs scenarios by what was seen; the complaint counts as seen unless denied."""

    compiled: CompiledModel
    likelihoods: Mapping[int, Array]
    commons: tuple[Common, ...]
    histories: set[str]
    at_once: int

    def seen(
        self,
        weights: Array,
        results: Mapping[str, str],
        silent: Mapping[int, Array] | None = None,
    ) -> Array:
        """Scenarios weighed by results, and by what nobody mentioned (`silent`: a likelihood
        vector by finding)."""
        scenarios, _ = scenario_values(self.compiled, self.at_once)
        causes = self.compiled.causes
        vectors = {**self._vectors(results), **(silent or {})}
        for number, vector in vectors.items():
            if number in causes:
                weights = weights * vector[scenarios[:, causes.index(number)]]
            elif not self._shared(number):
                weights = weights * (vector @ self.likelihoods[number])
        for common in self.commons:
            if vectors.keys() & common.shows.keys():
                weights = weights * common.held(vectors).sum(axis=0)
        return weights

    def told(
        self, results: Mapping[str, str], silent: Mapping[int, Array] | None = None
    ) -> dict[int, Array]:
        """P(result | scenario, that), of every finding."""
        silent = silent or {}
        told = dict(self.likelihoods)
        for number, vector in silent.items():
            if not self._shared(number):
                told[number] = told[number] * vector[:, None] / (vector @ told[number])
        vectors = {**self._vectors(results), **silent}
        for common in self.commons:
            if vectors.keys() & common.shows.keys():
                held = common.held(vectors)
                held = held / np.maximum(held.sum(axis=0), np.finfo(float).tiny)
                for number, shows in common.shows.items():
                    if number in silent:
                        shows = shows * silent[number][:, None] / (silent[number] @ shows)
                    told[number] = shows @ held
        return told

    def _shared(self, number: int) -> bool:
        return any(number in common.shows for common in self.commons)

    def _vectors(self, results: Mapping[str, str]) -> dict[int, Array]:
        """A likelihood vector for each result, histories left out."""
        model, network = self.compiled.model, self.compiled.network
        named = dict(results)
        if model.complaint is not None and model.complaint not in named:
            named[model.complaint] = model.by_name[model.complaint].states[-1]
        vectors = {}
        for name, state in named.items():
            if name not in self.histories:
                number = network.index[name]
                states = network.states[number]
                vectors[number] = certain(len(states), states.index(state))
        return vectors


@lru_cache(maxsize=256)
def mending(compiled: CompiledModel, name: str) -> Array:
    model, network = compiled.model, compiled.network
    repair = model.repairs_by_name[name]
    widest = max(network.cards[cause] for cause in compiled.causes)
    table = np.zeros((len(compiled.causes), widest))
    for place, cause in enumerate(compiled.causes):
        for state, chance in repair.mends.get(network.names[cause], {}).items():
            table[place, network.states[cause].index(state)] = chance
    return table


def _after(compiled: CompiledModel, repair: str, weights: Array, at_once: int) -> Array:
    """The belief about the machine as it is after a repair."""
    scenarios, _ = scenario_values(compiled, at_once)
    success = mending(compiled, repair)[np.arange(len(compiled.causes)), scenarios]
    return moved(weights, moves_by(repair, success, scenarios, codes_of(scenarios)))
