"""Open the tickets: what is there is looked at first, and what is not ours is left as it is."""

from __future__ import annotations

import re
import secrets
from pathlib import Path

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError
from faultfinder.tickets.address import store_address
from faultfinder.tickets.database import Database, NoStore
from faultfinder.tickets.store import Store
from faultfinder.tickets.tables import HEAD, META, REVISION, STORE, SUM, UNRELEASED

MADE = "An empty place for tickets is made."

_OWN = {*META.tables, REVISION.name, SUM.name}
_OF_SQLITE = {
    "sqlite_sequence": "CREATE TABLE sqlite_sequence(name,seq)",
    "sqlite_stat1": "CREATE TABLE sqlite_stat1(tbl,idx,stat)",
}
_COLUMNS = {column.name for table in (*META.tables.values(), REVISION, SUM) for column in table.c}
_WORDS = (
    _OWN
    | _COLUMNS
    | {"create", "table", "index", "on", "text", "integer", "boolean", "varchar", "32", "not"}
    | {
        "alembic_version_pkc",
        "null",
        "primary",
        "key",
        "autoincrement",
        "constraint",
        "unique",
        "foreign",
        "references",
    }
)
"""All that stands in the definitions of our tables: no check, default, expression or collation."""

_NAMED = re.compile(r"(pk|fk|uq|ix)_[a-z_]+")
_SIGNS = re.compile(r'[\w\s,()"]*', re.ASCII)


def open_store(place: str | Path | None = None, make: bool = False) -> Store:
    """Open the tickets at `place` (default: `store_address()`).

    Where there is none, one is made with `make` (a file only: `make_store` is for servers), and
    else NoStore is raised. Raises FaultfinderError for what cannot be opened, is damaged, holds
    something else, or has the tables of another version; it is left as it is.
    """
    database = Database(place if place is not None else store_address())
    try:
        if database.missing and make:
            database.create()
        version = None if database.missing else revision(database)
        if version is None and make and not database.server:
            set_up(database, MADE)
        elif version is None:
            raise NoStore(none_there(database))
        elif version != HEAD:
            raise FaultfinderError(other_version(database, version))
        database.trust()
        if database.to_wipe():
            database.wipe()
    except BaseException:
        database.close()
        raise
    return Store(database)


def make_store(place: str | Path) -> str:
    """Make the tables in an empty place; returns its name. Raises FaultfinderError."""
    database = Database(place)
    try:
        if database.missing:
            database.create()
        if revision(database) is not None:
            raise FaultfinderError(f"{database.name} holds tickets already. Nothing was changed.")
        set_up(database, MADE)
        return database.name
    finally:
        database.close()


def none_there(database: Database) -> str:
    if database.server:
        return (
            f"{database.name} has no tables for tickets yet. Whoever keeps the server makes "
            'them with "faultfinder store new".'
        )
    usual = store_address()
    other = "" if usual == database.name else f" The usual place is {usual}."
    return (
        f"There are no tickets at {database.name}.{other} The first one is opened with "
        '"faultfinder intake"; an empty place is made with "faultfinder store new".'
    )


def other_version(database: Database, version: str) -> str:
    if version == UNRELEASED[0]:
        return (
            f"{database.name} has tables that were never given out ({version}); nothing in it was "
            "changed. Export the tickets with the program that made it, and import them here."
        )
    if version in UNRELEASED:
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

    Of a file only the list of what it holds is read until that is known to be ours. Raises
    FaultfinderError when the database holds something else.
    """
    with database.transaction(write=False) as connection:
        if database.server:
            names = set(sa.inspect(connection).get_table_names())
        else:
            names = _checked_names(connection, database.name)
        if not names:
            return None
        if "faultfinder_schema" in names:
            return UNRELEASED[0]
        if REVISION.name in names and STORE.name in names:
            found = connection.execute(sa.select(REVISION.c.version_num)).scalar()
            if found is not None:
                return str(found)
    raise FaultfinderError(_of_something_else(database.name))


def _of_something_else(name: str) -> str:
    return (
        f"{name} is a database of something else; nothing in it was changed. Name another place "
        "with --db or FAULTFINDER_DB."
    )


def _checked_names(connection: sa.Connection, place: str) -> set[str]:
    """The tables of a file. Raises FaultfinderError for anything in it that could be run."""
    rows = connection.exec_driver_sql("select type, name, sql from sqlite_master").all()
    names = {str(name) for kind, name, _ in rows if kind == "table"}
    if rows and not names & _OWN:
        raise FaultfinderError(_of_something_else(place))
    if "faultfinder_schema" in names:
        return names
    for kind, name, sql in rows:
        if not _is_ours(kind, name, sql):
            raise FaultfinderError(
                f'{place} holds the {kind} "{name}", which this program does not make. Nothing in '
                "it was read or changed. Restore a backup, or ask who gave you the file."
            )
    return {name for name in names if name not in _OF_SQLITE}


def _is_ours(kind: object, name: object, sql: object) -> bool:
    if name in _OF_SQLITE:
        return sql == _OF_SQLITE[str(name)]
    if kind == "index" and sql is None:
        return str(name).startswith("sqlite_autoindex_")
    if not isinstance(sql, str) or len(sql) > 10_000 or not _SIGNS.fullmatch(sql):
        return False
    if kind not in ("table", "index") or (kind == "table" and name not in _OWN):
        return False
    words = re.findall(r"\w+", sql.lower())
    return all(word in _WORDS or _NAMED.fullmatch(word) for word in words)


def set_up(database: Database, says: str = "") -> None:
    """Make the tables in an empty database; `says` is what stands then."""
    database.trust()
    database.write_ahead()
    with database.transaction(True, says) as connection:
        # Somebody else may have set it up between the look and the lock.
        if not sa.inspect(connection).get_table_names():
            META.create_all(connection)
            REVISION.metadata.create_all(connection)
            connection.execute(REVISION.insert().values(version_num=HEAD))
            connection.execute(STORE.insert().values(id=secrets.token_hex(6)))
            keep_no_samples(connection)


def keep_no_samples(connection: sa.Connection) -> None:
    """Let a server gather no statistics on texts: they hold samples, which nothing would erase."""
    if connection.dialect.name == "postgresql":
        for column in ("text", "folded"):
            connection.exec_driver_sql(
                f"alter table free_text alter column {column} set statistics 0"
            )
