"""The first tables: tickets, their logs, texts beside the log so that they can be erased."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "1"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table("store", sa.Column("id", sa.Text), sa.PrimaryKeyConstraint("id"))
    op.create_table(
        "model_version",
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("kept_at", sa.Text, nullable=False),
        sa.Column("files", sa.Text, nullable=False),
    )
    op.create_table(
        "ticket",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("model", sa.Text, nullable=False),
        sa.Column("opened_at", sa.Text, nullable=False),
        sa.Column("closed_at", sa.Text),
        sa.Column("is_open", sa.Boolean, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sa.Column("causes", sa.Text, nullable=False),
        sa.Column("first_ticket", sa.Integer, sa.ForeignKey("ticket.number")),
        sa.UniqueConstraint("key"),
        sqlite_autoincrement=True,
    )
    for column in ("closed_at", "is_open", "first_ticket"):
        op.create_index(f"ix_ticket_{column}", "ticket", [column])
    op.create_table(
        "event",
        sa.Column("ticket", sa.Integer, sa.ForeignKey("ticket.number"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_table(
        "free_text",
        sa.Column("ticket", sa.Integer, primary_key=True),
        sa.Column("event", sa.Integer, primary_key=True),
        sa.Column("field", sa.Text, primary_key=True),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("folded", sa.Text, nullable=False),
        sa.Column("personal", sa.Boolean, nullable=False),
        sa.ForeignKeyConstraint(["ticket", "event"], ["event.ticket", "event.number"]),
    )
