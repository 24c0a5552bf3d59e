"""Bring the tables of a database up to this version; only ever run by a command."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError
from faultfinder.tickets.database import Database
from faultfinder.tickets.opening import revision
from faultfinder.tickets.tables import HEAD

MIGRATIONS = Path(__file__).with_name("migrations")


def upgrade(place: str | Path) -> tuple[str | None, str]:
    """Migrate in one transaction; returns the version before (None: empty) and after.

    Raises FaultfinderError when the database is newer, or holds something else.
    """
    database = Database(place)
    try:
        before = revision(database)
        if before is not None and before > HEAD:
            raise FaultfinderError(
                f"{database.name} was written by a newer version of this program (tables "
                f"{before}); nothing in it was changed."
            )
        if before != HEAD:
            with database.transaction(write=True) as connection:
                _migrate(connection, before)
            database.write_ahead()
        return before, HEAD
    finally:
        database.close()


def _migrate(connection: sa.Connection, before: str | None) -> None:
    # Takes a while to import, and only this command needs it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    names = sa.inspect(connection).get_table_names()
    if before == "0001" and "alembic_version" not in names:
        # Made before there were migrations.
        command.stamp(config, "0001")
    command.upgrade(config, "head")
