"""Tickets in a database: an append-only log, written in transactions.

Every command is one transaction; whoever writes must have seen the newest entry, so
that two people cannot overwrite each other unseen.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import sqlalchemy as sa

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.database import Database
from faultfinder.tickets.events import (
    PERSONAL,
    Entry,
    Erased,
    Event,
    Intake,
    made_event,
    read_event,
    to_text,
)
from faultfinder.tickets.kept_models import as_text, read_files
from faultfinder.tickets.kept_text import folded, keep, unkeep
from faultfinder.tickets.limits import COUNT_LIMIT
from faultfinder.tickets.tables import EVENT, FREE_TEXT, MODEL_VERSION, STORE, TICKET
from faultfinder.tickets.ticket import Ticket, fold

_NOTHING: Mapping[str, str] = {}

AT_ONCE = 200
"""Tickets read with one query."""


class StaleTicket(FaultfinderError):
    """Somebody else wrote to the ticket since it was read."""


class Store:
    """The tickets of a shop. Made with `opening.open_store`."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def intake(
        self,
        model: str,
        at: str,
        who: str,
        entries: Sequence[Entry],
        first_ticket: int | None = None,
    ) -> int:
        """Open a ticket; `entries` begin with its intake. Returns its number."""
        if not entries or not isinstance(entries[0], Intake):
            raise ValueError("a ticket's first entry is its intake")
        with self.database.transaction(True, "Ticket {number} is opened.") as connection:
            identity = connection.execute(sa.select(STORE.c.id)).scalar_one()
            row = {
                "key": f"{identity}:new",
                "model": keep(model),
                "opened_at": at,
                "is_open": True,
                "outcome": "",
                "causes": "[]",
                "first_ticket": first_ticket,
            }
            made = connection.execute(TICKET.insert().values(row).returning(TICKET.c.number))
            number = int(made.scalar_one())
            connection.execute(
                TICKET.update().where(TICKET.c.number == number).values(key=f"{identity}:{number}")
            )
            write_events(connection, number, numbered(0, at, who, entries))
            connection.info["number"] = number
        return number

    def append(self, number: int, seen: int, at: str, who: str, entries: Sequence[Entry]) -> Ticket:
        """Write entries to a ticket whose newest entry seen is `seen`; returns its new state.

        Raises StaleTicket when there is a newer one; then nothing was written.
        """
        last = seen + len(entries)
        which = f"Entry {last}" if last == seen + 1 else f"Entries {seen + 1} to {last}"
        says = f"{which} of ticket {number} stand{'s' if last == seen + 1 else ''}."
        with self.database.transaction(True, says) as connection:
            if self.database.server:
                # Held until commit: the next writer waits here, and then sees our entries.
                row = sa.select(TICKET.c.number).where(TICKET.c.number == number)
                connection.execute(row.with_for_update())
            before = self._read(connection, number)
            if before.last != seen:
                raise StaleTicket(
                    f"Somebody wrote to ticket {number} meanwhile (entries {seen + 1} to "
                    f"{before.last}). Nothing of yours was written: look at the ticket, then "
                    "enter it again."
                )
            written = numbered(before.last, at, who, entries)
            write_events(connection, number, written)
            log = [*before.events, *written]
            after = fold(number, log, before.key, before.first_ticket, before.model, _gaps(log))
            # Also where the log did not change it, so that a row which said otherwise is mended.
            connection.execute(
                TICKET.update().where(TICKET.c.number == number).values(summary(after))
            )
        return after

    def erase(
        self, number: int, seen: int, at: str, who: str, all_texts: bool
    ) -> tuple[Ticket, int, bool]:
        """Delete the personal fields of a ticket, or all its texts; the log says that it was
        done.

        Returns the ticket, how many texts are gone, and whether nothing of them is left in the
        database's files; where others are in the way, the next command sees to that.
        """
        says = f"Texts of ticket {number} are erased."
        with self.database.transaction(True, says) as connection:
            before = self._read(connection, number)
            if before.last != seen:
                raise StaleTicket(f"Somebody wrote to ticket {number} meanwhile. Try again.")
            which = FREE_TEXT.c.ticket == number
            if not all_texts:
                which &= FREE_TEXT.c.personal
            # Overwritten first: a deleted row could be read in the file until it is reused.
            connection.execute(FREE_TEXT.update().where(which).values(text="", folded=""))
            gone = connection.execute(FREE_TEXT.delete().where(which)).rowcount
            entry = Erased(all_texts)
            write_events(connection, number, numbered(before.last, at, who, [entry]))
            after = self._read(connection, number)
            self.database.must_wipe(connection)
        return after, gone, self.database.wipe()

    def ticket(self, number: int) -> Ticket:
        """The present state of a ticket. Raises MisuseError when there is none."""
        with self.database.transaction(write=False) as connection:
            return self._read(connection, number)

    def _read(self, connection: sa.Connection, number: int) -> Ticket:
        # A number beyond the limit is none that a database could be asked for.
        found = list(read_tickets(connection, [number] if number <= COUNT_LIMIT else []))
        if not found:
            raise MisuseError(f'There is no ticket {number}. "faultfinder tickets" lists them.')
        return found[0]

    def open_tickets(self) -> list[Ticket]:
        """All tickets that are not closed, the oldest first."""
        with self.database.transaction(write=False) as connection:
            query = sa.select(TICKET.c.number).where(TICKET.c.is_open).order_by(TICKET.c.number)
            return list(read_tickets(connection, connection.execute(query).scalars().all()))

    def empty(self) -> bool:
        """Whether there is no ticket at all."""
        with self.database.transaction(write=False) as connection:
            return connection.execute(sa.select(TICKET.c.number).limit(1)).scalar() is None

    def comebacks(self, number: int) -> list[int]:
        """The tickets of machines that came back after ticket `number`."""
        query = sa.select(TICKET.c.number).where(TICKET.c.first_ticket == number)
        with self.database.transaction(write=False) as connection:
            return list(connection.execute(query.order_by(TICKET.c.number)).scalars())

    def keep_model(self, digest: str, name: str, at: str, files: Iterable[tuple[str, str]]) -> None:
        """Keep a model's files word for word, unless they are kept already."""
        have = sa.select(MODEL_VERSION.c.digest).where(MODEL_VERSION.c.digest == digest)
        with self.database.transaction(write=False) as connection:
            if connection.execute(have).scalar() is not None:
                return
        text = as_text(files)
        read_files(digest, text)
        row = {"digest": digest, "name": keep(name), "kept_at": at, "files": text}
        with self.database.transaction(write=True) as connection:
            if connection.execute(have).scalar() is None:
                connection.execute(MODEL_VERSION.insert().values(row))

    def kept_model(self, digest: str) -> tuple[tuple[str, str], ...] | None:
        """The files of a model version as (path, text), or None when it was never kept.

        Raises FaultfinderError when what is kept is no model's files.
        """
        query = sa.select(MODEL_VERSION.c.files).where(MODEL_VERSION.c.digest == digest)
        with self.database.transaction(write=False) as connection:
            found = connection.execute(query).scalar()
        return None if found is None else read_files(digest, found)

    def close(self) -> None:
        """Let go of the file or server."""
        self.database.close()


def summary(ticket: Ticket) -> dict[str, object]:
    """The columns of a ticket's row that repeat what its log says."""
    return {
        "model": keep(ticket.model),
        "opened_at": ticket.opened_at,
        "is_open": ticket.open,
        "closed_at": ticket.closed_at,
        "outcome": ticket.outcome,
        "causes": json.dumps(list(ticket.causes)),
    }


def numbered(newest: int, at: str, who: str, entries: Sequence[Entry]) -> list[Event]:
    """Entries as the events that follow event `newest`. Raises BadValue."""
    return [
        made_event(newest + place, at, who, entry) for place, entry in enumerate(entries, start=1)
    ]


def event_row(ticket: int, event: Event) -> dict[str, object]:
    """An event as a row."""
    return {
        "ticket": ticket,
        "number": event.number,
        "kind": event.kind,
        "at": event.at,
        "who": keep(event.who),
        "data": to_text(event.entry),
    }


def text_rows(ticket: int, event: Event) -> list[dict[str, object]]:
    """The texts of an event as rows."""
    return [
        {
            "ticket": ticket,
            "event": event.number,
            "field": name,
            "text": keep(text),
            "folded": folded(text),
            "personal": name in PERSONAL,
        }
        for name, text in event.entry.as_texts().items()
    ]


def write_events(connection: sa.Connection, ticket: int, events: Sequence[Event]) -> None:
    """Insert events and their texts."""
    connection.execute(EVENT.insert(), [event_row(ticket, event) for event in events])
    texts = [row for event in events for row in text_rows(ticket, event)]
    if texts:
        connection.execute(FREE_TEXT.insert(), texts)


def read_tickets(connection: sa.Connection, numbers: Sequence[int]) -> Iterator[Ticket]:
    """Tickets by their numbers, in that order; numbers without a ticket are passed over."""
    for start in range(0, len(numbers), AT_ONCE):
        some = list(numbers[start : start + AT_ONCE])
        yield from _read_some(connection, some)


def _read_some(connection: sa.Connection, numbers: list[int]) -> Iterator[Ticket]:
    heads = {
        row.number: row
        for row in connection.execute(
            sa.select(TICKET.c.number, TICKET.c.key, TICKET.c.model, TICKET.c.first_ticket).where(
                TICKET.c.number.in_(numbers)
            )
        )
    }
    texts: Mapping[tuple[int, int], dict[str, str]] = defaultdict(dict)
    said = sa.select(
        FREE_TEXT.c.ticket, FREE_TEXT.c.event, FREE_TEXT.c.field, FREE_TEXT.c.text
    ).where(FREE_TEXT.c.ticket.in_(numbers))
    # All at once: row by row takes twice as long.
    for ticket, event, name, text in connection.execute(said).fetchall():
        texts[ticket, event][_word(name)] = unkeep(_word(text))
    logs: Mapping[int, list[Event]] = defaultdict(list)
    log = sa.select(EVENT).where(EVENT.c.ticket.in_(numbers))
    rows = connection.execute(log.order_by(EVENT.c.ticket, EVENT.c.number)).fetchall()
    for ticket, number, kind, at, who, data in rows:
        if not isinstance(number, int):
            continue
        if not type(kind) is type(at) is type(who) is type(data) is str:
            kind, at, who, data = map(_word, (kind, at, who, data))
        own = texts.get((ticket, number), _NOTHING)
        logs[ticket].append(read_event(number, kind, at, unkeep(who), data, own))
    for number in numbers:
        if number in heads:
            head, events = heads[number], logs.get(number, [])
            model = unkeep(_word(head.model)) or "(no model)"
            first = head.first_ticket if isinstance(head.first_ticket, int) else None
            yield fold(number, events, _word(head.key), first, model, _gaps(events))


def _word(kept: object) -> str:
    """What a column of texts holds; anything at all in a damaged file."""
    return kept if isinstance(kept, str) else repr(kept)


def _gaps(events: Sequence[Event]) -> list[str]:
    """What is wrong with the numbers of a log: they count 1, 2, 3 ..."""
    numbers = [event.number for event in events]
    if numbers == list(range(1, len(numbers) + 1)):
        return [] if numbers else ["its log is empty"]
    return ["entries of its log are missing"]
