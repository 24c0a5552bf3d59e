"""A model's assessment and sensitivity in JSON form."""

from __future__ import annotations

from typing import Any

from faultfinder.assess.figures import Figure
from faultfinder.assess.sensitivity import Sensitivity, Turn
from faultfinder.assess.single_faults import Fault
from faultfinder.assess.testability import Assessment, Group, Neighbour
from faultfinder.model.parts import FaultModel


def model_json(model: FaultModel, found: Assessment) -> dict[str, Any]:
    """The model with what depends on what, and how well its faults are told apart.

    Probabilities and total-variation distances are in [0, 1], times in minutes.
    """
    isolation = found.isolation
    return {
        "model": model.name,
        "title": model.title,
        "variables": [
            {
                "name": variable.name,
                "kind": str(variable.kind),
                "title": variable.title,
                "states": list(variable.states),
                "parents": list(variable.parents),
            }
            for variable in model.variables
        ],
        "checks": [
            {
                "check": check.name,
                "title": check.title,
                "stage": check.stage,
                "minutes": check.minutes,
                "observes": list(check.observes),
                "speaks_on": dict(found.speaks.get(check.name, {})),
            }
            for check in model.checks
        ],
        "tolerance": found.tolerance,
        "faults": [
            {**_fault(fault), "share": share}
            for fault, share in zip(found.faults, found.share, strict=True)
        ],
        "ambiguity_groups": [_group(group) for group in found.groups],
        "ambiguity_groups_with_questions": [_group(group) for group in found.groups_asked],
        "isolated_fraction": {str(most): found.isolated_fraction(most) for most in (1, 2, 3)},
        "pairs": [_pair(pair) for pair in found.pairs],
        "unseen": [_fault(fault) for fault in found.unseen],
        "silent": [_fault(fault) for fault in found.silent],
        "isolation": None
        if isolation is None
        else {
            "exact": isolation.tickets == 0,
            "tickets_per_cause": isolation.tickets,
            "seed": isolation.seed,
            "faults_at_once": isolation.at_once,
            "causes": [
                {
                    "cause": item.cause,
                    "share": item.share,
                    "isolated": item.leads,
                    "isolated_95": [item.leads_low, item.leads_high],
                    "among_first": {str(most): p for most, p in item.among.items()},
                    "minutes": item.minutes,
                    "minutes_95": [item.minutes_low, item.minutes_high],
                }
                for item in isolation.causes
            ],
        },
    }


def _fault(fault: Fault) -> dict[str, str]:
    return {"cause": fault.cause, "state": fault.state}


def _group(group: Group) -> dict[str, Any]:
    return {
        "faults": [_fault(fault) for fault in group.faults],
        "nearest_check": group.check or None,
        "distance": group.distance,
        "question": group.question or None,
        "question_distance": group.asked,
    }


def _pair(pair: Neighbour) -> dict[str, Any]:
    return {
        "faults": [_fault(pair.fault), _fault(pair.other)],
        "best_check": pair.check or None,
        "distance": pair.distance,
    }


def sensitivity_json(model: FaultModel, found: Sensitivity) -> dict[str, Any]:
    """The figures on which the next check hangs, the smallest margin first."""
    return {
        "model": model.name,
        "findings": dict(found.findings),
        "next": found.check or None,
        "figures_moved": found.moved,
        "figures_that_change_it": found.hanging,
        "farthest_odds_factor": found.farthest,
        "hinges": [
            {
                **_figure(hinge.figure),
                "margin": hinge.margin,
                "down": _turn(hinge.down),
                "up": _turn(hinge.up),
            }
            for hinge in found.hinges
        ],
    }


def _figure(figure: Figure) -> dict[str, Any]:
    basis = figure.basis
    return {
        "variable": figure.variable,
        "part": figure.part,
        "where": figure.where,
        "state": figure.state,
        "value": figure.value,
        "basis": None
        if basis is None
        else {"kind": basis.kind, "text": basis.text, "worth": basis.worth},
    }


def _turn(turn: Turn | None) -> dict[str, Any] | None:
    if turn is None:
        return None
    return {"odds_factor": turn.factor, "value": turn.value, "next": turn.check or None}
