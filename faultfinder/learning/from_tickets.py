"""Closed tickets of the store as learning takes them."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa

from faultfinder.learning.records import ClosedTicket
from faultfinder.tickets.store import AT_ONCE, Store, read_tickets
from faultfinder.tickets.tables import TICKET
from faultfinder.tickets.ticket import Ticket


def closed_tickets(
    store: Store, model: str, since: str | None = None, until: str | None = None
) -> Iterator[ClosedTicket]:
    """The closed tickets of a model, the oldest closing first, read a batch at a time.

    `since` and `until` are days of closing (YYYY-MM-DD), both included.
    """
    query = sa.select(TICKET.c.number).where(TICKET.c.is_open.is_(False), TICKET.c.model == model)
    if since is not None:
        query = query.where(TICKET.c.closed_at >= since)
    if until is not None:
        query = query.where(TICKET.c.closed_at < f"{until}U")
    with store.database.transaction(write=False) as connection:
        ordered = query.order_by(TICKET.c.closed_at, TICKET.c.number)
        numbers = connection.execute(ordered).scalars().all()
        for begin in range(0, len(numbers), AT_ONCE):
            for ticket in read_tickets(connection, numbers[begin : begin + AT_ONCE]):
                yield as_record(ticket)


def as_record(ticket: Ticket) -> ClosedTicket:
    """Findings before any repair that could be told, and the causes where confirmed."""
    known = {name: result for name, result in ticket.findings.items() if result is not None}
    return ClosedTicket(ticket.number, ticket.closed_at or "", known, ticket.causes or None)
