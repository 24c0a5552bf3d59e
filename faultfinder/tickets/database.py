"""Where the tickets lie, and transactions there: an SQLite file or a PostgreSQL server."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.folders import user_place
from faultfinder.tickets import refusals

PATIENCE = 15
"""Seconds to wait for somebody else's write."""


def store_place() -> str:
    """FAULTFINDER_DB, or tickets.db in the user's data folder."""
    place = user_place("FAULTFINDER_DB", "XDG_DATA_HOME", "~/.local/share", "tickets.db")
    text = str(place)
    # A path swallows one of the two slashes of an address.
    return text.replace(":/", "://", 1) if text.startswith("postgresql") else text


class Database:
    """A connection to be made: `place` is a file's path or postgresql+psycopg://..."""

    def __init__(self, place: str | Path) -> None:
        text = str(place)
        self.server = text.startswith(("postgresql:", "postgresql+"))
        if self.server:
            self._engine = _server_engine(text)
            self.name = self._engine.url.render_as_string(hide_password=True)
        else:
            if text.partition("://")[1] and text.partition("://")[0].isidentifier():
                raise MisuseError(
                    f"{text.partition('://')[0]}:// is no kind of database known here. Name a "
                    "file, or postgresql+psycopg://USER@HOST/NAME."
                )
            self.path = Path(text)
            self._engine = _file_engine(self.path)
            self.name = text

    @contextmanager
    def transaction(self, write: bool) -> Iterator[sa.Connection]:
        """One transaction: committed whole, or nothing of it. Raises FaultfinderError."""
        try:
            with self._engine.connect() as connection:
                if self.server:
                    # What a reader sees is of one moment; writers lock the ticket's row.
                    level = "READ COMMITTED" if write else "REPEATABLE READ"
                    connection.execution_options(isolation_level=level)
                    with connection.begin():
                        yield connection
                else:
                    # The write lock is taken first, so that what is read stays true until commit.
                    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")
                    try:
                        yield connection
                    except BaseException:
                        if connection.connection.dbapi_connection.in_transaction:  # type: ignore[union-attr]
                            connection.exec_driver_sql("ROLLBACK")
                        raise
                    connection.exec_driver_sql("COMMIT")
        except sa.exc.DBAPIError as error:
            raise FaultfinderError(self.refusal(error.orig)) from error
        except UnicodeDecodeError as error:
            # The driver reads what SQLite says of a damaged file as text.
            raise FaultfinderError(self.refusal(sqlite3.Error("malformed text"))) from error
        except sqlite3.Error as error:
            # Raised while a connection is being set up.
            raise FaultfinderError(self.refusal(error)) from error

    def refusal(self, error: BaseException | None) -> str:
        """The sentence for a refused operation."""
        return refusals.sentence(error, self.name, self.server)

    def engine(self) -> sa.Engine:
        """For migrations and backups."""
        return self._engine

    def number_on(self, connection: sa.Connection) -> None:
        """Let new tickets be numbered after the greatest number that was written by itself."""
        if self.server:
            connection.exec_driver_sql(
                "select setval(pg_get_serial_sequence('ticket', 'number'), "
                "coalesce((select max(number) from ticket), 0) + 1, false)"
            )

    def write_ahead(self) -> None:
        """Let readers and a writer of a file work side by side. It stays so in the file, and
        is only done to a file that is ours."""
        if self.server:
            return
        try:
            with self._engine.connect() as connection:
                if connection.exec_driver_sql("PRAGMA journal_mode").scalar() != "wal":
                    connection.exec_driver_sql("PRAGMA journal_mode = WAL")
        except sa.exc.DBAPIError as error:
            raise FaultfinderError(self.refusal(error.orig)) from error

    def close(self) -> None:
        """Let go of the file or server."""
        self._engine.dispose()


def _file_engine(path: Path) -> sa.Engine:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FaultfinderError(
            f"The folder {path.parent} cannot be made: {error.strerror}."
        ) from error
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(path)),
        connect_args={"timeout": float(PATIENCE), "isolation_level": None},
    )
    sa.event.listen(engine, "connect", _file_settings)
    return engine


def _file_settings(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    # secure_delete: what is erased is overwritten, not just unlinked.
    for setting in ("foreign_keys = ON", "synchronous = FULL", "secure_delete = ON"):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def _server_engine(address: str) -> sa.Engine:
    try:
        url = sa.make_url(address)
    except (sa.exc.ArgumentError, ValueError) as error:
        raise MisuseError(
            "The database's address cannot be read. It looks like "
            "postgresql+psycopg://USER@HOST/NAME."
        ) from error
    options = f"-c lock_timeout={PATIENCE * 1000} -c application_name=faultfinder"
    try:
        return sa.create_engine(url, connect_args={"connect_timeout": 10, "options": options})
    except (ImportError, sa.exc.NoSuchModuleError) as error:
        raise MisuseError(
            "Tickets on a PostgreSQL server need a driver: install faultfinder with its extra, "
            "as in pip install '.[postgres]', and begin the address with postgresql+psycopg://."
        ) from error
