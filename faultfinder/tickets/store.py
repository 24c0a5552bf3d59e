"""Tickets in a database: an append-only log, written in transactions.

SQLite in the user's data folder. Every command is one transaction; whoever writes must
have seen the newest entry, so that two people cannot overwrite each other unseen.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.folders import user_place
from faultfinder.tickets.events import Event, Happened, from_row, to_text
from faultfinder.tickets.ticket import Ticket, fold

SCHEMA = 1
"""Raised with every change of the tables."""

_META = sa.MetaData()
_VERSION = sa.Table("faultfinder_schema", _META, sa.Column("version", sa.Integer, primary_key=True))
_TICKET = sa.Table(
    "ticket",
    _META,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("model", sa.Text, nullable=False),
    sa.Column("opened_at", sa.Text, nullable=False),
    sa.Column("is_open", sa.Boolean, nullable=False, index=True),
    sqlite_autoincrement=True,
)
_EVENT = sa.Table(
    "event",
    _META,
    sa.Column("ticket", sa.Integer, sa.ForeignKey("ticket.number"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
)

Entry = tuple[Happened, Mapping[str, Any]]
"""Something to write: the kind of event and its data."""


class StaleTicket(FaultfinderError):
    """Somebody else wrote to the ticket since it was read."""


def store_path() -> Path:
    """FAULTFINDER_DB, or tickets.db in the user's data folder."""
    return user_place("FAULTFINDER_DB", "XDG_DATA_HOME", "~/.local/share", "tickets.db")


class Store:
    """The tickets of a shop. Made with `open_store`."""

    def __init__(self, engine: sa.Engine, place: Path) -> None:
        self._engine = engine
        self._place = place

    @contextmanager
    def _transaction(self, write: bool) -> Iterator[sa.Connection]:
        try:
            with self._engine.connect() as connection:
                # The write lock is taken first, so that what is read stays true until commit.
                connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")
                try:
                    yield connection
                except BaseException:
                    connection.exec_driver_sql("ROLLBACK")
                    raise
                connection.exec_driver_sql("COMMIT")
        except sa.exc.DBAPIError as error:
            raise FaultfinderError(_said(error.orig, self._place)) from error
        except sqlite3.Error as error:
            # Raised while a connection is being set up.
            raise FaultfinderError(_said(error, self._place)) from error

    def intake(
        self, model: str, at: str, who: str, complaint: str, entries: Sequence[Entry]
    ) -> int:
        """Open a ticket with its first entries; returns its number."""
        with self._transaction(write=True) as connection:
            row = _TICKET.insert().values(model=model, opened_at=at, is_open=True)
            number = int(connection.execute(row.returning(_TICKET.c.number)).scalar_one())
            first = (Happened.INTAKE, {"model": model, "complaint": complaint})
            self._write(connection, number, 0, at, who, [first, *entries])
        return number

    def append(self, number: int, seen: int, at: str, who: str, entries: Sequence[Entry]) -> Ticket:
        """Write entries to a ticket whose newest entry seen is `seen`; returns its new state.

        Raises StaleTicket when there is a newer one; then nothing was written.
        """
        with self._transaction(write=True) as connection:
            before = self._events(connection, number)
            newest = before[-1].number
            if newest != seen:
                raise StaleTicket(
                    f"Somebody wrote to ticket {number} meanwhile (entries {seen + 1} to "
                    f"{newest}). Nothing of yours was written: look at the ticket, then enter it "
                    "again."
                )
            written = self._write(connection, number, newest, at, who, entries)
            after = fold(number, [*before, *written])
            connection.execute(
                _TICKET.update().where(_TICKET.c.number == number).values(is_open=after.open)
            )
        return after

    def _write(
        self,
        connection: sa.Connection,
        number: int,
        newest: int,
        at: str,
        who: str,
        entries: Sequence[Entry],
    ) -> list[Event]:
        events = [
            Event(newest + place, kind, at, who, data)
            for place, (kind, data) in enumerate(entries, start=1)
        ]
        rows = [
            {
                "ticket": number,
                "number": event.number,
                "kind": str(event.kind),
                "at": event.at,
                "who": event.who,
                "data": to_text(event.data),
            }
            for event in events
        ]
        connection.execute(_EVENT.insert(), rows)
        return events

    def _events(self, connection: sa.Connection, number: int) -> list[Event]:
        query = sa.select(_EVENT).where(_EVENT.c.ticket == number).order_by(_EVENT.c.number)
        rows = connection.execute(query).all()
        if not rows:
            raise MisuseError(f'There is no ticket {number}. "faultfinder tickets" lists them.')
        return [from_row(row.number, row.kind, row.at, row.who, row.data) for row in rows]

    def ticket(self, number: int) -> Ticket:
        """The present state of a ticket. Raises MisuseError when there is none."""
        with self._transaction(write=False) as connection:
            return fold(number, self._events(connection, number))

    def open_tickets(self) -> list[Ticket]:
        """All tickets that are not closed, the oldest first."""
        with self._transaction(write=False) as connection:
            query = sa.select(_TICKET.c.number).where(_TICKET.c.is_open).order_by(_TICKET.c.number)
            numbers = connection.execute(query).scalars().all()
            return [fold(number, self._events(connection, number)) for number in numbers]

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()


def open_store(path: Path | None = None) -> Store:
    """Open the tickets at `path` (default: `store_path()`); a new file is set up.

    Raises FaultfinderError for a file that cannot be opened, is damaged, holds something
    else, or was written by a newer version; such a file is left as it is.
    """
    place = path or store_path()
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FaultfinderError(
            f"The folder {place.parent} cannot be made: {error.strerror}."
        ) from error
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(place)),
        connect_args={"timeout": 15.0, "isolation_level": None},
    )
    sa.event.listen(engine, "connect", _settings)
    store = Store(engine, place)
    with store._transaction(write=False) as connection:
        names = set(sa.inspect(connection).get_table_names())
    if not names:
        with store._transaction(write=True) as connection:
            # Somebody else may have set it up between the look and the lock.
            if not sa.inspect(connection).get_table_names():
                _META.create_all(connection)
                connection.execute(_VERSION.insert().values(version=SCHEMA))
        return store
    if _VERSION.name not in names:
        raise FaultfinderError(
            f"{place} is a database of something else; nothing in it was changed. Name another "
            "file with FAULTFINDER_DB."
        )
    with store._transaction(write=False) as connection:
        version = connection.execute(sa.select(sa.func.max(_VERSION.c.version))).scalar()
    if version != SCHEMA:
        raise FaultfinderError(
            f"{place} was written by another version of this program (tables {version}, this one "
            f"reads {SCHEMA}); nothing in it was changed."
        )
    return store


def _settings(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    for setting in ("foreign_keys = ON", "journal_mode = WAL", "synchronous = FULL"):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def _said(error: BaseException | None, place: Path) -> str:
    """What went wrong with the file, as a sentence; nothing was written."""
    told = str(error).lower()
    reasons = (
        ("locked", "is in use by another command that takes long. Try again in a moment."),
        ("readonly", "cannot be written to. Give yourself the right to write it and its folder."),
        ("full", "cannot grow: the disk is full. Make room and enter it again."),
        ("not a database", "is no database of tickets, or it is damaged. Bring back a copy of it."),
        ("malformed", "is damaged. Bring back a copy of it."),
        ("unable to open", "cannot be opened. Look at its folder and your rights to it."),
    )
    for sign, reason in reasons:
        if sign in told:
            return f"{place} {reason} Nothing was changed."
    return f"{place} refused: {error}. Nothing was changed."
