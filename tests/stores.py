"""Places for tickets: an SQLite file, and a database of its own on a PostgreSQL server."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import sqlalchemy as sa

from faultfinder.tickets.opening import make_store

SERVER = "FAULTFINDER_TEST_SERVER"
"""Set by .ci/run: the address of a server on which databases may be made."""


def server_address() -> str:
    """The test server; without one the test is skipped, or fails where CI should have it."""
    address = os.environ.get(SERVER, "")
    if not address and os.environ.get("CI"):
        pytest.fail(f"{SERVER} is not set: .ci/run should have started a server.")
    if not address:
        pytest.skip(f"{SERVER} names no PostgreSQL server (see .ci/postgres).")
    return address


@contextmanager
def new_database(tables: bool = True) -> Iterator[str]:
    """The address of a new, empty database, dropped afterwards."""
    address = sa.make_url(server_address())
    name = f"ff_{secrets.token_hex(6)}"
    engine = sa.create_engine(address, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f"create database {name} template template0")
    place = address.set(database=name).render_as_string(hide_password=False)
    try:
        if tables:
            make_store(place)
        yield place
    finally:
        with engine.connect() as connection:
            connection.exec_driver_sql(f"drop database {name} with (force)")
        engine.dispose()
