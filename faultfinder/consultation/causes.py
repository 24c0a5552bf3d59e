"""What is believed of the causes: exactly before any repair, over scenarios after one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.information import effects, open_findings
from faultfinder.inference.posterior import beliefs, evidence_columns, evidence_from, posterior
from faultfinder.inference.propagation import Calibrated
from faultfinder.model.answers import join_results
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel, Kind

States = dict[str, dict[str, float]]
"""Cause -> state -> probability."""


def cause_states(compiled: CompiledModel, calibrated: Calibrated) -> States:
    """The probability of each state of each cause, before any repair."""
    return {
        variable.name: dict(
            zip(
                variable.states,
                posterior(compiled, calibrated, compiled.network.index[variable.name])[:, 0]
                .clip(0.0, 1.0)
                .tolist(),
                strict=True,
            )
        )
        for variable in compiled.model.of_kind(Kind.CAUSE)
    }


def cause_states_now(compiled: CompiledModel, problem: Problem) -> States:
    """The same of the machine as it is now, over the scenarios of the problem."""
    states: States = {}
    for place, cause in enumerate(problem.causes):
        names = compiled.model.by_name[cause].states
        column = problem.scenarios[:, place]
        held = np.bincount(column, problem.weights, minlength=len(names)).tolist()
        states[cause] = dict(zip(names, held, strict=True))
    return states


def present(model: FaultModel, states: States) -> dict[str, float]:
    """The probability that each cause is present, most likely first."""
    chances = {
        cause: min(1.0, sum(held[state] for state in model.faulty_states(cause)))
        for cause, held in states.items()
    }
    return dict(sorted(chances.items(), key=lambda item: (-item[1], item[0])))


def causes_given(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    hints: Mapping[int, Array] | None = None,
) -> dict[str, float]:
    """The probability that each cause is present, from possible findings and `hints` (see
    `evidence_from`)."""
    calibrated = beliefs(compiled, evidence_from(compiled, findings, hints))
    return present(compiled.model, cause_states(compiled, calibrated))


def chances_in_each(
    compiled: CompiledModel,
    cases: Sequence[Mapping[str, str]],
    hints: Mapping[int, Array] | None = None,
) -> Array:
    """The probability that each cause is present, as `causes_given` has it, from each of several
    sets of findings, worked out side by side: shape (cases, causes), in the model's order."""
    calibrated = beliefs(compiled, evidence_columns(compiled, cases, hints))
    chances = np.zeros((len(cases), len(compiled.causes)))
    for place, cause in enumerate(compiled.causes):
        held = posterior(compiled, calibrated, cause).clip(0.0, 1.0)
        chances[:, place] = held[compiled.faulty[cause]].sum(axis=0).clip(0.0, 1.0)
    return chances


def after_results(
    compiled: CompiledModel,
    findings: Mapping[str, str],
    unclear: tuple[str, ...],
    check: str,
    hints: Mapping[int, Array] | None = None,
) -> dict[str, dict[str, float]]:
    """What each result of a check would make of the causes: result label -> cause -> chance.

    Results that cannot happen are left out.
    """
    network = compiled.network
    evidence = evidence_from(compiled, findings, hints)
    told = open_findings(compiled, check, evidence, [network.index[name] for name in unclear])
    after = effects(compiled, evidence, told)
    found: dict[str, dict[str, float]] = {}
    for place, label in enumerate(result_labels(compiled, told)):
        if all(after[cause][:, place].sum() <= 0.0 for cause in compiled.causes):
            continue
        found[label] = {
            network.names[cause]: float(after[cause][:, place][compiled.faulty[cause]].sum())
            for cause in compiled.causes
        }
    return found


def after_results_now(problem: Problem, check: str) -> dict[str, dict[str, float]]:
    """The same of the machine as it is now, over the scenarios of the problem."""
    action = next(item for item in problem.checks if item.name == check)
    found = {}
    for label, row in zip(action.results, action.likelihood, strict=True):
        joint = row * problem.weights
        total = float(joint.sum())
        if total > 0.0:
            held = (joint / total) @ (problem.scenarios != 0)
            found[label] = dict(zip(problem.causes, held.tolist(), strict=True))
    return found


@lru_cache(maxsize=512)
def result_labels(compiled: CompiledModel, findings: tuple[int, ...]) -> tuple[str, ...]:
    """Labels of all joint results of `findings`, the last varying fastest."""
    labels: list[tuple[tuple[str, str], ...]] = [()]
    for number in findings:
        name = compiled.network.names[number]
        labels = [
            (*before, (name, s)) for before in labels for s in compiled.network.states[number]
        ]
    return tuple(join_results(pairs, len(findings) == 1) for pairs in labels)
