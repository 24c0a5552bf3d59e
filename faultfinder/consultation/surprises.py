"""Findings that do not fit: impossible ones are refused, unlikely ones are named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.decide.belief import Tried
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.contradiction import fit_of_each, smallest_contradiction
from faultfinder.inference.posterior import Evidence, beliefs, posterior
from faultfinder.inference.propagation import Calibrated
from faultfinder.model.parts import FaultModel

SURPRISING = 0.02
"""A finding at most this likely, given all else that is known, is worth a second look."""

RARER = 0.5
"""All else must make it rarer than on any machine by this factor: what is rare by nature, such as
one of twenty things that can have been done before, is no surprise."""

_AGAIN = "It may be right; look at it again before work is built on it."


def contradiction(
    compiled: CompiledModel, evidence: Evidence, known: Mapping[str, str]
) -> ImpossibleEvidence:
    """The refusal that names a smallest set of findings that contradict each other."""
    found = smallest_contradiction(compiled, evidence, _complaint_only(compiled))
    return ImpossibleEvidence(
        [(compiled.network.names[v], known[compiled.network.names[v]]) for v in found]
    )


def _complaint_only(compiled: CompiledModel) -> frozenset[int]:
    """The complaint's variable number, which is never called the odd one out."""
    complaint = compiled.model.complaint
    return frozenset() if complaint is None else frozenset({compiled.network.index[complaint]})


def surprises(
    compiled: CompiledModel, evidence: Evidence, calibrated: Calibrated, known: Mapping[str, str]
) -> tuple[str, ...]:
    """A sentence for each finding that the rest makes unlikely, the oddest first."""
    if len(known) < 2:
        return ()
    fits = fit_of_each(compiled, evidence, calibrated, _complaint_only(compiled))
    odd = sorted((fit, number) for number, fit in fits.items() if fit <= SURPRISING * (1.0 + 1e-9))
    if not odd:
        return ()
    average = beliefs(compiled, Evidence({}))
    sentences = []
    for fit, number in odd:
        by_itself = float(posterior(compiled, average, number)[:, 0] @ evidence.likelihoods[number])
        if fit > RARER * by_itself:
            continue
        name = compiled.network.names[number]
        share = f"{fit * 100:.1f} %" if fit >= 0.0005 else f"{fit:.1e}"
        said = f"Surprising: given all else, {name}={known[name]} has a probability of {share}."
        sentences.append(f"{said} {_AGAIN}")
    return tuple(sentences)


def surprises_since(
    model: FaultModel, tried: Sequence[Tried], since: Sequence[float]
) -> tuple[str, ...]:
    """A sentence for each repair after which something unlikely was found; `since` are the
    probabilities of what was."""
    sentences = []
    for step, chance in zip(tried, since, strict=True):
        if step.findings and chance < SURPRISING:
            title = model.repairs_by_name[step.repair].title
            found = ", ".join(f"{name}={state}" for name, state in step.findings.items())
            sentences.append(
                f'Surprising: after "{title}", which did not cure, {found} has a probability of '
                f"{chance * 100:.1f} %. {_AGAIN}"
            )
    return tuple(sentences)
