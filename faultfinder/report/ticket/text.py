"""A ticket as text: what was taken down, what comes next, its log."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from faultfinder.model.parts import FaultModel
from faultfinder.report.consultation.repair import add_proofs
from faultfinder.report.consultation.short import HEIGHT, Line, fitted, screens
from faultfinder.report.consultation.text import next_page
from faultfinder.report.consultation.view import View
from faultfinder.report.page import Page
from faultfinder.report.ticket.standing import COPIES, blocked_by
from faultfinder.report.wording import harmless, money, shortened, wrapped
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
    _add_desk(page, ticket, currency)
    for name, text in ticket.person.items():
        page.item(f"{name.capitalize()}:", text, hang=2)
    if ticket.first_ticket is not None:
        page.text(f"A comeback of ticket {ticket.first_ticket}.")
    if comebacks:
        page.text(f"It came back: ticket {', '.join(map(str, comebacks))}.")
    for block in blocked_by(ticket):
        page.item("Blocked:", block, hang=2)
    page.blank()
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


def _add_desk(page: Page, ticket: Ticket, currency: str) -> None:
    desk = ticket.intake
    lines = (
        ("Complaint:", desk.complaint),
        ("Condition:", desk.condition),
        ("Left at the desk:", desk.left),
        ("Agreed to:", ", ".join(desk.consent)),
        ("Copy of the data:", COPIES.get(desk.data_copy or "", "")),
        ("Limit without asking:", "" if desk.limit is None else money(desk.limit, currency)),
    )
    for name, text in lines:
        if text:
            page.item(name, text, hang=2)


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


def ticket_head(ticket: Ticket, now: str, width: int = 80) -> list[Line]:
    """What stands on top of a ticket's screens: its number, complaint and days open, then what
    whoever takes it up must know. `now` is a time as tickets write it."""
    days = (date.fromisoformat(now[:10]) - date.fromisoformat(ticket.opened_at[:10])).days + 1
    said = f"Ticket {ticket.number}, day {days}"
    if ticket.complaint:
        said += f": {' '.join(ticket.complaint.split())}"
    lines = [said]
    if ticket.hand_over is not None:
        note = ticket.hand_over
        told = " ".join((ticket.hand_over_note or ERASED_TEXT).split())
        lines.append(f"Handed over by {note.who}: {told}")
    lines += [f"Blocked: {block}" for block in blocked_by(ticket)]
    if ticket.first_ticket is not None:
        lines.append(f"A comeback: look at ticket {ticket.first_ticket} as well.")
    # A colleague's note is read whole where there is room, and named where it is cut.
    return [Line((shortened(harmless(line), width),), "step") for line in lines]


def ticket_screens(
    ticket: Ticket,
    view: View,
    now: str,
    before: Sequence[str] = (),
    width: int = 80,
    bold: bool = False,
) -> list[str]:
    """What comes next on a ticket, a screen or more; `before` is said first ("Now: ...")."""
    head = ticket_head(ticket, now, width)
    head += [Line(tuple(wrapped(line, width=width)), "step") for line in before]
    if ticket.repaired is not None and not view.told.stop:
        page = Page(bold)
        _add_proof(page, ticket, view.model)
        return fitted([*head, *(Line((line,)) for line in str(page).splitlines())], HEIGHT)
    return screens(view, head, width, bold=bold)


def _add_proof(page: Page, ticket: Ticket, model: FaultModel) -> None:
    assert ticket.repaired is not None
    repair = model.repairs_by_name[ticket.repaired]
    page.heading(f"Ticket {ticket.number}: {repair.title}; the picture is back")
    failed = [name for name, passed in ticket.proofs.items() if not passed]
    open_ones = [name for name in repair.proof if name not in ticket.proofs]
    for name in repair.proof:
        if name in ticket.proofs:
            page.text(f"{name}: {'passed' if ticket.proofs[name] else 'FAILED'}", 2)
    if failed:
        page.text(
            "A proof test failed, so the repair is not proved. If the fault is still there: "
            f"faultfinder tried {ticket.number} {repair.name}",
            2,
        )
    if open_ones:
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
