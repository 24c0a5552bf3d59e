"""Two roles on a PostgreSQL server: a bench, which writes tickets, and a lead, who may do all."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.database import Database
from faultfinder.tickets.opening import none_there, revision
from faultfinder.tickets.tables import META, MODEL_LINE, REVISION, TICKET

LONGEST = 63
"""Characters of a role's name on a server."""


def give_roles(place: str | Path, bench: str, lead: str) -> list[tuple[str, bool]]:
    """Make the roles where they are missing, and give them their rights, in one transaction.

    The lead owns the tables. The bench may read all, add rows, and change the rows that repeat
    what logs say; it can neither change nor delete an entry or a text, nor put a model in
    force. Returns each role, and whether it was made. Raises FaultfinderError where whoever asks
    may not do that.
    """
    database = Database(place)
    try:
        if not database.server:
            raise MisuseError(
                "Roles are for a PostgreSQL server. A file belongs to whoever made it; its "
                "owner alone can read it."
            )
        for name in (bench, lead):
            if not name or len(name) > LONGEST or not name.isprintable():
                raise MisuseError(f'"{name}" is no name of a role.')
        if bench == lead:
            raise MisuseError("Name two different roles: one for the bench, one for the lead.")
        if revision(database) is None:
            raise FaultfinderError(none_there(database))
        with database.transaction(True, "The rights are given.") as connection:
            MODEL_LINE.metadata.create_all(connection)
            made = [(name, _make_role(connection, name)) for name in (bench, lead)]
            _give(connection, bench, lead)
        return made
    finally:
        database.close()


def _make_role(connection: sa.Connection, name: str) -> bool:
    there = sa.text("select 1 from pg_roles where rolname = :name")
    if connection.execute(there, {"name": name}).scalar():
        return False
    _run(connection, f"create role {_quoted(connection, name)} login")
    return True


def _give(connection: sa.Connection, bench_name: str, lead_name: str) -> None:
    bench, lead = _quoted(connection, bench_name), _quoted(connection, lead_name)
    tables = (*META.tables, REVISION.name, MODEL_LINE.name)
    for table in tables:
        # To hand a table over takes being a member of the role that gets it.
        _run(connection, f"revoke all on {table} from public, {bench}")
        _run(connection, f"grant select, insert on {table} to {bench}")
        _run(connection, f"grant all on {table} to {lead}")
    for table in (REVISION.name, MODEL_LINE.name, "store"):
        _run(connection, f"revoke insert on {table} from {bench}")
    _run(connection, f"grant update on {TICKET.name} to {bench}")
    _run(connection, f"grant usage, select, update on sequence ticket_number_seq to {bench}")
    _run(connection, f"grant usage on schema public to {bench}")
    _run(connection, f"grant usage, create on schema public to {lead}")
    for table in tables:
        _run(connection, f"alter table {table} owner to {lead}")


def _quoted(connection: sa.Connection, name: str) -> str:
    # Always quoted, so that no word of the language and no sign means anything else.
    return connection.dialect.identifier_preparer.quote_identifier(name)


def _run(connection: sa.Connection, statement: str) -> None:
    connection.execute(sa.text(statement.replace(":", "\\:")))
