"""Write tickets that were read from a file: in one transaction, in batches, each key once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import sqlalchemy as sa

from faultfinder.tickets.exchange.arriving import Arrival, BadRow
from faultfinder.tickets.store import Store, event_row, read_tickets, summary, text_rows
from faultfinder.tickets.tables import EVENT, FREE_TEXT, TICKET
from faultfinder.tickets.ticket import Ticket

BATCH = 1_000
"""Tickets written at once."""

BATCH_WEIGHT = 8_000_000
"""Characters of text after which a batch is written though it has fewer tickets."""

AT_ONCE = 500
"""Keys looked up with one query."""

_Item = TypeVar("_Item")

OPEN = "open"
"""How a ticket without an outcome is counted."""


@dataclass
class Account:
    """What became of the rows of a file. `written` is False when nothing was kept.

    `outcomes` counts the new tickets; `unlinked` those whose first ticket is neither in the
    store nor in the file.
    """

    new: int = 0
    there: int = 0
    bad: int = 0
    unlinked: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    written: bool = False


class _Undo(Exception):
    """Ends the transaction with nothing written."""


def bring_in(
    store: Store,
    rows: Iterable[Arrival | tuple[BadRow, ...]],
    on_bad: Callable[[BadRow], None],
    skip_bad: bool = False,
    dry_run: bool = False,
    on_batch: Callable[[], None] | None = None,
) -> Account:
    """Write the tickets of a file; all of them or, without `skip_bad`, nothing if one is bad.

    `on_bad` is told each reason as it is found, `on_batch` is called after every batch.
    Raises FaultfinderError when the file or the store cannot be read; nothing is kept then.
    """
    account = Account()
    try:
        with store.database.transaction(True, "Tickets are brought in: {number}.") as connection:
            writer = _Writer(connection, store.database.server, account, on_bad)
            for batch in _batches(rows, account, on_bad):
                writer.write(batch)
                if on_batch is not None:
                    on_batch()
            writer.link()
            if dry_run or (account.bad and not skip_bad):
                raise _Undo
            connection.info["number"] = f"{account.new:,}"
            if account.new:
                store.database.number_on(connection)
    except _Undo:
        return account
    account.written = True
    return account


def _batches(
    rows: Iterable[Arrival | tuple[BadRow, ...]], account: Account, on_bad: Callable[[BadRow], None]
) -> Iterator[list[Arrival]]:
    batch: list[Arrival] = []
    weight = 0
    for row in rows:
        if not isinstance(row, Arrival):
            account.bad += 1
            for bad in row:
                on_bad(bad)
            continue
        batch.append(row)
        weight += row.weight
        if len(batch) >= BATCH or weight >= BATCH_WEIGHT:
            yield batch
            batch, weight = [], 0
    if batch:
        yield batch


class _Writer:
    def __init__(
        self,
        connection: sa.Connection,
        server: bool,
        account: Account,
        on_bad: Callable[[BadRow], None],
    ) -> None:
        self._connection = connection
        self._account = account
        self._on_bad = on_bad
        self._links: list[tuple[int, str]] = []
        if server:
            # Nobody else opens a ticket until we are done, so that we can give the numbers.
            connection.execute(sa.text("LOCK TABLE ticket IN EXCLUSIVE MODE"))
        self._newest = connection.execute(sa.select(sa.func.max(TICKET.c.number))).scalar() or 0

    def write(self, batch: Sequence[Arrival]) -> None:
        """Insert what is new; hold what is there already against it."""
        there = {ticket.key: ticket for ticket in self._with_keys([a.ticket.key for a in batch])}
        heads: list[dict[str, object]] = []
        events: list[dict[str, object]] = []
        texts: list[dict[str, object]] = []
        for arrival in batch:
            before = there.get(arrival.ticket.key)
            if before is not None:
                self._compare(arrival, before)
                continue
            self._newest += 1
            there[arrival.ticket.key] = arrival.ticket
            self._account.new += 1
            self._account.outcomes[arrival.ticket.outcome or OPEN] += 1
            if arrival.first_key is not None:
                self._links.append((self._newest, arrival.first_key))
            heads.append(_head(self._newest, arrival.ticket))
            for event in arrival.ticket.events:
                events.append(event_row(self._newest, event))
                texts += text_rows(self._newest, event)
        for table, made in ((TICKET, heads), (EVENT, events), (FREE_TEXT, texts)):
            if made:
                self._connection.execute(table.insert(), made)

    def _compare(self, arrival: Arrival, before: Ticket) -> None:
        difference = arrival.difference(before)
        if difference:
            self._account.bad += 1
            place = f"ticket {before.number}" if before.number else "a ticket of this file"
            reason = f"{arrival.ticket.key[:100]} is the key of {place}, which is another: "
            self._on_bad(BadRow(arrival.line, "key", f"{reason}{difference}."))
            return
        self._account.there += 1
        if arrival.first_key is not None and before.number and before.first_ticket is None:
            self._links.append((before.number, arrival.first_key))

    def _with_keys(self, keys: Sequence[str]) -> Iterator[Ticket]:
        for some in _parts(keys, AT_ONCE):
            query = sa.select(TICKET.c.number).where(TICKET.c.key.in_(some))
            numbers = self._connection.execute(query).scalars().all()
            yield from read_tickets(self._connection, numbers)

    def link(self) -> None:
        """Point tickets of machines that came back to their first ones, now that all are in."""
        for some in _parts(self._links, AT_ONCE):
            keys = {key for _, key in some}
            found = self._connection.execute(
                sa.select(TICKET.c.key, TICKET.c.number).where(TICKET.c.key.in_(keys))
            )
            numbers: Mapping[str, int] = {row.key: row.number for row in found}
            made = [{"own": own, "first": numbers[key]} for own, key in some if key in numbers]
            self._account.unlinked += len(some) - len(made)
            if made:
                self._connection.execute(
                    TICKET.update()
                    .where(TICKET.c.number == sa.bindparam("own"))
                    .values(first_ticket=sa.bindparam("first")),
                    made,
                )


def _head(number: int, ticket: Ticket) -> dict[str, object]:
    return {
        "number": number,
        "key": ticket.key,
        **summary(ticket),
    }


def _parts(items: Sequence[_Item], size: int) -> Iterator[Sequence[_Item]]:
    for start in range(0, len(items), size):
        yield items[start : start + size]
