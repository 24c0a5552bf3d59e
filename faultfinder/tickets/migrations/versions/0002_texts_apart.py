"""Texts beside the log so that they can be erased; keys, comebacks and kept model files.

The old tables are renamed, the new ones made, and everything is copied over: a changed
primary key or constraint cannot be altered in place on SQLite.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_META = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)
_STORE = sa.Table("store", _META, sa.Column("id", sa.Text, primary_key=True))
sa.Table(
    "model_version",
    _META,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("kept_at", sa.Text, nullable=False),
    sa.Column("files", sa.Text, nullable=False),
)
_TICKET = sa.Table(
    "ticket",
    _META,
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
_EVENT = sa.Table(
    "event",
    _META,
    sa.Column("ticket", sa.Integer, sa.ForeignKey("ticket.number"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
)
_FREE_TEXT = sa.Table(
    "free_text",
    _META,
    sa.Column("ticket", sa.Integer, primary_key=True),
    sa.Column("event", sa.Integer, primary_key=True),
    sa.Column("field", sa.Text, primary_key=True),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("folded", sa.Text, nullable=False),
    sa.Column("personal", sa.Boolean, nullable=False),
    sa.ForeignKeyConstraint(["ticket", "event"], ["event.ticket", "event.number"]),
)
_TEXTS = {"intake": ("complaint", "complaint"), "note": ("text", "note")}
"""Kind of event -> the key of its text, and the text's field now."""


def upgrade() -> None:
    """Copy tickets and events into the new tables, texts apart."""
    bind = op.get_bind()
    old_tickets = bind.execute(
        sa.text("select number, model, opened_at, is_open from ticket order by number")
    ).all()
    old_events = bind.execute(
        sa.text("select ticket, number, kind, at, who, data from event order by ticket, number")
    ).all()
    for table in ("event", "ticket", "faultfinder_schema"):
        op.drop_table(table)
    _META.create_all(bind)
    identity = secrets.token_hex(6)
    bind.execute(_STORE.insert().values(id=identity))
    ends = _ends(old_events)
    for number, model, opened_at, is_open in old_tickets:
        closed_at, outcome, causes = ends.get(number, (None, "", "[]"))
        bind.execute(
            _TICKET.insert().values(
                number=number,
                key=f"{identity}:{number}",
                model=model,
                opened_at=opened_at,
                is_open=bool(is_open),
                closed_at=None if is_open else closed_at,
                outcome="" if is_open else outcome,
                causes="[]" if is_open else causes,
            )
        )
    for ticket, number, kind, at, who, text in old_events:
        data = json.loads(text)
        said = _take_text(kind, data)
        row = {"ticket": ticket, "number": number, "kind": kind, "at": at, "who": who}
        bind.execute(_EVENT.insert().values(**row, data=json.dumps(data, sort_keys=True)))
        if said is not None:
            field, words = said
            kept = words.replace("\\", "\\\\").replace("\x00", "\\u0000")
            kept = "".join(f"\\u{ord(c):04x}" if 0xD800 <= ord(c) <= 0xDFFF else c for c in kept)
            bind.execute(
                _FREE_TEXT.insert().values(
                    ticket=ticket,
                    event=number,
                    field=field,
                    text=kept,
                    folded=kept.casefold(),
                    personal=False,
                )
            )
    if bind.dialect.name == "postgresql":
        op.execute(
            "select setval(pg_get_serial_sequence('ticket', 'number'), "
            "coalesce((select max(number) from ticket), 0) + 1, false)"
        )


def _take_text(kind: str, data: dict[str, Any]) -> tuple[str, str] | None:
    if kind not in _TEXTS:
        return None
    key, field = _TEXTS[kind]
    words = data.pop(key, "")
    return (field, words) if words else None


def _ends(events: Any) -> dict[int, tuple[str, str, str]]:
    """Of each ticket the last closing: when, how, and its causes."""
    ends = {}
    for ticket, _, kind, at, _, text in _closings(events):
        data = json.loads(text)
        ends[ticket] = (at, data["outcome"], json.dumps(data["causes"]))
        assert kind == "closed"
    return ends


def _closings(events: Any) -> Iterator[Any]:
    return (row for row in events if row[2] == "closed")
