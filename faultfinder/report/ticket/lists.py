"""Lists of tickets, and the morning's work dealt out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.consultation.triage import Turn
from faultfinder.report.page import Page
from faultfinder.report.ticket.standing import Row, Standing, blocked_by
from faultfinder.report.wording import counted, minutes, percent, unbroken
from faultfinder.tickets.ticket import Ticket


def tickets_page(rows: Sequence[Row], more: int = 0) -> str:
    """Tickets, a few lines each. `more` is how many others there are."""
    page = Page()
    if not rows:
        page.text("No such ticket.")
    for ticket, standing in rows:
        page.blank()
        _add_ticket(page, ticket, standing)
    open_ones = [ticket.number for ticket, _ in rows if ticket.open]
    if open_ones:
        page.blank()
        page.text(f"Go on with one: faultfinder ask {open_ones[0]}")
    if more:
        page.blank()
        page.text(f"{counted(more, 'more ticket')}: see them with --limit, or ask for less.")
    return str(page)


def _add_ticket(page: Page, ticket: Ticket, standing: Standing | None) -> None:
    stands = "" if ticket.open else f", closed {(ticket.closed_at or '')[:10]}: {ticket.outcome}"
    page.heading(f"Ticket {ticket.number}, opened {ticket.opened_at[:10]}{stands}")
    if ticket.complaint:
        page.text(ticket.complaint if len(ticket.complaint) < 150 else ticket.complaint[:150], 2)
    if ticket.causes:
        page.text(f"Confirmed: {', '.join(ticket.causes)}.", 2)
    if standing is None or standing.trouble:
        for flaw in ticket.damage:
            page.item("Damaged:", flaw, 2, hang=2)
    if standing is None:
        return
    if standing.trouble:
        page.text(standing.trouble, 2)
        return
    if ticket.hand_over_note:
        page.item("Handed over:", ticket.hand_over_note, 2, hang=2)
    for block in blocked_by(ticket, standing.stop):
        page.item("Blocked:", block, 2, hang=2)
    if standing.stop:
        return
    stage = f" Stage {ticket.stage}." if ticket.stage else ""
    page.text(f"Most likely: {standing.title}, {percent(standing.probability)}.{stage}", 2)
    page.text(_step(ticket, standing), 2)


def _step(ticket: Ticket, standing: Standing) -> str:
    if ticket.repaired:
        return f"Next: prove {ticket.repaired}, then close."
    return f"Next: {standing.step}."


def triage_page(
    turns: Sequence[Turn], rows: Mapping[int, Row], blocked: Sequence[Row], benches: int
) -> Page:
    """Who takes what first, and what has to wait."""
    page = Page()
    stopped = [(ticket, told) for ticket, told in blocked if told and told.stop]
    for ticket, told in stopped:
        page.heading(f"STOP: ticket {ticket.number}")
        page.text(told.stop, 2)
        page.blank()
    if not turns:
        page.text("Nothing can be gone on with now.")
    for bench in range(1, benches + 1):
        own = [turn for turn in turns if turn.bench == bench]
        if not own:
            continue
        page.heading(f"Bench {bench}" if benches > 1 else "In this order")
        for place, turn in enumerate(own, start=1):
            ticket, known = rows[turn.ticket]
            standing = known or Standing()
            fresh = "" if ticket.touched else ", new"
            page.item(
                f"{place}.",
                f"Ticket {ticket.number}{fresh}: {_about(turn)}. {_step(ticket, standing)} Most "
                f"likely: {standing.title}, {unbroken(percent(standing.probability))}.",
                2,
            )
    waiting = [row for row in blocked if not (row[1] and row[1].stop)]
    if waiting:
        page.heading("Blocked")
        for ticket, known in waiting:
            why = "; ".join(blocked_by(ticket)) or (known.trouble if known else "")
            page.text(f"Ticket {ticket.number}: {why.rstrip('.')}.", 2)
    page.blank()
    page.text(
        "Minutes are the checks expected until it is decided what to repair, ways between stages "
        "included, repairs not. Short ones come first: that keeps the mean waiting least."
    )
    return page


def _about(turn: Turn) -> str:
    begins = "" if turn.begins < 0.5 else f", begins after {unbroken(_whole(turn.begins))}"
    if turn.minutes == 0.0:
        return f"decided{begins}"
    return f"about {unbroken(_whole(turn.minutes))} to a decision{begins}"


def _whole(amount: float) -> str:
    return minutes(float(round(amount)))
