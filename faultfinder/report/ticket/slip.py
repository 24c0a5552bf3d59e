"""The intake slip: what was taken down at the counter and what it may cost, for both sides."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.report.consultation.view import View
from faultfinder.report.html import minute_of, render
from faultfinder.report.page import Page
from faultfinder.report.ticket.standing import desk_rows
from faultfinder.report.wording import percent
from faultfinder.tickets.ticket import Ticket

TERMS = "The figures are an estimate, no offer: the diagnosis goes on at the bench."
BEYOND = "Beyond the limit named above the shop asks first."


class Row(NamedTuple):
    """A line of the slip."""

    head: str
    text: str


def slip_rows(ticket: Ticket, view: View) -> list[Row]:
    """What stands on the slip, each with its head; what was not said is left out."""
    desk, model, currency = ticket.intake, view.model, view.shop.currency
    rows = [
        Row("Machine", model.title),
        Row("Taken in", minute_of(ticket.opened_at)),
        *(Row(head, text) for head, text in desk_rows(ticket, currency)),
    ]
    told = [
        f"{model.by_name[name].title}: {result.replace('_', ' ')}"
        for name, result in ticket.findings.items()
        if result is not None and name in model.by_name
    ]
    rows.append(Row("Found at the counter", "; ".join(told)))
    quote = view.quote
    if view.told.stop:
        rows.append(Row("STOP", view.told.stop_said))
    elif quote is not None:
        said = f"about {quote.looking:.0f} {currency} if it is only looked at; "
        if quote.repaired is not None:
            said += f"repaired likely {quote.repaired:.0f}, up to {quote.repaired_high:.0f} "
            said += f"{currency} in nine of ten; "
        said += f"{percent(quote.given_up)} of such machines go back unrepaired"
        rows.append(Row("It may cost", said))
        if desk.limit is not None and quote.high > desk.limit:
            rows.append(Row("Beyond the limit", "ask the customer now, or before that step"))
    return [row for row in rows if row.text]


def terms_of(ticket: Ticket, view: View) -> str:
    """What holds for the figures; after a stop there are none."""
    if view.told.stop:
        return ""
    return TERMS if ticket.intake.limit is None else f"{TERMS} {BEYOND}"


def slip_lines(ticket: Ticket, view: View) -> list[str]:
    """The slip as text of 80 columns."""
    page = Page()
    page.heading(f"Intake slip, ticket {ticket.number}")
    for head, text in slip_rows(ticket, view):
        page.item(f"{head}:", text, hang=2)
    if terms := terms_of(ticket, view):
        page.text(terms)
    return str(page).splitlines()


def slip_page(ticket: Ticket, view: View) -> str:
    """The slip as a page to print, with room for two signatures."""
    return render(
        "slip.html",
        title=f"Intake slip, ticket {ticket.number}",
        rows=slip_rows(ticket, view),
        terms=terms_of(ticket, view),
    )
