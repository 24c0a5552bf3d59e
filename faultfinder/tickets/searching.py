"""Which tickets a list shows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from faultfinder.tickets.kept_text import folded, keep
from faultfinder.tickets.store import AT_ONCE, Store, read_tickets
from faultfinder.tickets.tables import EVENT, FREE_TEXT, TICKET
from faultfinder.tickets.ticket import Ticket


@dataclass(frozen=True)
class Wanted:
    """What to look for; None means any. Days are YYYY-MM-DD, of opening (`since`, `until`).

    `words` are all found in the ticket's texts, upper and lower case alike; `who` wrote
    on it; `cause` was confirmed.
    """

    open: bool | None = True
    model: str | None = None
    outcome: str | None = None
    cause: str | None = None
    who: str | None = None
    since: str | None = None
    until: str | None = None
    words: tuple[str, ...] = ()


def find_tickets(store: Store, wanted: Wanted, limit: int) -> tuple[list[Ticket], int]:
    """At most `limit` tickets (open ones oldest first, else newest first), and how many fit."""
    numbers, count = find_numbers(store, wanted, limit)
    return list(each_ticket(store, numbers)), count


def find_numbers(store: Store, wanted: Wanted, limit: int) -> tuple[list[int], int]:
    """The same by number."""
    chosen = sa.select(TICKET.c.number).where(*_conditions(wanted))
    order = TICKET.c.number if wanted.open else TICKET.c.number.desc()
    with store.database.transaction(write=False) as connection:
        counting = sa.select(sa.func.count()).select_from(chosen.subquery())
        count = int(connection.execute(counting).scalar_one())
        numbers = connection.execute(chosen.order_by(order).limit(limit)).scalars().all()
        return list(numbers), count


def each_ticket(store: Store, numbers: Sequence[int]) -> Iterator[Ticket]:
    """Tickets by number, some hundred of them in memory at a time."""
    for begin in range(0, len(numbers), AT_ONCE):
        with store.database.transaction(write=False) as connection:
            some = list(read_tickets(connection, numbers[begin : begin + AT_ONCE]))
        yield from some


def _conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    if wanted.open is not None:
        found.append(TICKET.c.is_open.is_(wanted.open))
    if wanted.model is not None:
        found.append(TICKET.c.model == keep(wanted.model))
    if wanted.outcome is not None:
        found.append(TICKET.c.outcome == wanted.outcome)
    if wanted.cause is not None:
        found.append(TICKET.c.causes.contains(f'"{wanted.cause}"', autoescape=True))
    if wanted.since is not None:
        found.append(TICKET.c.opened_at >= wanted.since)
    if wanted.until is not None:
        # A whole day: everything before the sign that follows the "T" of its times.
        found.append(TICKET.c.opened_at < f"{wanted.until}U")
    if wanted.who is not None:
        wrote = (EVENT.c.ticket == TICKET.c.number) & (EVENT.c.who == keep(wanted.who))
        found.append(sa.exists().where(wrote))
    for word in wanted.words:
        said = FREE_TEXT.c.folded.contains(folded(word), autoescape=True)
        tickets = sa.select(FREE_TEXT.c.ticket).where(said)
        found.append(TICKET.c.number.in_(tickets))
    return found
