"""Closed tickets of the store as learning takes them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import PurePath

import sqlalchemy as sa

from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.model.was import Was
from faultfinder.tickets.events import Found, Outcome
from faultfinder.tickets.kept_text import unkeep
from faultfinder.tickets.store import Store, read_tickets
from faultfinder.tickets.tables import TICKET
from faultfinder.tickets.ticket import Ticket


def closed_tickets(
    store: Store,
    model: FaultModel,
    since: str | None = None,
    until: str | None = None,
    told: Callable[[str], object] = lambda sentence: None,
    wrote: dict[int, dict[str, str]] | None = None,
) -> Iterator[ClosedTicket]:
    """The closed tickets of a model, the oldest closing first, read a batch at a time.

    `since` and `until` are days of closing (YYYY-MM-DD), both included. A ticket whose log is
    damaged, or names what the model does not have, is left out, and `told` is called with a
    sentence on it. Who at the bench wrote down each finding of the others goes to `wrote`.
    """
    was = Was(model)
    results = {variable.name: variable.states for variable in model.variables}
    causes = {variable.name for variable in model.of_kind(Kind.CAUSE)}
    query = sa.select(TICKET.c.number).where(TICKET.c.is_open.is_(False))
    if since is not None:
        query = query.where(TICKET.c.closed_at >= since)
    if until is not None:
        query = query.where(TICKET.c.closed_at < f"{until}U")
    with store.database.transaction(write=False) as connection:
        every = connection.execute(sa.select(TICKET.c.model).distinct()).scalars()
        own = [kept for kept in every if isinstance(kept, str) and named(unkeep(kept), model)]
        query = query.where(TICKET.c.model.in_(own))
        ordered = query.order_by(TICKET.c.closed_at, TICKET.c.number)
        numbers = connection.execute(ordered).scalars().all()
        for ticket in read_tickets(connection, numbers):
            record = as_record(ticket, was)
            if record.causes == () and model.complaint is not None:
                # Whoever complains has a fault: here it is one that the model does not list.
                record = replace(record, causes=None)
            flaws = list(ticket.damage)
            flaws += [
                f'{name}="{result}" is no finding with its result'
                for name, result in record.findings.items()
                if result not in results.get(name, ())
            ]
            flaws += [f'"{name}" is no cause' for name in record.causes or () if name not in causes]
            if flaws:
                told(f"Ticket {ticket.number} is left out: {'; '.join(flaws).rstrip('.')}.")
            else:
                if wrote is not None:
                    wrote[ticket.number] = _writers(ticket, was)
                found = {n: result for n, result in ticket.findings.items() if result is not None}
                yield from readings(record, found, ticket.causes or record.causes, was)


def named(told: str, model: FaultModel) -> bool:
    """Whether a ticket's model is this one, by its name or the path of its file."""
    return told == model.name or PurePath(told).stem == model.name


def readings(
    record: ClosedTicket, findings: Mapping[str, str], causes: tuple[str, ...] | None, was: Was
) -> Iterator[ClosedTicket]:
    """What a ticket, with findings and causes as they were called then, can mean today, each with
    its share."""
    if was.nothing:
        yield record
        return
    for place, (share, told, labels) in enumerate(was.readings(findings, causes)):
        yield replace(record, findings=told, causes=labels, share=share, again=place > 0)


def as_record(ticket: Ticket, was: Was) -> ClosedTicket:
    """Findings before any repair that could be told, and the causes where confirmed (or that none
    was there), under the names of today."""
    told = was.findings(ticket.findings)
    known = {name: result for name, result in told.items() if result is not None}
    causes: tuple[str, ...] | None = was.causes(ticket.causes)
    if not causes and ticket.outcome != Outcome.NONE_OF_THESE:
        causes = None
    return ClosedTicket(
        ticket.number,
        ticket.closed_at or "",
        known,
        causes,
        ticket.key,
        unclear=frozenset(told.keys() - known.keys()),
    )


def _writers(ticket: Ticket, was: Was) -> dict[str, str]:
    """Who wrote down each finding, under the names of today; the last entry counts."""
    return {
        was.finding(event.entry.finding, None)[0]: event.who
        for event in ticket.counting()
        if isinstance(event.entry, Found)
    }
