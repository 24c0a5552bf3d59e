"""The diagnosis of a machine as it is now, after repairs that did not cure.

Findings made before a repair judged the machine as it was, later ones the machine
as it is; `faultfinder.decide.belief.belief_now` carries the belief across. The
result has the same shape as a first diagnosis.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from faultfinder.consultation.next_check import (
    SURPRISING,
    Diagnosis,
    best_first,
    rank_check,
    stop_sentence,
)
from faultfinder.decide.belief import Tried
from faultfinder.decide.policies.planners import Gains
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel


def diagnose_now(
    compiled: CompiledModel,
    problem: Problem,
    findings: Mapping[str, str],
    tried: Sequence[Tried],
    unclear: Sequence[str],
    shop: Shop,
) -> Diagnosis:
    """Causes and open checks over the scenarios of `problem` (from `build_problem`).

    `findings` were made before the repairs in `tried`. The evidence probability is
    that of the findings before any repair: what a repair changes is not drawn from
    the model alone.
    """
    model = compiled.model
    states: dict[str, dict[str, float]] = {}
    for place, cause in enumerate(problem.causes):
        names = model.by_name[cause].states
        held = np.bincount(
            problem.scenarios[:, place], problem.weights, minlength=len(names)
        ).tolist()
        states[cause] = dict(zip(names, held, strict=True))
    present = {
        cause: min(1.0, sum(states[cause][s] for s in model.faulty_states(cause)))
        for cause in states
    }
    seen = dict(findings)
    for step in tried:
        seen.update(step.findings)
    stage = problem.stages[problem.stage]
    bits = Gains(problem).bits(problem.weights).tolist()
    checks = []
    for action, gain in zip(problem.checks, bits, strict=True):
        if np.isfinite(problem.travel[problem.stage, action.stage]):
            chances = (action.likelihood @ problem.weights).tolist()
            outcomes = dict(zip(action.results, chances, strict=True))
            checks.append(rank_check(compiled, action.name, gain, outcomes, stage, shop))
    return Diagnosis(
        findings=dict(findings),
        unclear=tuple(unclear),
        causes=dict(sorted(present.items(), key=lambda item: (-item[1], item[0]))),
        cause_states=states,
        checks=best_first(checks),
        evidence_probability=problem.evidence_probability,
        target="joint state of all causes",
        stage=stage,
        warnings=_surprises(compiled, tried, problem.since),
        stop=stop_sentence(compiled, seen),
    )


def _surprises(
    compiled: CompiledModel, tried: Sequence[Tried], since: Sequence[float]
) -> tuple[str, ...]:
    """A sentence for each repair after which something unlikely was found."""
    sentences = []
    for step, chance in zip(tried, since, strict=True):
        if step.findings and chance < SURPRISING:
            title = compiled.model.repairs_by_name[step.repair].title
            found = ", ".join(f"{name}={state}" for name, state in step.findings.items())
            sentences.append(
                f'Surprising: after "{title}", which did not cure, {found} has a probability of '
                f"{chance * 100:.1f} %. It may be right; look at it again before work is built "
                "on it."
            )
    return tuple(sentences)


def after_results_now(problem: Problem, check: str) -> dict[str, dict[str, float]]:
    """What each possible result of a check would make of the causes: label -> cause -> chance."""
    action = next(item for item in problem.checks if item.name == check)
    found = {}
    for label, row in zip(action.results, action.likelihood, strict=True):
        joint = row * problem.weights
        total = float(joint.sum())
        if total > 0.0:
            present = (joint / total) @ (problem.scenarios != 0)
            found[label] = dict(zip(problem.causes, present.tolist(), strict=True))
    return found
