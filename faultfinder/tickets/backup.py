"""Backups: everything in one SQLite file, read at one moment, with a checksum to restore by.

The same file for tickets on SQLite and on PostgreSQL, so that they can also be moved
from one to the other. It can be opened like any file of tickets.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import BESIDE_A_DATABASE, check_target, refused
from faultfinder.tickets.database import Database
from faultfinder.tickets.kept_models import read_files
from faultfinder.tickets.limits import COUNT_LIMIT
from faultfinder.tickets.opening import revision, set_up
from faultfinder.tickets.store import Store
from faultfinder.tickets.tables import (
    EVENT,
    FREE_TEXT,
    HEAD,
    MODEL_VERSION,
    STORE,
    SUM,
    TICKET,
    UNRELEASED,
)
from faultfinder.written import lasting

TABLES = (STORE, MODEL_VERSION, TICKET, EVENT, FREE_TEXT)
"""In an order in which each row finds the rows it points to."""

AT_ONCE = 2_000

Progress = Callable[[int], None]

Put = Callable[[str], None]
"""What else is put in place with a file of tickets; what was there goes beside the file named."""


@dataclass(frozen=True)
class Copied:
    """What a backup holds."""

    tickets: int
    events: int


def back_up(
    store: Store,
    target: Path,
    replace: bool = False,
    progress: Progress = lambda rows: None,
    put: Put = lambda older: None,
) -> Copied:
    """Write a backup aside and move it into place; with `replace` an older backup there goes.

    The file is read again and compared before it is moved. Raises MisuseError for a place that
    holds anything else, FaultfinderError when it cannot be written.
    """
    _check_target(store, target, replace)
    with _made_aside(target, str(target)) as out:
        copied = _copy_out(store, out, progress)
        _in_one_file(out)
        check_backup(out.path)
        with (
            refused(f"{target} cannot be written"),
            lasting(f"The backup {target} is written."),
        ):
            put("")
            for leftover in _beside(target):
                leftover.unlink()
            os.replace(out.path, os.path.realpath(target))
        return copied


@contextlib.contextmanager
def _made_aside(target: Path, name: str) -> Iterator[Database]:
    """An empty database beside `target`, to be moved there; what was not moved is gone
    afterwards. A refusal speaks of `name`, which was asked for."""
    made = Database(target.parent / f".aside-{secrets.token_hex(8)}")
    made.name = name
    try:
        made.create()
        set_up(made)
        yield made
    finally:
        made.close()
        for end in ("", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                Path(f"{made.path}{end}").unlink(missing_ok=True)


def _in_one_file(database: Database) -> None:
    """Close a database so that its one file can be copied or moved by itself; reading it later
    turns write-ahead on again."""
    with database.engine().connect() as connection:
        connection.exec_driver_sql("PRAGMA journal_mode = DELETE")
    database.close()


def _check_target(store: Store, target: Path, replace: bool) -> None:
    own = () if store.database.server else (store.database.path,)
    if target.exists() and not target.is_file():
        raise MisuseError(f"{target} is no plain file. A backup is written into one.")
    if is_backup(target) and not any(path.samefile(target) for path in own):
        # The one kind of database that is replaced: by a newer one of its kind.
        if not replace:
            raise MisuseError(
                f"{target} is a backup already. Name another file, or say --replace to replace it."
            )
        return
    check_target(target, replace=replace, sources=own)
    left = _beside(target)
    if left and not replace:
        raise MisuseError(
            f"{left[0]} is left of another database; SQLite would take it for a part of the "
            "backup. Name another file, or say --replace to remove it."
        )


def _beside(path: Path) -> list[Path]:
    """Files beside a database's place that SQLite would take for a part of it."""
    real = os.path.realpath(path)
    return [Path(f"{real}{end}") for end in BESIDE_A_DATABASE if os.path.lexists(f"{real}{end}")]


def is_backup(path: Path) -> bool:
    """Whether a file is a backup, by what it says itself."""
    if not path.is_file():
        return False
    database = Database(path, frozen=True)
    try:
        revision(database)
        with database.transaction(write=False) as connection:
            return connection.execute(sa.select(SUM.c.digest)).scalar() is not None
    except FaultfinderError:
        return False
    finally:
        database.close()


def _copy_out(store: Store, out: Database, progress: Progress) -> Copied:
    with (
        store.database.transaction(write=False) as source,
        out.transaction(write=True) as target,
    ):
        target.execute(STORE.delete())
        digest, counts = _copy(source, target, progress)
        SUM.metadata.create_all(target)
        target.execute(SUM.insert().values(digest=digest, rows=sum(counts.values())))
    return Copied(counts["ticket"], counts["event"])


def _copy(
    source: sa.Connection, target: sa.Connection | None, progress: Progress = lambda rows: None
) -> tuple[str, dict[str, int]]:
    """Checksum and row counts of all tables; the rows are written to `target` where given."""
    digest = hashlib.sha256()
    counts = {}
    # A ticket may come before its first one, so they are linked once all are there.
    links: list[dict[str, object]] = []
    for table in TABLES:
        counts[table.name] = 0
        for rows in _batches(source, table):
            _add(digest, table, rows)
            if target is not None:
                made = [dict(row._mapping) for row in rows]
                if table is TICKET:
                    links += [
                        {"own": one["number"], "first": one["first_ticket"]}
                        for one in made
                        if one["first_ticket"] is not None
                    ]
                    made = [one | {"first_ticket": None} for one in made]
                target.execute(table.insert(), made)
            counts[table.name] += len(rows)
            progress(len(rows))
        if target is not None and table is TICKET and links:
            which = TICKET.c.number == sa.bindparam("own")
            linked = TICKET.update().where(which).values(first_ticket=sa.bindparam("first"))
            target.execute(linked, links)
    return digest.hexdigest(), counts


def _batches(connection: sa.Connection, table: sa.Table) -> Iterator[list[Any]]:
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
    """Read a whole backup and compare it with its checksum. Raises FaultfinderError.

    It may be from anywhere: it is only read, and nothing that it holds is run.
    """
    if not path.is_file():
        raise FaultfinderError(f"There is no backup {path}.")
    database = Database(path, frozen=True)
    try:
        found = revision(database)
        with database.transaction(write=False) as connection:
            said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
            if said != "ok":
                raise FaultfinderError(f"{path} is damaged: {str(said)[:100]}. Use another backup.")
            if found is None or SUM.name not in sa.inspect(connection).get_table_names():
                raise FaultfinderError(
                    f"{path} is no backup of tickets. Backups are made with "
                    '"faultfinder store backup".'
                )
            if found not in (HEAD, UNRELEASED[1]):
                raise FaultfinderError(
                    f"{path} has tables of version {found}, this program reads {HEAD}. Restore it "
                    "with the version that made it, then upgrade."
                )
            kept = connection.execute(sa.select(SUM)).one()
            _check_frame(connection, path)
            digest, counts = _copy(connection, None)
            files = connection.execute(sa.select(MODEL_VERSION.c.digest, MODEL_VERSION.c.files))
            for version, text in files:
                read_files(version, text)
        if digest != kept.digest:
            raise FaultfinderError(
                f"{path} is damaged: its rows do not agree with its checksum. Use another backup."
            )
        return Copied(counts["ticket"], counts["event"])
    finally:
        database.close()


def _check_frame(connection: sa.Connection, path: Path) -> None:
    """Raise FaultfinderError for what would keep tickets from being opened where it is restored."""
    identity = connection.execute(sa.select(STORE.c.id)).scalar_one()
    beyond = sa.select(TICKET.c.number).where(~TICKET.c.number.between(1, COUNT_LIMIT)).limit(1)
    if not isinstance(identity, str) or connection.execute(beyond).scalar() is not None:
        raise FaultfinderError(
            f"{path} was not made by this program: its tickets cannot be told from others. Use "
            "another backup."
        )


def restore(
    path: Path,
    place: str | Path,
    replace: bool = False,
    progress: Progress = lambda rows: None,
    put: Put = lambda older: None,
    also: str = "",
) -> tuple[Copied, str]:
    """Bring a checked backup into an empty place, and compare what arrived.

    With `replace` what is there is moved aside; returns what was restored and where that is now
    ("": nothing was there). `also` says what is there besides a file ("": nothing). Raises
    FaultfinderError when the place holds tickets, or anything differs; then nothing was changed.
    """
    checked = check_backup(path)
    there = Database(place)
    try:
        if not there.server:
            # What a link points to is replaced, not the link.
            there.path = Path(os.path.realpath(there.path))
            if there.path.exists() and there.path.samefile(path):
                raise MisuseError(f"{there.name} is the backup itself. Name another place.")
        if there.server:
            if replace:
                raise MisuseError(
                    "--replace is for files. On a server, restore into a database of its own."
                )
            if also:
                raise FaultfinderError(
                    f"{there.name} holds {also} already; a backup is restored into an empty place "
                    "only. Nothing was changed."
                )
            _into_server(path, there, progress)
            put("")
            return checked, ""
        holds = not there.missing and _holds_tickets(there)
        there.close()
        left = _beside(there.path)
        aside = _moved_to(there) if holds or left or also else None
        if left and not holds and not replace:
            raise FaultfinderError(
                f"{left[0]} is left of another database, or in use; SQLite would take it for a "
                f"part of {there.name}. Say --replace to move it aside. Nothing was changed."
            )
        if aside is not None and not replace:
            raise FaultfinderError(
                f"{there.name} holds {'tickets' if holds else also} already; a backup is restored "
                "into an empty place only. Name another with --db, or say --replace: what is there "
                f"is moved to {aside.name} then. Nothing was changed."
            )
    finally:
        there.close()
    _into_file(path, there, aside, progress, put)
    return checked, "" if aside is None else str(aside)


def _holds_tickets(database: Database) -> bool:
    if revision(database) is None:
        return False
    with database.transaction(write=False) as connection:
        return connection.execute(sa.select(TICKET.c.number).limit(1)).scalar() is not None


def _moved_to(database: Database) -> Path:
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    for turn in range(1, 1000):
        other = Path(f"{database.path}.before-{day}{'' if turn == 1 else f'-{turn}'}")
        if not any(other.parent.glob(f"{glob.escape(other.name)}*")):
            return other
    raise FaultfinderError(f"There are too many older files beside {database.name}. Move some.")


def _into_server(path: Path, database: Database, progress: Progress) -> None:
    if revision(database) is None:
        raise FaultfinderError(
            f"{database.name} has no tables yet. Make them first: faultfinder store new"
        )
    _fill(path, database, progress, f"The tickets of {path} are restored.")


def _into_file(
    path: Path, there: Database, older: Path | None, progress: Progress, put: Put
) -> None:
    with _made_aside(there.path, there.name) as fresh:
        _fill(path, fresh, progress)
        _in_one_file(fresh)
        with (
            refused(f"{there.name} cannot be written"),
            lasting(f"What {path} holds is restored."),
        ):
            put("" if older is None else str(older))
            if older is not None:
                for end in (*BESIDE_A_DATABASE, ""):
                    with contextlib.suppress(FileNotFoundError):
                        os.rename(f"{there.path}{end}", f"{older}{end}")
            os.replace(fresh.path, there.path)
        again = Database(there.path)
        again.write_ahead()
        again.close()


def _fill(path: Path, database: Database, progress: Progress, says: str = "") -> None:
    backup = Database(path, frozen=True)
    try:
        with (
            backup.transaction(write=False) as source,
            database.transaction(True, says) as target,
        ):
            if target.execute(sa.select(sa.func.count()).select_from(TICKET)).scalar_one():
                raise FaultfinderError(
                    f"{database.name} holds tickets already. Nothing was changed."
                )
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
