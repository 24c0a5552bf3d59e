"""Tickets out of the store, a few hundred at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from faultfinder.tickets.kept_text import keep, unkeep
from faultfinder.tickets.store import read_tickets
from faultfinder.tickets.tables import TICKET
from faultfinder.tickets.ticket import Ticket

AT_ONCE = 200
"""Tickets held in memory."""


@dataclass(frozen=True)
class Which:
    """Which tickets go out: `open` True or False for open or closed ones only."""

    open: bool | None = None
    model: str | None = None

    def condition(self) -> sa.ColumnElement[bool]:
        wanted: sa.ColumnElement[bool] = sa.true()
        if self.open is not None:
            wanted = wanted & (TICKET.c.is_open == self.open)
        if self.model is not None:
            wanted = wanted & (TICKET.c.model == keep(self.model))
        return wanted


def models_of(connection: sa.Connection, which: Which) -> list[str]:
    """The models of these tickets, by name."""
    query = sa.select(TICKET.c.model).where(which.condition()).distinct()
    return sorted(unkeep(name) for name in connection.execute(query).scalars())


def count_of(connection: sa.Connection, which: Which) -> int:
    """How many tickets go out."""
    query = sa.select(sa.func.count()).select_from(TICKET).where(which.condition())
    return int(connection.execute(query).scalar_one())


def tickets_of(connection: sa.Connection, which: Which) -> Iterator[tuple[Ticket, str | None]]:
    """These tickets in order of number, each with the key of its first ticket."""
    last = 0
    while True:
        query = sa.select(TICKET.c.number).where(which.condition() & (TICKET.c.number > last))
        numbers = connection.execute(query.order_by(TICKET.c.number).limit(AT_ONCE)).scalars().all()
        if not numbers:
            return
        tickets = list(read_tickets(connection, numbers))
        keys = _keys(connection, [t.first_ticket for t in tickets if t.first_ticket is not None])
        for ticket in tickets:
            first = ticket.first_ticket
            yield ticket, None if first is None else keys[first]
        last = numbers[-1]


def _keys(connection: sa.Connection, numbers: Sequence[int]) -> dict[int, str]:
    if not numbers:
        return {}
    query = sa.select(TICKET.c.number, TICKET.c.key).where(TICKET.c.number.in_(numbers))
    return {row.number: row.key for row in connection.execute(query)}


def to_bytes(line: str) -> bytes:
    """A line in UTF-8; half a character in it as an escape."""
    return line.encode("utf-8", "backslashreplace")
