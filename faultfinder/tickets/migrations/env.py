"""Alembic's entry: migrations run on the connection they are handed."""

from __future__ import annotations

from alembic import context

from faultfinder.tickets.tables import META

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=META,
    render_as_batch=True,
)
context.run_migrations()
