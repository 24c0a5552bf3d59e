"""Where the tickets lie, and transactions there: an SQLite file or a PostgreSQL server."""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import private_folder, refused
from faultfinder.tickets import refusals
from faultfinder.tickets.address import SERVERS
from faultfinder.written import lasting

PATIENCE = 15
"""Seconds to wait for somebody else's write."""

WIPING = 2
"""Seconds to wait for others who read while something is being erased."""

LENGTH = 100_000_000
"""Bytes of one value or row in a file at most; a kept model is the longest."""

HEAP = 1_000_000_000
"""Bytes of memory that SQLite takes at most."""

_LIMITS = (
    (sqlite3.SQLITE_LIMIT_LENGTH, LENGTH),
    (sqlite3.SQLITE_LIMIT_SQL_LENGTH, 1_000_000),
    (sqlite3.SQLITE_LIMIT_COLUMN, 100),
    (sqlite3.SQLITE_LIMIT_ATTACHED, 0),
    (sqlite3.SQLITE_LIMIT_COMPOUND_SELECT, 3),
    (sqlite3.SQLITE_LIMIT_FUNCTION_ARG, 8),
    (sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH, 1),
)
"""What SQLite advises to narrow for files from outside (see tests/benchmarks/RESULTS.md)."""

_SETTINGS = (
    "foreign_keys = ON",
    "synchronous = FULL",
    # What is deleted is overwritten with zeros, not just unlinked.
    "secure_delete = ON",
    # Nothing that a file from outside names is run, and its pages are looked at when read.
    "trusted_schema = OFF",
    "cell_size_check = ON",
    "mmap_size = 0",
    # Bytes that SQLite may take, whatever a file says it needs.
    f"hard_heap_limit = {HEAP}",
)


ERASING = "faultfinder: wipe what was erased"
"""The comment at the table of texts while that is still to be done on a server."""


# What it would log is raised as well, and told as a sentence.
logging.getLogger("sqlalchemy").addHandler(logging.NullHandler())


class NoStore(FaultfinderError):
    """There is no database at the place."""


class Database:
    """A connection to be made: `place` is a file's path or postgresql+psycopg://...

    A file is only read until `trust` is called. `frozen`: it is only ever read, and nothing
    beside it is looked at or made.
    """

    def __init__(self, place: str | Path, frozen: bool = False) -> None:
        text = str(place)
        self._trusted = False
        self.server = text.startswith(SERVERS)
        if self.server:
            self._engine = _server_engine(text)
            self.name = self._engine.url.render_as_string(hide_password=True)
        else:
            if text.partition("://")[1] and text.partition("://")[0].isidentifier():
                raise MisuseError(
                    f"{text.partition('://')[0]}:// is no kind of database known here. Name a "
                    "file, or postgresql+psycopg://USER@HOST/NAME."
                )
            if text in ("", ":memory:"):
                raise MisuseError(f'"{text}" keeps no tickets. Name a file with --db.')
            self.path = Path(text)
            self.name = text
            self._frozen = frozen
            self._engine = sa.create_engine(
                sa.URL.create("sqlite", database=text), creator=self._connect
            )

    @contextmanager
    def transaction(self, write: bool, says: str = "") -> Iterator[sa.Connection]:
        """One transaction: committed whole, or nothing of it. Raises FaultfinderError.

        `says` is what stands once it is committed, for somebody who stops the command then; it
        may hold {number}, taken from the connection's `info`.
        """
        try:
            with self._engine.connect() as connection:
                if self.server:
                    # What a reader sees is of one moment; writers lock the ticket's row.
                    level = "READ COMMITTED" if write else "REPEATABLE READ"
                    connection.execution_options(isolation_level=level)
                    with connection.begin() as work:
                        yield connection
                        _commit(work.commit, connection, says)
                else:
                    # The write lock is taken first, so that what is read stays true until commit.
                    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")
                    try:
                        yield connection
                    except BaseException:
                        if connection.connection.dbapi_connection.in_transaction:  # type: ignore[union-attr]
                            connection.exec_driver_sql("ROLLBACK")
                        raise
                    _commit(lambda: connection.exec_driver_sql("COMMIT"), connection, says)
        except sa.exc.DBAPIError as error:
            raise FaultfinderError(self.refusal(error.orig)) from error
        except sa.exc.InvalidRequestError as error:
            # A row that there is one of in every database of ours is missing, or there are more.
            raise FaultfinderError(self.refusal(sqlite3.Error("malformed rows"))) from error
        except UnicodeDecodeError as error:
            # The driver reads what SQLite says of a damaged file as text.
            raise FaultfinderError(self.refusal(sqlite3.Error("malformed text"))) from error
        except sqlite3.Error as error:
            # Raised while a connection is being set up.
            raise FaultfinderError(self.refusal(error)) from error

    def refusal(self, error: BaseException | None) -> str:
        """The sentence for a refused operation."""
        unopened = not self.server and "unable to open" in str(error) and self.path.is_file()
        if unopened and not os.access(self.path.parent, os.W_OK):
            return (
                f"{self.name} cannot be read there: SQLite keeps a file beside it meanwhile, and "
                "its folder cannot be written. Copy it elsewhere. Nothing was changed."
            )
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

    @property
    def missing(self) -> bool:
        """Whether there is no file. Raises FaultfinderError for what is no plain file."""
        if self.server:
            return False
        with refused(f"{self.name} cannot be opened"):
            try:
                found = self.path.stat()
            except (FileNotFoundError, NotADirectoryError):
                return True
        if not stat.S_ISREG(found.st_mode):
            raise FaultfinderError(f"{self.name} is no plain file. Name a file with --db.")
        return False

    def create(self) -> None:
        """Make an empty file that only its owner can read, unless there is one already."""
        with refused(f"{self.name} cannot be made"):
            private_folder(self.path.parent)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
            with contextlib.suppress(FileExistsError):
                # Where it is a link, the file that it points to.
                handle = os.open(os.path.realpath(self.path), flags, 0o600)
                os.fchmod(handle, 0o600)
                os.close(handle)

    def _connect(self) -> sqlite3.Connection:
        mode = "ro&immutable=1" if self._frozen else "rw"
        connection = sqlite3.connect(
            f"file:{quote(os.path.abspath(os.fsencode(self.path)))}?mode={mode}",
            uri=True,
            timeout=float(PATIENCE),
            isolation_level=None,
            check_same_thread=False,
        )
        for limit, most in _LIMITS:
            connection.setlimit(limit, most)
        if hasattr(connection, "setconfig"):
            # Python 3.12 and later.
            connection.setconfig(getattr(sqlite3, "SQLITE_DBCONFIG_DEFENSIVE"), True)  # noqa: B009
            for unused in ("TRIGGER", "VIEW"):
                connection.setconfig(getattr(sqlite3, f"SQLITE_DBCONFIG_ENABLE_{unused}"), False)
        for setting in _SETTINGS:
            connection.execute(f"PRAGMA {setting}")
        if not self._trusted:
            connection.execute("PRAGMA query_only = ON")
        return connection

    def trust(self) -> None:
        """What the file holds was looked at: from here on it may be written to."""
        if self.server or self._trusted:
            return
        self._trusted = True
        try:
            with self._engine.connect() as connection:
                connection.exec_driver_sql("PRAGMA query_only = OFF")
        except sa.exc.DBAPIError as error:
            raise FaultfinderError(self.refusal(error.orig)) from error

    # Erasing: what is deleted is gone from the tables at the commit; from the file, or the
    # server's files, once this is done.

    def must_wipe(self, connection: sa.Connection) -> None:
        """Keep, within the transaction that deletes, that the wiping is still to be done."""
        if self.server:
            connection.exec_driver_sql(f"comment on table free_text is '{ERASING}'")
        else:
            connection.exec_driver_sql("PRAGMA user_version = 1")

    def to_wipe(self) -> bool:
        """Whether something that was erased is still to be wiped from the files."""
        with self.transaction(write=False) as connection:
            if self.server:
                said = "select obj_description('free_text'::regclass)"
                return connection.exec_driver_sql(said).scalar() == ERASING
            return bool(connection.exec_driver_sql("PRAGMA user_version").scalar())

    def wipe(self) -> bool:
        """Write the tables anew without what was deleted; False where others are in the way."""
        try:
            return self._wipe_server() if self.server else self._wipe_file()
        except (sa.exc.DBAPIError, sqlite3.Error):
            return False

    def _wipe_file(self) -> bool:
        with self._engine.connect() as connection:
            raw: Any = connection.connection.dbapi_connection
            # Writing the file anew works through a second one.
            raw.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 1)
            try:
                raw.execute(f"PRAGMA busy_timeout = {WIPING * 1000}")
                raw.execute("VACUUM")
                busy, _, _ = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                if not busy:
                    raw.execute("PRAGMA user_version = 0")
                return not busy
            finally:
                raw.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
                raw.execute(f"PRAGMA busy_timeout = {PATIENCE * 1000}")

    def _wipe_server(self) -> bool:
        filed = "select pg_relation_filenode('free_text')"
        with self._engine.connect() as connection:
            connection.execution_options(isolation_level="AUTOCOMMIT")
            before = connection.exec_driver_sql(filed).scalar()
            connection.exec_driver_sql(f"set lock_timeout = {WIPING * 1000}")
            try:
                connection.exec_driver_sql("vacuum (full) free_text")
            finally:
                connection.exec_driver_sql(f"set lock_timeout = {PATIENCE * 1000}")
            if connection.exec_driver_sql(filed).scalar() == before:
                # Not the owner: the server passes the table over with a warning.
                return False
            connection.exec_driver_sql("comment on table free_text is null")
            return True

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


def _commit(last_step: Any, connection: sa.Connection, says: str) -> None:
    if not says:
        last_step()
        return
    sentence = says.replace("{number}", str(connection.info.pop("number", "")))
    with lasting(sentence):
        last_step()


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
