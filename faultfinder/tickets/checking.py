"""Everything that a place of tickets holds read again, and what of it is not in order."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, counted
from faultfinder.tickets.kept_models import read_files
from faultfinder.tickets.limits import COUNT_LIMIT
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.store import read_tickets, summary
from faultfinder.tickets.tables import EVENT, FREE_TEXT, MODEL_VERSION, STORE, TICKET
from faultfinder.tickets.ticket import Ticket


@dataclass(frozen=True)
class Checked:
    """What a store holds; `faults` are sentences on tickets that are not in order."""

    tickets: int
    events: int
    faults: tuple[str, ...]


def check_store(place: str | Path | None = None) -> Checked:
    """Read everything and compute every ticket from its log.

    Raises FaultfinderError when the database itself is damaged.
    """
    store = open_store(place)
    try:
        with store.database.transaction(write=False) as connection:
            if not store.database.server:
                said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
                if said != "ok" or broken is not None:
                    raise FaultfinderError(
                        f"{store.database.name} is damaged: {said}. Restore a backup of it."
                    )
            rows = connection.execute(sa.select(TICKET)).all()
            heads = {row.number: row for row in rows}
            events = 0
            faults: list[str] = []
            if connection.execute(sa.select(sa.func.count()).select_from(STORE)).scalar_one() != 1:
                faults.append("No ticket can be opened: the identity of this place is damaged.")
            if not store.database.server:
                faults += _odd_values(connection)
            for ticket in read_tickets(connection, list(heads)):
                events += len(ticket.events)
                faults += _faults(ticket, heads[ticket.number])
            for version, text in connection.execute(
                sa.select(MODEL_VERSION.c.digest, MODEL_VERSION.c.files)
            ):
                try:
                    read_files(version, text)
                except FaultfinderError as error:
                    faults.append(str(error))
        return Checked(len(rows), events, tuple(faults))
    finally:
        store.close()


def _faults(ticket: Ticket, head: Any) -> list[str]:
    """What is wrong with a ticket, each with how it is mended."""
    number = ticket.number
    found = []
    for event in ticket.counting():
        if not event.flaw:
            continue
        mend = f'"faultfinder takeback {number} {event.number}" takes the entry back.'
        if event.number == 1 or event.entry.why_it_stays:
            mend = "It is left out wherever the ticket is read; a backup may hold it whole."
        found.append(f"Ticket {number}, entry {event.number}: {event.flaw}. {mend}")
    told = {f"entry {event.number}: {event.flaw}" for event in ticket.events}
    found += [
        f"Ticket {number}: {flaw}. Restore a backup." for flaw in ticket.damage if flaw not in told
    ]
    if any(value != getattr(head, name) for name, value in summary(ticket).items()):
        found.append(
            f"Ticket {number} does not stand in lists as its log says. Writing anything on it, as "
            f'in "faultfinder note {number} checked", sets that right.'
        )
    return found


def _odd_values(connection: sa.Connection) -> list[str]:
    """Values in a file that are not of their column's type, which SQLite itself lets pass."""
    found = []
    greatest = connection.exec_driver_sql(
        "select max(seq) from (select seq from sqlite_sequence union all select number from ticket)"
    ).scalar()
    if isinstance(greatest, int) and greatest > COUNT_LIMIT:
        found.append(
            f"Ticket numbers are used up: the greatest was {counted(greatest)}. Export the tickets "
            "and import them in another place."
        )
    for table, number in ((TICKET, "number"), (EVENT, "ticket"), (FREE_TEXT, "ticket")):
        for column in table.columns:
            wanted = "text" if isinstance(column.type, sa.Text) else "integer"
            also = f" and {column.name} is not null" if column.nullable else ""
            odd = connection.exec_driver_sql(
                f"select {number} from {table.name} where typeof({column.name}) <> '{wanted}'{also}"
            )
            found += [
                f"Ticket {row[0]!r:.20}: {column.name} in the table {table.name} is no {wanted}. "
                "Restore a backup."
                for row in odd
            ]
    return found
