"""The stable machine-readable form of a diagnosis (documented in README.md)."""

from __future__ import annotations

import json
import math
from typing import Any

from faultfinder.consultation.next_check import RankedCheck
from faultfinder.report.consultation.repair import advice_json
from faultfinder.report.consultation.view import View


def next_json(view: View, why: RankedCheck | None = None) -> str:
    """The diagnosis as one JSON object, ASCII only, valid whatever the figures are.

    While a safety rule stands, "checks" is empty and "next" is null.
    """
    diagnosis = view.diagnosis
    best = diagnosis.next
    checks = () if diagnosis.stop else diagnosis.checks
    told: dict[str, Any] = {
        "model": view.model.name,
        "stage": diagnosis.stage,
        "target": diagnosis.target,
        "findings": dict(diagnosis.findings),
        "unclear": list(diagnosis.unclear),
        "evidence_probability": diagnosis.evidence_probability,
        "causes": [
            {
                "cause": name,
                "title": view.cause(name),
                "probability": chance,
                "states": dict(diagnosis.cause_states[name]),
            }
            for name, chance in diagnosis.causes.items()
        ],
        "checks": [_check(view, ranked) for ranked in checks],
        "next": None if best is None else best.check,
        "warnings": list(diagnosis.warnings),
        "stop": diagnosis.stop or None,
        "tried": [{"repair": step.repair, "findings": dict(step.findings)} for step in view.tried],
        "advice": None if view.advice is None else advice_json(view.advice),
        "currency": view.shop.currency,
    }
    if why is not None and not diagnosis.stop:
        told["why"] = _why(view, why)
    # DEL is the one control character that JSON lets through.
    return json.dumps(told, indent=2, allow_nan=False).replace("\x7f", "\\u007f")


def _check(view: View, ranked: RankedCheck) -> dict[str, Any]:
    check = view.check(ranked)
    per_cost = ranked.gain_per_cost
    return {
        "check": ranked.check,
        "title": check.title,
        "gain_bits": ranked.gain_bits,
        "minutes": ranked.minutes,
        "cost": ranked.cost,
        "gain_per_cost": per_cost if math.isfinite(per_cost) else None,
        "worth": bool(ranked.worth),
        "outcomes": dict(ranked.outcomes),
        "stage": check.stage,
    }


def _why(view: View, ranked: RankedCheck) -> dict[str, Any]:
    check = view.check(ranked)
    return {
        "check": ranked.check,
        "rank": view.diagnosis.checks.index(ranked) + 1,
        "own_minutes": check.minutes,
        "consumables": check.consumables,
        "way": [
            {"from": move.start, "to": move.end, "minutes": move.minutes}
            for move in ranked.route.moves
        ],
        "results": [
            {
                "result": label,
                "probability": ranked.outcomes[label],
                "causes": dict(causes),
            }
            for label, causes in view.after.items()
        ],
    }
