"""Bring the tables of a database up to this version; only ever run by a command."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError
from faultfinder.tickets.database import Database
from faultfinder.tickets.opening import keep_no_samples, none_there, other_version, revision
from faultfinder.tickets.tables import HEAD, REVISION, UNRELEASED

MIGRATIONS = Path(__file__).with_name("migrations")
FIRST = "1"
"""The first migration."""


def upgrade(place: str | Path) -> tuple[str, str]:
    """Migrate in one transaction; returns the version before and after.

    Raises FaultfinderError when there is nothing to upgrade, or the database is newer, holds
    something else, or is of before the first version that can be brought over.
    """
    database = Database(place)
    try:
        before = None if database.missing else revision(database)
        if before is None:
            raise FaultfinderError(none_there(database))
        if before == UNRELEASED[0] or before not in (*UNRELEASED, HEAD):
            raise FaultfinderError(other_version(database, before))
        if before != HEAD:
            database.trust()
            with database.transaction(True, "The tables are upgraded.") as connection:
                if before in UNRELEASED:
                    connection.execute(REVISION.update().values(version_num=FIRST))
                    keep_no_samples(connection)
                _migrate(connection)
            database.write_ahead()
        return before, HEAD
    finally:
        database.close()


def _migrate(connection: sa.Connection) -> None:
    # Takes a while to import, and only this command needs it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
