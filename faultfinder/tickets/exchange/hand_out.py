"""Tickets out of the store, a few hundred at a time, into a file that is whole or not there."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import whole_file
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


def check_target(path: Path, replace: bool) -> None:
    """Raise MisuseError unless a file can be put there."""
    try:
        if path.is_dir():
            raise MisuseError(f"{path} is a folder. Name a file in it.")
        if os.path.lexists(path) and not path.is_file():
            raise MisuseError(f"{path} is no plain file. Name another.")
        if path.exists() and not replace:
            raise MisuseError(
                f"{path} is there already. Name another file, or say --replace to replace it."
            )
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise MisuseError(f"{path} cannot be written: {reason}.") from None


def write_whole(path: Path, lines: Iterator[str], replace: bool) -> None:
    """Write lines to a file, aside first: it is whole, or what was there stays.

    Only its owner can read it. Raises MisuseError as `check_target`, FaultfinderError when it
    cannot be written.
    """
    check_target(path, replace)
    try:
        with whole_file(path, private=True) as file:
            for line in lines:
                file.write(to_bytes(line))
            # It may have come to be there while we wrote.
            check_target(path, replace)
    except OSError as error:
        raise FaultfinderError(
            f"{path} cannot be written: {error.strerror}. Nothing of it was kept."
        ) from error
