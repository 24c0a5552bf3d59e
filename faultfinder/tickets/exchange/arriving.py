"""A ticket read from a file, before it is in the store; and rows that cannot be taken."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from faultfinder.tickets import limits
from faultfinder.tickets.events import Event
from faultfinder.tickets.limits import NAME_LIMIT
from faultfinder.tickets.ticket import Ticket

ZONES = timedelta(hours=14)
"""A time that names no zone may be this far ahead of UTC and still be past where it was."""

CLOCKS = timedelta(days=1)
"""How far the clocks of two benches may be apart: a log is in the order of its entries."""

_STAFF = re.compile(r"staff [1-9]\d*", re.ASCII)


class BadRow(NamedTuple):
    """Why a row is not taken: its line in the file (from 1), the column, the reason."""

    line: int
    column: str
    reason: str

    def __str__(self) -> str:
        return f"Line {self.line}, {self.column}: {self.reason}"


class RowError(Exception):
    """Raised while a row is read; whoever knows the line makes a BadRow of it."""

    def __init__(self, column: str, reason: str) -> None:
        super().__init__(reason)
        self.column = column
        self.reason = reason


@dataclass(frozen=True)
class Arrival:
    """A ticket as read from a file; its number is 0 until the store gives it one.

    `first_key` is the key of the ticket of the same machine that it came back from.
    `whole_log`: the file holds the log itself; otherwise only what a table row says, with
    but for what is `untold` there.
    """

    line: int
    ticket: Ticket
    first_key: str | None = None
    whole_log: bool = True
    untold: frozenset[str] = frozenset()

    @property
    def weight(self) -> int:
        """Characters of its texts, so that a batch of long ones is cut short."""
        texts = (event.entry.as_texts().values() for event in self.ticket.events)
        return sum(len(text) for some in texts for text in some)

    def difference(self, there: Ticket) -> str:
        """What tells it from the ticket of the same key that is there; "" when nothing does."""
        return self._other_log(there) if self.whole_log else self._other_facts(there)

    def _other_log(self, there: Ticket) -> str:
        mine, theirs = self.ticket.events, there.events
        for own, other in zip(mine, theirs, strict=False):
            if not _within(own, other):
                return f"entry {own.number} says something else"
        if len(mine) != len(theirs):
            return f"it has {len(mine)} entries here and {len(theirs)} there"
        return ""

    def _other_facts(self, there: Ticket) -> str:
        mine, theirs = _facts(self.ticket), _facts(there)
        for name, fact in mine.items():
            if fact != theirs[name] and name not in self.untold:
                return f"{name} differs"
        return ""


def _within(mine: Event, theirs: Event) -> bool:
    """Whether an entry says nothing that the other does not: a file may leave out names and
    texts."""
    if (mine.kind, mine.at) != (theirs.kind, theirs.at):
        return False
    if mine.entry.as_data() != theirs.entry.as_data():
        return False
    if mine.who != theirs.who and not _STAFF.fullmatch(mine.who):
        return False
    texts = theirs.entry.as_texts()
    return all(texts.get(name) == text for name, text in mine.entry.as_texts().items())


def _facts(ticket: Ticket) -> Mapping[str, object]:
    return {
        "model": ticket.model,
        "opened_at": ticket.opened_at,
        "closed_at": ticket.closed_at,
        "outcome": ticket.outcome,
        "causes": ticket.causes,
        "tried": tuple(step.repair for step in ticket.tried),
        "what was found": ticket.findings,
        "complaint": ticket.complaint,
        "bench time": ticket.bench_minutes,
        "what was billed": ticket.billed,
    }


def check_key(key: object, column: str = "key") -> str:
    """A usable key. Raises RowError."""
    if not isinstance(key, str) or not key.strip():
        raise RowError(column, "is empty. Every ticket needs a key of its own.")
    if len(key) > NAME_LIMIT or not key.isprintable():
        raise RowError(
            column, f"is no key: a key is at most {NAME_LIMIT} characters that can be printed."
        )
    return key


def check_stamp(at: object, column: str, now: datetime) -> str:
    """A time as logs carry it. Raises RowError when it is none, or still to come."""
    try:
        stamp = limits.stamp(at)
    except ValueError as error:
        raise RowError(column, str(error)) from None
    check_moment(datetime.fromisoformat(stamp), column, now)
    return stamp


def check_moment(moment: datetime, column: str, now: datetime) -> datetime:
    """`moment` in UTC. Raises RowError when it is still to come, or before 1970."""
    ahead = ZONES if moment.tzinfo is None else CLOCKS
    try:
        exact = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except OverflowError:
        raise RowError(column, f"is {moment.isoformat()}, beyond any calendar.") from None
    if exact.year < 1970:
        raise RowError(column, f"is {exact.date().isoformat()}. Is the year right?")
    if exact > now + ahead:
        raise RowError(column, f"is {exact.date().isoformat()}, which is still to come.")
    return exact


def check_ending(ticket: Ticket) -> None:
    """Raise RowError where a ticket ends before it begins."""
    if ticket.closed_at is None or ticket.closed_at >= ticket.opened_at:
        return
    closed, opened = map(datetime.fromisoformat, (ticket.closed_at, ticket.opened_at))
    if opened - closed > CLOCKS:
        raise RowError(
            "closed_at", f"is {ticket.closed_at}, before it was opened ({ticket.opened_at})."
        )
