"""A ticket and the list of open tickets, as text and in their JSON forms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from faultfinder.report.page import Page
from faultfinder.report.view import View
from faultfinder.report.wording import percent
from faultfinder.tickets.events import Event, Happened
from faultfinder.tickets.ticket import Ticket

Row = tuple[Ticket, View | str]
"""A ticket with its diagnosis, or with the sentence why there is none."""


def event_words(event: Event) -> str:
    """What an entry says, on one line."""
    data = event.data
    if event.kind is Happened.INTAKE:
        said = f": {data['complaint']}" if data["complaint"] else ""
        return f"intake, model {data['model']}{said}"
    if event.kind is Happened.FOUND:
        return f"found {data['finding']}={data['result'] or 'unknown'}"
    if event.kind is Happened.MOVED:
        return f"stage now {data['stage']}"
    if event.kind is Happened.TRIED:
        return f"tried {data['repair']}, which did not cure"
    if event.kind is Happened.NOTE:
        return f"note: {data['text']}"
    if event.kind is Happened.CLOSED:
        causes = f" ({', '.join(data['causes'])})" if data["causes"] else ""
        return f"closed: {data['outcome']}{causes}"
    return f"took back entry {data['event']}"


def ticket_page(ticket: Ticket) -> str:
    """Where a ticket stands, and its log."""
    page = Page()
    stands = "open" if ticket.open else f"closed, {ticket.outcome}"
    page.heading(f"Ticket {ticket.number}: {stands}")
    if ticket.complaint:
        page.item("Complaint:", ticket.complaint, hang=2)
    page.text(f"Model {ticket.model}, opened {ticket.opened_at}.")
    page.blank()
    page.heading("Log (times in UTC)")
    for event in ticket.events:
        gone = " [taken back]" if event.number in ticket.gone else ""
        first = f"{event.number}. {event.at} {event.who}:"
        page.item(first, event_words(event) + gone, 2, hang=4)
    if ticket.open:
        page.blank()
        page.text(f"Go on with: faultfinder next {ticket.number}")
    return str(page)


def tickets_page(rows: Sequence[Row]) -> str:
    """The open tickets, two or three lines each."""
    page = Page()
    if not rows:
        page.text("No ticket is open.")
        return str(page)
    for ticket, view in rows:
        page.heading(f"Ticket {ticket.number}, opened {ticket.opened_at}")
        if isinstance(view, str):
            page.text(view, 2)
            continue
        cause, chance = next(iter(view.diagnosis.causes.items()))
        page.text(f"Most likely: {view.cause(cause)}, {percent(chance)}.", 2)
        page.text(next_words(view), 2)
    return str(page)


def next_words(view: View) -> str:
    """What comes next on a ticket, in one sentence."""
    if view.diagnosis.stop:
        return f"STOP. {view.diagnosis.stop.removeprefix('Stop.').strip()}"
    best = view.diagnosis.next
    if best is not None:
        return f"Next: {view.check(best).title} ({best.check})."
    advice = view.advice
    if advice is None or not advice.name:
        return "Next: no check is worth its cost; hand over or repair on what is known."
    repair = view.model.repairs_by_name[advice.name]
    verb = "hand over for" if repair.hand_over else "repair"
    return f"Next: {verb}: {repair.title} ({repair.name})."


def ticket_json(ticket: Ticket) -> dict[str, Any]:
    """A ticket in its documented JSON form."""
    return {
        "ticket": ticket.number,
        "model": ticket.model,
        "opened_at": ticket.opened_at,
        "complaint": ticket.complaint,
        "stage": ticket.stage,
        "findings": dict(ticket.findings),
        "tried": [
            {"repair": s.repair, "findings": dict(s.findings), "unclear": list(s.unclear)}
            for s in ticket.tried
        ],
        "outcome": ticket.outcome or None,
        "causes": list(ticket.causes),
        "log": [
            {
                "entry": event.number,
                "kind": str(event.kind),
                "at": event.at,
                "who": event.who,
                "data": dict(event.data),
                "taken_back": event.number in ticket.gone,
            }
            for event in ticket.events
        ],
    }


def tickets_json(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """The open tickets in their documented JSON form."""
    told = []
    for ticket, view in rows:
        row: dict[str, Any] = {
            "ticket": ticket.number,
            "opened_at": ticket.opened_at,
            "model": ticket.model,
        }
        if isinstance(view, str):
            row["problem"] = view
        else:
            cause, chance = next(iter(view.diagnosis.causes.items()))
            best = view.diagnosis.next
            row |= {
                "cause": cause,
                "probability": chance,
                "next_check": None if best is None else best.check,
                "advice": None if view.advice is None else view.advice.kind,
                "stop": view.diagnosis.stop or None,
            }
        told.append(row)
    return told
