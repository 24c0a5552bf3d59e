"""A repair and a quote in words, and the documented JSON form of a repair."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from faultfinder.consultation.advice import Advice
from faultfinder.model.parts import FaultModel, Repair
from faultfinder.report.consultation.check import add_route
from faultfinder.report.consultation.view import View
from faultfinder.report.page import Page
from faultfinder.report.wording import WIDTH, money, percent


def add_repair(page: Page, view: View, advice: Advice) -> None:
    """Checking is over: the repair, how it is done and proved, or handing over."""
    model, currency = view.model, view.shop.currency
    cost = money(advice.cost, currency)
    if not advice.name:
        page.heading("Hand over unrepaired")
        page.text(
            f"Every repair costs more than it can win (expected cost {cost}). Save the "
            "customer's data first where it is wanted.",
            2,
        )
    else:
        repair = model.repairs_by_name[advice.name]
        verb = "Hand over to a specialist" if repair.hand_over else "Repair now"
        page.heading(f"{verb}: {repair.title} ({repair.name})")
        said = f"the whole job costs {cost} on average with this repair first"
        if advice.checks:
            least = advice.checks[0]
            title = model.checks_by_name[least.check].title
            other = money(least.expected_cost, currency)
            said += f"; with the best check first ({title}) it costs {other}"
        page.item("Why:", f"{said}.", 2, hang=2)
        add_route(page, view, view.repair_route, repair.stage, always=True)
        for line in repair_lines(model, repair, currency, place=False)[1:]:
            page.text(line.strip(), len(line) - len(line.lstrip()))
        page.blank()
        said = f"add --tried {repair.name} and ask again"
        if view.ticket is not None:
            said = f"faultfinder tried {view.ticket} {repair.name}"
        page.text(f"If the picture is not back: {said}.", 2)
    if len(advice.order) > 1:
        page.text("Without any check in between, the repairs to go on with:", 2)
        page.numbered((model.repairs_by_name[n].title for n in advice.order[1:]), 4)
    page.blank()
    add_quote(page, view)


def add_quote(page: Page, view: View) -> None:
    """What to quote, and what it rests on."""
    quote, currency = view.quote, view.shop.currency
    if quote is None:
        return
    page.heading("Quote")
    page.text(
        f"{quote.low:.0f} to {quote.high:.0f} {currency}, likely {quote.likely:.0f} "
        f"(dearer in {percent(quote.exceeds)} of such jobs).",
        2,
    )
    page.text(
        "That is what the customer pays; the averages above also hold what is lost when a "
        "machine comes back or is handed over unrepaired.",
        2,
    )
    if quote.dear_for_nothing >= 0.005:
        page.text(
            f"Dear parts fitted for nothing: {quote.dear_for_nothing * 100:.0f} in 100 such jobs.",
            2,
        )
    if quote.given_up >= 0.005:
        page.text(f"Ends with handing over unrepaired in {percent(quote.given_up)}.", 2)


def repair_lines(model: FaultModel, repair: Repair, currency: str, place: bool = True) -> list[str]:
    """How a repair is done and how it is proved; with `place` the stage it is done in."""
    lines: list[str] = []

    def say(text: str, indent: str = "") -> None:
        lines.extend(
            textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
        )

    say(repair.title)
    if repair.caution:
        say(f"Caution: {repair.caution}", "  ")
    stage = f"Stage: {model.stages_by_name[repair.stage].title}. " if place else ""
    say(f"{stage}Work: {repair.minutes:g} min.", "  ")
    part = repair.part
    if part.high > 0:
        what = "Specialist" if repair.hand_over else "Part"
        lead = f", {repair.lead_days:g} days' wait" if repair.lead_days else ""
        say(
            f"{what}: {part.low:g} to {part.high:g} {currency}, likely {part.likely:g}{lead}.", "  "
        )
    for number, line in enumerate(repair.how, 1):
        say(f"{number}. {line}", "  ")
    if repair.risk is not None:
        chance = percent(repair.risk.chance)
        say(f"Risk: {repair.risk.says} ({chance}; then {repair.risk.cost:g} {currency})", "  ")
    lines += proof_lines(model, repair)
    return lines


def proof_lines(model: FaultModel, repair: Repair, only: Sequence[str] | None = None) -> list[str]:
    """The proof test list of a repair (of `only` these tests), with a box to tick."""
    lines: list[str] = []
    wanted = repair.proof if only is None else only
    proofs = [proof for proof in model.proofs if proof.name in wanted]
    first = "To prove it:" if repair.stage == model.start else "Before the cover goes back on:"
    for when, before in ((first, True), ("After closing:", False)):
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
