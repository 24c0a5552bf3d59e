"""The first tables: tickets and their logs, texts within the events."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table("faultfinder_schema", sa.Column("version", sa.Integer, primary_key=True))
    op.create_table(
        "ticket",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("model", sa.Text, nullable=False),
        sa.Column("opened_at", sa.Text, nullable=False),
        sa.Column("is_open", sa.Boolean, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_ticket_is_open", "ticket", ["is_open"])
    op.create_table(
        "event",
        sa.Column("ticket", sa.Integer, sa.ForeignKey("ticket.number"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
    )
