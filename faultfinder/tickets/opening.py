"""Open the tickets: set up what is new, and refuse what cannot be read, untouched."""

from __future__ import annotations

import secrets
from pathlib import Path

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError
from faultfinder.tickets.database import Database, store_place
from faultfinder.tickets.store import Store
from faultfinder.tickets.tables import HEAD, META, REVISION, STORE

OLD_MARK = "faultfinder_schema"
"""The table that named the version before there were migrations."""


def open_store(place: str | Path | None = None) -> Store:
    """Open the tickets at `place` (default: `store_place()`); a new file is set up.

    Raises FaultfinderError for what cannot be opened, is damaged, holds something else,
    or has the tables of another version; it is left as it is.
    """
    database = Database(place if place is not None else store_place())
    try:
        version = revision(database)
        if version is None and not database.server:
            set_up(database)
        elif version is None:
            raise FaultfinderError(
                f"{database.name} has no tables for tickets yet. Whoever keeps the server makes "
                'them with "faultfinder store upgrade".'
            )
        elif version != HEAD:
            raise FaultfinderError(_other_version(database, version))
    except BaseException:
        database.close()
        raise
    return Store(database)


def _other_version(database: Database, version: str) -> str:
    if version < HEAD:
        return (
            f"{database.name} has the tables of an earlier version of this program ({version}; "
            f"this one reads {HEAD}). Nothing in it was changed. Make a backup, then run "
            '"faultfinder store upgrade".'
        )
    return (
        f"{database.name} was written by a newer version of this program (tables {version}, this "
        f"one reads {HEAD}); nothing in it was changed. Install the newer version."
    )


def revision(database: Database) -> str | None:
    """The migration the tables are at; None when there is no table at all.

    Raises FaultfinderError when the database holds something else.
    """
    if not database.server:
        found = _quick_revision(database)
        if found is not None:
            return found
    with database.transaction(write=False) as connection:
        names = set(sa.inspect(connection).get_table_names())
        if REVISION.name in names and (STORE.name in names or OLD_MARK in names):
            found = connection.execute(sa.select(REVISION.c.version_num)).scalar()
            return None if found is None else str(found)
    if not names:
        return None
    if OLD_MARK in names:
        return "0001"
    raise FaultfinderError(
        f"{database.name} is a database of something else; nothing in it was changed. Name "
        "another place with --db or FAULTFINDER_DB."
    )


def _quick_revision(database: Database) -> str | None:
    """One query where all is as it should be; whatever is odd is looked at by `revision`."""
    query = "select version_num from alembic_version where exists (select id from store)"
    with database.transaction(write=False) as connection:
        try:
            found = connection.exec_driver_sql(query).scalar()
        except sa.exc.OperationalError as error:
            if "no such table" in str(error.orig):
                return None
            raise
    return str(found) if found is not None else None


def set_up(database: Database) -> None:
    """Make the tables in an empty database."""
    database.write_ahead()
    with database.transaction(write=True) as connection:
        # Somebody else may have set it up between the look and the lock.
        if not sa.inspect(connection).get_table_names():
            META.create_all(connection)
            REVISION.metadata.create_all(connection)
            connection.execute(REVISION.insert().values(version_num=HEAD))
            connection.execute(STORE.insert().values(id=secrets.token_hex(6)))
