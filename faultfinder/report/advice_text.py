"""The advice and the quote in words."""

from __future__ import annotations

import textwrap
from typing import Any

from faultfinder.decide.advice import Advice
from faultfinder.model.parts import FaultModel, Repair
from faultfinder.report.wording import WIDTH, percent


def advice_lines(model: FaultModel, advice: Advice, currency: str) -> list[str]:
    """What to do now, what it saves, the repair order, and the quote; fits WIDTH."""
    lines: list[str] = []

    def say(text: str, indent: str = "") -> None:
        lines.extend(
            textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
        )

    repairing = f"{advice.cost_repairing:.0f} {currency}"
    if advice.kind == "check":
        say(
            f"Check on: {model.checks_by_name[advice.name].title}. The whole job then costs "
            f"{advice.cost:.0f} {currency} on average; repairing at once {repairing}."
        )
    elif advice.kind == "repair":
        repair = model.repairs_by_name[advice.name]
        say(
            f"Repair: {repair.title}. No further check lowers the expected cost of the job "
            f"({advice.cost:.0f} {currency})."
        )
    elif advice.name:
        repair = model.repairs_by_name[advice.name]
        say(
            f"Hand over to a specialist: {repair.title}. No check or repair at this bench lowers "
            f"the expected cost of the job ({advice.cost:.0f} {currency}). Save the customer's "
            "data first where it is wanted."
        )
    else:
        say(
            "Hand over unrepaired: every repair costs more than it can win "
            f"(expected cost {repairing}). Save the customer's data first where it is wanted."
        )
    if advice.order:
        names = [model.repairs_by_name[name].title for name in advice.order]
        say("Repairs in order, if repaired now: " + "; ".join(names) + ".")
    quote = advice.quote
    say(
        f"Quote: {quote.low:.0f} to {quote.high:.0f} {currency}, likely {quote.likely:.0f}; "
        f"dearer in {percent(quote.exceeds)} of such jobs."
    )
    if quote.dear_for_nothing >= 0.005:
        say(f"A dear part would be fitted for nothing in {percent(quote.dear_for_nothing)}.")
    if quote.given_up >= 0.005:
        say(f"Handed over unrepaired in the end: {percent(quote.given_up)}.")
    return lines


def advice_json(advice: Advice) -> dict[str, Any]:
    """The advice in its documented JSON form."""
    quote = advice.quote
    return {
        "kind": advice.kind,
        "name": advice.name or None,
        "expected_cost": advice.cost,
        "expected_cost_repairing_now": advice.cost_repairing,
        "saves": advice.saves,
        "repair_order": list(advice.order),
        "quote": {
            "low": quote.low,
            "likely": quote.likely,
            "high": quote.high,
            "probability_dearer": quote.exceeds,
            "probability_handed_over": quote.given_up,
            "probability_dear_part_for_nothing": quote.dear_for_nothing,
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


def repair_lines(model: FaultModel, repair: Repair, currency: str) -> list[str]:
    """How a repair is done and how it is proved."""
    lines: list[str] = []

    def say(text: str, indent: str = "") -> None:
        lines.extend(
            textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
        )

    say(repair.title)
    if repair.caution:
        say(f"Caution: {repair.caution}", "  ")
    say(f"Stage: {model.stages_by_name[repair.stage].title}. Work: {repair.minutes:g} min.", "  ")
    part = repair.part
    if part.high > 0:
        what = "Specialist" if repair.hand_over else "Part"
        lead = f", {repair.lead_days:g} days" if repair.lead_days else ""
        say(
            f"{what}: {part.low:g} to {part.high:g} {currency}, likely {part.likely:g}{lead}.", "  "
        )
    for number, line in enumerate(repair.how, 1):
        say(f"{number}. {line}", "  ")
    if repair.risk is not None:
        say(f"Risk: {repair.risk.says}", "  ")
    lines += proof_lines(model, repair)
    return lines


def proof_lines(model: FaultModel, repair: Repair) -> list[str]:
    """The proof test list of a repair, with a box to tick."""
    lines: list[str] = []
    proofs = [proof for proof in model.proofs if proof.name in repair.proof]
    for when, before in (("Before the cover goes back on:", True), ("After closing:", False)):
        chosen = [proof for proof in proofs if proof.before_cover is before]
        if not chosen:
            continue
        lines.append(f"  {when}")
        for proof in chosen:
            text = f"[ ] {proof.title} ({proof.minutes:g} min): {' '.join(proof.how)}"
            lines += textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="        ")
            passes = f"Passes when: {proof.passes}"
            lines += textwrap.wrap(
                passes, WIDTH, initial_indent="        ", subsequent_indent="        "
            )
    return lines


def repair_json(model: FaultModel, repair: Repair, currency: str) -> dict[str, Any]:
    """A repair and its proof tests in their documented JSON form."""
    part = repair.part
    return {
        "repair": repair.name,
        "title": repair.title,
        "mends": {cause: dict(states) for cause, states in repair.mends.items()},
        "stage": repair.stage,
        "minutes": repair.minutes,
        "part": {"low": part.low, "likely": part.likely, "high": part.high},
        "currency": currency,
        "lead_days": repair.lead_days,
        "hand_over": repair.hand_over,
        "how": list(repair.how),
        "caution": repair.caution,
        "proof": [
            {
                "proof": proof.name,
                "title": proof.title,
                "how": list(proof.how),
                "passes": proof.passes,
                "minutes": proof.minutes,
                "before_cover": proof.before_cover,
            }
            for proof in model.proofs
            if proof.name in repair.proof
        ],
    }
