"""Tickets under the names of today: their logs read as if nothing had ever been renamed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from faultfinder.model.parts import FaultModel
from faultfinder.model.was import Was
from faultfinder.tickets.events import Closed, Entry, Found, Ordered, Repaired, Tried
from faultfinder.tickets.ticket import Ticket, fold


def renamed(tickets: Iterable[Ticket], model: FaultModel) -> Iterator[Ticket]:
    """The tickets as if the model had always had the names it has. What was split goes by the
    heir with the greatest share."""
    was = Was(model)
    if was.nothing:
        yield from tickets
        return

    def now(entry: Entry) -> Entry:
        if isinstance(entry, Found):
            finding, result = was.finding(entry.finding, entry.result)
            return replace(entry, finding=finding, result=result)
        if isinstance(entry, Tried | Repaired):
            return replace(entry, repair=was.repair(entry.repair))
        if isinstance(entry, Ordered) and entry.repair is not None:
            return replace(entry, repair=was.repair(entry.repair))
        if isinstance(entry, Closed):
            return replace(entry, causes=was.causes(entry.causes))
        return entry

    for ticket in tickets:
        events = [event._replace(entry=now(event.entry)) for event in ticket.events]
        yield fold(ticket.number, events, ticket.key, ticket.first_ticket, ticket.model)
