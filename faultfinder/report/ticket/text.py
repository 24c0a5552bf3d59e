"""A ticket as text: what was taken down, what comes next, its log."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from faultfinder.model.parts import FaultModel, Proof, Repair
from faultfinder.report.consultation.repair import add_proofs
from faultfinder.report.consultation.short import HEIGHT, Line, fitted, screens
from faultfinder.report.consultation.text import next_page
from faultfinder.report.consultation.view import View
from faultfinder.report.page import Page
from faultfinder.report.ticket.standing import blocked_by, blocks_of, desk_rows
from faultfinder.report.wording import harmless, minutes, shortened, unbroken, wrapped
from faultfinder.tickets.events import ERASED_TEXT
from faultfinder.tickets.ticket import Ticket


def ticket_page(ticket: Ticket, comebacks: list[int], currency: str) -> str:
    """Where a ticket stands, what was taken down at the desk, and its log."""
    page = Page()
    stands = "open" if ticket.open else f"closed, {ticket.outcome}"
    page.heading(f"Ticket {ticket.number}: {stands}")
    if ticket.causes:
        page.item("Confirmed:", ", ".join(ticket.causes) + ".", hang=2)
    page.text(f"Model {ticket.model}, opened {ticket.opened_at}.")
    for head, text in desk_rows(ticket, currency):
        if text:
            page.item(f"{head}:", text, hang=2)
    for name, text in ticket.person.items():
        page.item(f"{name.capitalize()}:", text, hang=2)
    if ticket.first_ticket is not None:
        page.text(f"A comeback of ticket {ticket.first_ticket}.")
    if comebacks:
        page.text(f"It came back: ticket {', '.join(map(str, comebacks))}.")
    for block in blocked_by(ticket):
        page.item("Blocked:", block, hang=2)
    page.heading("Log (times in UTC)")
    for event in ticket.events:
        gone = " [taken back]" if event.number in ticket.gone else ""
        first = f"{event.number}. {event.at} {event.who}:"
        flaw = f" [damaged: {event.flaw}]" if event.flaw and event.entry.kind else ""
        page.item(first, event.entry.words + flaw + gone, 2, hang=4)
    if ticket.open:
        page.blank()
        page.text(f"Go on with: faultfinder next {ticket.number}")
    return str(page)


def ticket_next_page(ticket: Ticket, view: View, bold: bool = False) -> str:
    """What whoever takes the ticket up must know, and what comes next."""
    page = Page(bold)
    if ticket.hand_over is not None:
        note = ticket.hand_over
        said = ticket.hand_over_note or ERASED_TEXT
        page.item("Handed over:", f"{said} ({note.who}, {note.at})", hang=2)
    for block in blocked_by(ticket):
        page.item("Blocked:", block, hang=2)
    if ticket.first_ticket is not None:
        page.text(f"A comeback: look at ticket {ticket.first_ticket} as well.")
    page.blank()
    if ticket.repaired is not None and not view.told.stop:
        _add_proof(page, ticket, view.model)
    else:
        page.page(next_page(view, bold))
    return str(page)


def ticket_head(ticket: Ticket, now: str, width: int = 80, view: View | None = None) -> list[Line]:
    """What stands on top of a ticket's screens: its number, complaint and days open, then what
    whoever takes it up must know. `now` is a time as tickets write it; a `view` of it says
    whether the customer's limit may be crossed."""
    days = (date.fromisoformat(now[:10]) - date.fromisoformat(ticket.opened_at[:10])).days + 1
    said = f"Ticket {ticket.number}, day {days}"
    if ticket.complaint:
        said += f": {' '.join(ticket.complaint.split())}"
    lines = [said]
    if ticket.hand_over is not None:
        note = ticket.hand_over
        told = " ".join((ticket.hand_over_note or ERASED_TEXT).split())
        lines.append(f"Handed over by {note.who}: {told}")
    for block, lifts in blocks_of(ticket):
        way = f" ({lifts})" if lifts else ""
        lines.append(shortened(harmless(f"Blocked: {block}"), width - len(way)) + way)
    if ticket.first_ticket is not None:
        lines.append(
            f"A comeback of ticket {ticket.first_ticket}, whose work counts in the figures."
        )
    if view is not None:
        lines += over_limit(ticket, view)
    # A colleague's note is read whole where there is room, and named where it is cut.
    return [Line((shortened(harmless(line), width),), "step") for line in lines]


def over_limit(ticket: Ticket, view: View, chosen: str = "") -> list[str]:
    """A line where the job, or the step that is next (or the repair that was `chosen` instead),
    may cost more than the customer agreed to, with the way to ask."""
    limit, quote, step = ticket.intake.limit, view.quote, view.told.next_step
    if limit is None or quote is None or ticket.repaired is not None or view.told.stop:
        return []
    ask = f"faultfinder hold {ticket.number} approval"
    currency = view.shop.currency
    name = chosen or (step.name if step is not None and step.kind != "check" else "")
    if name:
        repair = view.model.repairs_by_name[name]
        routes = view.told.case.model.routes
        way = routes.get((view.told.stage, repair.stage)) if chosen else view.repair_route
        spent = view.shop.cost((way.minutes if way else 0.0) + repair.minutes, repair.part.high)
        if spent > limit:
            return [f"Up to {spent:.0f} {currency}, the limit is {limit:.0f}: ask first: {ask}"]
    if quote.high > limit:
        return [f"May come to {quote.high:.0f} {currency}, the limit is {limit:.0f}: {ask}"]
    return []


def ticket_screens(
    ticket: Ticket,
    view: View,
    now: str,
    before: Sequence[str] = (),
    width: int = 80,
    bold: bool = False,
) -> list[str]:
    """What comes next on a ticket, a screen or more; `before` is said first ("Now: ...")."""
    head = [Line(tuple(wrapped(line, width=width)), "step") for line in before]
    head += ticket_head(ticket, now, width, view)
    if ticket.repaired is not None and not view.told.stop:
        page = Page(bold)
        _add_proof(page, ticket, view.model)
        return fitted([*head, *(Line((line,)) for line in str(page).splitlines())], HEIGHT)
    return screens(view, head, width, bold=bold)


def failed_page(model: FaultModel, ticket: Ticket, test: Proof, commands: bool = True) -> str:
    """What a failed proof test points at: what shares cable and plug with what it tests, the work
    to do there first, and, with `commands`, what to type then."""
    page, number = Page(), ticket.number
    page.text(f"{test.title} failed: the repair is not proved.", 2)
    again = f"faultfinder proved {number} {test.name}=pass"
    first = _first_there(model, ticket, test)
    if test.shares:
        titles = [model.by_name[cause].title for cause in test.shares]
        page.item("It shares cable or plug with:", f"{'; '.join(titles)}.", 2, hang=2)
    if first is not None:
        said = f"NEXT  {first.title}, {minutes(first.minutes)}, then the test again."
        if commands:
            said += f" Steps: {unbroken(f'faultfinder how {number} {first.name}')}"
        page.text(said, 2)
        if first.caution.strip():
            page.item("Caution:", first.caution.strip(), 4, hang=2)
    if not commands:
        return str(page)
    page.text(f"When it passes: {again}", 2)
    page.text(
        f"If the fault itself is there again: faultfinder tried {number} {ticket.repaired}", 2
    )
    return str(page)


def _first_there(model: FaultModel, ticket: Ticket, test: Proof) -> Repair | None:
    """The work on what the test shares: without a part before all else, what was just handled
    first, then the shortest; a part that costs money only where nothing else is left. A plug that
    was reseated before was handled again since."""
    tried = {step.repair for step in ticket.tried}
    mending = [
        repair
        for repair in model.repairs
        if set(test.shares) & set(repair.mends)
        and (repair.name not in tried or repair.part.high == 0.0)
    ]
    order = sorted(
        mending,
        key=lambda one: (one.part.likely, one.hand_over, one.name != ticket.repaired, one.minutes),
    )
    return order[0] if order else None


def _add_proof(page: Page, ticket: Ticket, model: FaultModel) -> None:
    assert ticket.repaired is not None
    repair = model.repairs_by_name[ticket.repaired]
    page.heading(f"Ticket {ticket.number}: {repair.title}; the picture is back")
    failed = [name for name, passed in ticket.proofs.items() if not passed]
    open_ones = [name for name in repair.proof if name not in ticket.proofs]
    for name in repair.proof:
        if name in ticket.proofs:
            page.text(f"{name}: {'passed' if ticket.proofs[name] else 'FAILED'}", 2)
    for name in failed:
        page.page(failed_page(model, ticket, model.proof(name)))
    if open_ones:
        if failed:
            titles = "; ".join(model.proof(name).title for name in open_ones)
            page.item("Still to prove:", f"{titles}. How: faultfinder prove {ticket.number}", 2)
        else:
            page.text("Still to prove:", 2)
            add_proofs(page, model, repair, open_ones, 4)
        results = " ".join(f"{name}=pass" for name in open_ones)
        page.item("Then:", f"faultfinder proved {ticket.number} {results}", 2, hang=4)
        page.text("(or fail, for those that failed)", 4)
    elif not failed:
        causes = list(repair.mends)
        cause = causes[0] if len(causes) == 1 else "CAUSE"
        page.text("All proof tests are passed.", 2)
        page.text(f"Close it with: faultfinder close {ticket.number} --cause {cause}", 2)
        if len(causes) > 1:
            page.text(f"The repair mends {', '.join(causes)}: name what it was.", 2)
