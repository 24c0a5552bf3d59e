"""The share of a cause that the model does not list.

A rival to all listed causes, held before with the share `prior`: under it every result is
drawn on its own from what the average machine with the complaint shows, spread evenly over
the results by `flatness`. What fits a listed cause, the listed causes explain better; what
fits none raises the rival by as much as it surprises them (Bayes' rule).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import Evidence, beliefs, evidence_from, posterior
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind


@dataclass(frozen=True, eq=False)
class Average:
    """The average machine with the complaint: P(result), shape (states,), by variable number,
    and the natural log of P(complaint). `given` narrows it to some states of causes."""

    shows: Mapping[int, Array]
    log_complaint: float


def average(compiled: CompiledModel, given: Mapping[int, Array] | None = None) -> Average:
    """What the average machine with the complaint shows, exactly.

    `given` are likelihoods of causes, shape (states,), to take some of them out.
    """
    calibrated = beliefs(compiled, evidence_from(compiled, {}).with_columns(given or {}))
    asked = [n for n, v in enumerate(compiled.model.variables) if _is_told(v.kind)]
    shows = {number: posterior(compiled, calibrated, number)[:, 0] for number in asked}
    return Average(shows, float(calibrated.log_evidence[0]))


def _is_told(kind: Kind) -> bool:
    return kind in (Kind.FINDING, Kind.HISTORY)


def unlisted_share(
    compiled: CompiledModel, evidence: Evidence, log_evidence: float, machine: Average
) -> float:
    """P(a cause that is not listed | evidence); 0 where the model says nothing of such causes.

    `log_evidence` is the natural log of P(evidence) under the listed causes (minus infinity
    when they rule it out, and the share is then 1).
    """
    unlisted = compiled.model.unlisted
    if unlisted is None:
        return 0.0
    if np.isneginf(log_evidence):
        return 1.0
    rival = 0.0
    for number, vector in evidence.weighed.items():
        if number not in machine.shows:
            continue
        shown = machine.shows[number]
        # What happened before does not hang on the fault's name.
        flat = unlisted.flatness if compiled.model.variables[number].kind is Kind.FINDING else 0.0
        rival += float(np.log(((1.0 - flat) * shown + flat / len(shown)) @ vector))
    odds = unlisted.prior / (1.0 - unlisted.prior)
    for_it = np.log(odds) + rival - (log_evidence - machine.log_complaint)
    return float(1.0 / (1.0 + np.exp(-np.clip(for_it, -700.0, 700.0))))
