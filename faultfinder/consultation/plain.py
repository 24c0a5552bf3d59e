"""The documented plain form of a consultation: what `faultfinder next --json` prints."""

from __future__ import annotations

import math
from typing import Any

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.consult import Consultation
from faultfinder.consultation.quote import Quote
from faultfinder.consultation.ranking import RankedCheck


def plain_form(told: Consultation, why: str | None = None) -> dict[str, Any]:
    """A consultation as numbers, texts, lists and dictionaries; `why` explains a check.

    - form: 1
    - model, stage, target, findings, unclear, currency: what it is about
    - tried: repairs that did not cure, each with the `findings` since
    - evidence_probability, warnings: how well the findings fit
    - causes: `cause`, `title`, `probability`, `states`, and `change` by what came last (null
      when nothing did), most likely first
    - checks: all open ones, best first (none while a safety rule stands): `check`, `title`,
      `stage`, `gain_bits`, `minutes`, `cost`, `gain_per_cost`, `worth`, `outcomes`, and what it
      `saves` on the whole job (null where that was not weighed)
    - next: the check to make now, null when it is time to repair or hand over
    - next_step: `kind` ("check", "repair", "hand over") and `name`; null after a stop
    - stop: the sentence of a safety rule, else null
    - cautions: what must be known before the next step
    - advice: what it is weighed against and the quote; null without repairs
    - why: on demand, how a check comes to its rank and what its results would do

    Changed from forms without a number: `form`, `change`, `saves`, `next_step` and `cautions`
    are new; `next` is null whenever `advice` says repair or hand over, also where a question
    for the counter was worth asking.
    """
    case, model = told.case, told.case.model.model
    step = told.next_step
    form: dict[str, Any] = {
        "form": 1,
        "model": model.name,
        "stage": told.stage,
        "target": told.aim.title,
        "findings": case.findings,
        "unclear": list(case.unclear),
        "evidence_probability": told.evidence_probability,
        "causes": [
            {
                "cause": name,
                "title": model.by_name[name].title,
                "probability": chance,
                "change": told.change.get(name),
                "states": dict(told.cause_states[name]),
            }
            for name, chance in told.causes.items()
        ],
        "checks": [] if told.stop else [_check(told, ranked) for ranked in told.order],
        "next": None if told.next is None else told.next.check,
        "next_step": None if step is None else {"kind": step.kind, "name": step.name or None},
        "warnings": list(told.warnings),
        "stop": told.stop or None,
        "cautions": list(told.cautions),
        "tried": [{"repair": one.repair, "findings": one.findings} for one in case.tried],
        "advice": None if told.advice is None else advice_form(told.advice, told.quote),
        "currency": case.shop.currency,
    }
    if why is not None and not told.stop:
        form["why"] = _why(told, told.ranked(why))
    return form


def advice_form(advice: Advice, quote: Quote | None) -> dict[str, Any]:
    """The advice, and with it the quote."""
    return {
        "kind": advice.kind,
        "name": advice.name or None,
        "expected_cost": advice.cost,
        "expected_cost_repairing_now": advice.cost_repairing,
        "saves": advice.saves,
        "repair_order": list(advice.order),
        "quote": None
        if quote is None
        else {
            "low": quote.low,
            "likely": quote.likely,
            "high": quote.high,
            "probability_dearer": quote.exceeds,
            "probability_handed_over": quote.given_up,
            "dear_parts_for_nothing": quote.dear_for_nothing,
        },
        "checks": [
            {
                "check": item.check,
                "cost": item.cost,
                "expected_cost": item.expected_cost,
                "saves": item.saves,
                "saves_alone": item.saves_alone,
                "then": item.then or None,
            }
            for item in advice.checks
        ],
        "neglected_probability": advice.neglected,
    }


def _check(told: Consultation, ranked: RankedCheck) -> dict[str, Any]:
    check = told.case.model.model.checks_by_name[ranked.check]
    per_cost = ranked.gain_per_cost
    return {
        "check": ranked.check,
        "title": check.title,
        "gain_bits": ranked.gain_bits,
        "minutes": ranked.minutes,
        "cost": ranked.cost,
        "gain_per_cost": per_cost if math.isfinite(per_cost) else None,
        "worth": bool(ranked.worth),
        "saves": ranked.saves,
        "outcomes": dict(ranked.outcomes),
        "stage": check.stage,
    }


def _why(told: Consultation, ranked: RankedCheck) -> dict[str, Any]:
    check = told.case.model.model.checks_by_name[ranked.check]
    return {
        "check": ranked.check,
        "rank": told.order.index(ranked) + 1,
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
            for label, causes in told.after(ranked.check).items()
        ],
    }
