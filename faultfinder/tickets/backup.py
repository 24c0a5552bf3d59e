"""Backups: everything in one SQLite file, read at one moment, with a checksum to restore by.

The same file for tickets on SQLite and on PostgreSQL, so that they can also be moved
from one to the other. It can be opened like any file of tickets.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError
from faultfinder.tickets.database import Database
from faultfinder.tickets.opening import open_store, revision, set_up
from faultfinder.tickets.store import Store, read_tickets
from faultfinder.tickets.tables import EVENT, FREE_TEXT, HEAD, MODEL_VERSION, STORE, TICKET

TABLES = (STORE, MODEL_VERSION, TICKET, EVENT, FREE_TEXT)
"""In an order in which each row finds the rows it points to."""

_SUM = sa.Table(
    "backup_sum",
    sa.MetaData(),
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("rows", sa.Integer, nullable=False),
)
"""One row in a backup: a checksum over all rows of all tables."""

AT_ONCE = 2_000

Progress = Callable[[int], None]


@dataclass(frozen=True)
class Copied:
    """What a backup holds."""

    tickets: int
    events: int
    rows: int


def back_up(store: Store, target: Path, progress: Progress = lambda rows: None) -> Copied:
    """Write a backup aside and move it into place; an older one there is replaced.

    The file is read again and compared before it is moved. Raises FaultfinderError.
    """
    try:
        handle, name = tempfile.mkstemp(dir=target.parent or ".", prefix=".backup-")
    except OSError as error:
        raise FaultfinderError(f"{target} cannot be written: {error.strerror}.") from error
    os.close(handle)
    aside = Path(name)
    try:
        copied = _copy_out(store, aside, progress)
        check_backup(aside)
        try:
            os.replace(aside, target)
        except OSError as error:
            raise FaultfinderError(f"{target} cannot be written: {error.strerror}.") from error
        return copied
    finally:
        for leftover in (aside, Path(f"{aside}-wal"), Path(f"{aside}-shm")):
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)


def _copy_out(store: Store, aside: Path, progress: Progress) -> Copied:
    out = Database(aside)
    try:
        set_up(out)
        with (
            store.database.transaction(write=False) as source,
            out.transaction(write=True) as target,
        ):
            target.execute(STORE.delete())
            digest, counts = _copy(source, target, progress)
            _SUM.metadata.create_all(target)
            target.execute(_SUM.insert().values(digest=digest, rows=sum(counts.values())))
        with out.engine().connect() as connection:
            # One file that can be copied by itself.
            connection.exec_driver_sql("PRAGMA journal_mode = DELETE")
    finally:
        out.close()
    return Copied(counts["ticket"], counts["event"], sum(counts.values()))


def _copy(
    source: sa.Connection, target: sa.Connection | None, progress: Progress = lambda rows: None
) -> tuple[str, dict[str, int]]:
    """Checksum and row counts of all tables; the rows are written to `target` where given."""
    digest = hashlib.sha256()
    counts = {}
    for table in TABLES:
        counts[table.name] = 0
        for rows in _batches(source, table):
            _add(digest, table, rows)
            if target is not None:
                target.execute(table.insert(), [dict(row._mapping) for row in rows])
            counts[table.name] += len(rows)
            progress(len(rows))
    return digest.hexdigest(), counts


def _batches(connection: sa.Connection, table: sa.Table) -> Iterator[list[Any]]:
    # The first ticket of a comeback has the smaller number, so order serves the links too.
    query = sa.select(table).order_by(*table.primary_key.columns)
    result = connection.execution_options(stream_results=True).execute(query)
    for rows in result.partitions(AT_ONCE):
        yield list(rows)


def _add(digest: Any, table: sa.Table, rows: list[Any]) -> None:
    digest.update(table.name.encode())
    for row in rows:
        values = [int(value) if isinstance(value, bool) else value for value in row]
        digest.update(repr(values).encode("utf-8", "backslashreplace"))


def check_backup(path: Path) -> Copied:
    """Read a whole backup and compare it with its checksum. Raises FaultfinderError."""
    if not path.is_file():
        raise FaultfinderError(f"There is no backup {path}.")
    database = Database(path)
    try:
        found = revision(database)
        with database.transaction(write=False) as connection:
            if found is None or _SUM.name not in sa.inspect(connection).get_table_names():
                raise FaultfinderError(
                    f"{path} is no backup of tickets. Backups are made with "
                    '"faultfinder store backup".'
                )
            if found != HEAD:
                raise FaultfinderError(
                    f"{path} has tables of version {found}, this program reads {HEAD}. Restore it "
                    "with the version that made it, then upgrade."
                )
            kept = connection.execute(sa.select(_SUM)).one()
            digest, counts = _copy(connection, None)
        if digest != kept.digest:
            raise FaultfinderError(
                f"{path} is damaged: its rows do not agree with its checksum. Use another backup."
            )
        return Copied(counts["ticket"], counts["event"], sum(counts.values()))
    finally:
        database.close()


def restore(path: Path, place: str | Path, progress: Progress = lambda rows: None) -> Copied:
    """Bring a checked backup into an empty place, and compare what arrived.

    Raises FaultfinderError when the place holds tickets already, or anything differs;
    then nothing was changed.
    """
    checked = check_backup(path)
    _refuse_full(place)
    backup, database = Database(path), Database(place)
    try:
        if revision(database) is None:
            if database.server:
                raise FaultfinderError(
                    f"{database.name} has no tables yet. Make them first: faultfinder store upgrade"
                )
            set_up(database)
        with (
            backup.transaction(write=False) as source,
            database.transaction(write=True) as target,
        ):
            if target.execute(sa.select(sa.func.count()).select_from(TICKET)).scalar_one():
                raise FaultfinderError(f"{database.name} holds tickets. Nothing was changed.")
            target.execute(MODEL_VERSION.delete())
            target.execute(STORE.delete())
            wanted, _ = _copy(source, target, progress)
            database.number_on(target)
            arrived, _ = _copy(target, None)
            if arrived != wanted:
                raise FaultfinderError(
                    f"What arrived in {database.name} differs from the backup. Nothing was changed."
                )
    finally:
        backup.close()
        database.close()
    return checked


def _refuse_full(place: str | Path) -> None:
    database = Database(place)
    try:
        if not database.server and not Path(place).exists():
            return
        if revision(database) is None:
            return
        with database.transaction(write=False) as connection:
            if connection.execute(sa.select(TICKET.c.number).limit(1)).scalar() is not None:
                raise FaultfinderError(
                    f"{database.name} holds tickets already; a backup is restored into an empty "
                    "place only. Name another with --db. Nothing was changed."
                )
    finally:
        database.close()


def check_store(place: str | Path | None = None) -> Copied:
    """Read everything and compute every ticket from its log. Raises FaultfinderError."""
    store = open_store(place)
    try:
        with store.database.transaction(write=False) as connection:
            if not store.database.server:
                said = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
                if said != "ok" or broken is not None:
                    raise FaultfinderError(
                        f"{store.database.name} is damaged: {said}. Restore a backup of it."
                    )
            numbers = connection.execute(sa.select(TICKET.c.number)).scalars().all()
            summaries = {
                row.number: row.is_open
                for row in connection.execute(sa.select(TICKET.c.number, TICKET.c.is_open))
            }
            events = 0
            for ticket in read_tickets(connection, numbers):
                events += len(ticket.events)
                if bool(summaries[ticket.number]) != ticket.open:
                    raise FaultfinderError(
                        f"Ticket {ticket.number} does not stand as its log says. Restore a backup."
                    )
        return Copied(len(numbers), events, 0)
    finally:
        store.close()
