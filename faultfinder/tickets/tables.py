"""The tables, alike on SQLite and PostgreSQL. Changes go through `migrations/`."""

from __future__ import annotations

import sqlalchemy as sa

HEAD = "1"
"""The migration that makes these tables; raised with every change of them."""

UNRELEASED = ("0001", "0002")
"""Versions of the tables before the first one that was given out; 0002 had the same tables."""

META = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)

STORE = sa.Table("store", META, sa.Column("id", sa.Text, primary_key=True))
"""One row: the identity of this store, from which its tickets' keys are made."""

MODEL_VERSION = sa.Table(
    "model_version",
    META,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("kept_at", sa.Text, nullable=False),
    sa.Column("files", sa.Text, nullable=False),
)
"""Model files that tickets go by, word for word: `files` is a JSON list of [path, text]."""

TICKET = sa.Table(
    "ticket",
    META,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("key", sa.Text, nullable=False, unique=True),
    sa.Column("model", sa.Text, nullable=False),
    sa.Column("opened_at", sa.Text, nullable=False),
    sa.Column("closed_at", sa.Text, index=True),
    sa.Column("is_open", sa.Boolean, nullable=False, index=True),
    sa.Column("outcome", sa.Text, nullable=False),
    sa.Column("causes", sa.Text, nullable=False),
    sa.Column("first_ticket", sa.Integer, sa.ForeignKey("ticket.number"), index=True),
    sqlite_autoincrement=True,
)
"""`closed_at`, `is_open`, `outcome` and `causes` repeat what the log says, for lists."""

EVENT = sa.Table(
    "event",
    META,
    sa.Column("ticket", sa.Integer, sa.ForeignKey("ticket.number"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
)

FREE_TEXT = sa.Table(
    "free_text",
    META,
    sa.Column("ticket", sa.Integer, primary_key=True),
    sa.Column("event", sa.Integer, primary_key=True),
    sa.Column("field", sa.Text, primary_key=True),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("folded", sa.Text, nullable=False),
    sa.Column("personal", sa.Boolean, nullable=False),
    sa.ForeignKeyConstraint(["ticket", "event"], ["event.ticket", "event.number"]),
)
"""What people wrote in their own words; the only rows that are ever deleted."""

MODEL_LINE = sa.Table(
    "model_line",
    sa.MetaData(),
    sa.Column("model", sa.Text, primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("document", sa.Text, nullable=False),
)
"""On a server only: the versions of models (see `shelf`); 0 is a proposal. A file of tickets has
a folder beside it instead."""

SUM = sa.Table(
    "backup_sum",
    sa.MetaData(),
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("rows", sa.Integer, nullable=False),
)
"""One row, in a backup only: a checksum over all rows of all tables."""

REVISION = sa.Table(
    "alembic_version",
    sa.MetaData(),
    sa.Column("version_num", sa.String(32), nullable=False),
)
"""Kept by the migrations; read here to know what the tables are."""
