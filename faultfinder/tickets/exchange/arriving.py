"""A ticket read from a file, before it is in the store; and rows that cannot be taken."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from faultfinder.errors import did_you_mean
from faultfinder.tickets.events import NOTE_LIMIT, Event, Outcome
from faultfinder.tickets.ticket import Ticket

KEY_LENGTH = 200
"""Characters of a ticket's key at most."""

ZONES = timedelta(hours=14)
"""A time that names no zone may be this far ahead of UTC and still be past where it was."""

STAMP = "%Y-%m-%dT%H:%M:%SZ"
_STAMPED = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
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
    the complaint when `complaint_told`.
    """

    line: int
    ticket: Ticket
    first_key: str | None = None
    whole_log: bool = True
    complaint_told: bool = True

    @property
    def weight(self) -> int:
        """Characters of its texts, so that a batch of long ones is cut short."""
        return sum(len(text) for event in self.ticket.events for text in event.texts.values())

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
            if fact != theirs[name] and (name != "complaint" or self.complaint_told):
                return f"{name} differs"
        return ""


def _within(mine: Event, theirs: Event) -> bool:
    """Whether an entry says nothing that the other does not: a file may leave out names and
    texts."""
    if (mine.kind, mine.at, mine.data) != (theirs.kind, theirs.at, theirs.data):
        return False
    if mine.who != theirs.who and not _STAFF.fullmatch(mine.who):
        return False
    return all(theirs.texts.get(name) == text for name, text in mine.texts.items())


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
    }


def check_key(key: object, column: str = "key") -> str:
    """A usable key. Raises RowError."""
    if not isinstance(key, str) or not key.strip():
        raise RowError(column, "is empty. Every ticket needs a key of its own.")
    if len(key) > KEY_LENGTH or not key.isprintable():
        raise RowError(
            column, f"is no key: a key is at most {KEY_LENGTH} characters that can be printed."
        )
    return key


def check_text(text: str, column: str) -> str:
    """A text of bearable length. Raises RowError."""
    if len(text) > NOTE_LIMIT:
        raise RowError(column, f"holds {len(text):,} characters; the limit is {NOTE_LIMIT:,}.")
    return text


def check_stamp(at: object, column: str, now: datetime) -> str:
    """A time as logs carry it. Raises RowError when it is none, or still to come."""
    if not isinstance(at, str) or not _STAMPED.fullmatch(at):
        raise RowError(column, f"is {quoted(at)}. A time looks like 2026-01-31T09:30:00Z.")
    try:
        moment = datetime.fromisoformat(at)
    except ValueError:
        raise RowError(column, f"is {quoted(at)}, and there is no such time.") from None
    check_moment(moment, column, now)
    return at


def check_moment(moment: datetime, column: str, now: datetime) -> datetime:
    """`moment` in UTC. Raises RowError when it is still to come, or before 1970."""
    ahead = ZONES if moment.tzinfo is None else timedelta(0)
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
    """Raise RowError unless the end of a ticket makes sense."""
    if not ticket.outcome:
        return
    if ticket.outcome not in list(Outcome):
        raise RowError("outcome", f"is {quoted(ticket.outcome)}. {did_you_mean_outcome(ticket)}")
    if ticket.outcome == Outcome.REPAIRED and not ticket.causes:
        raise RowError("causes", "is empty. A repaired machine has a confirmed cause.")
    if (ticket.closed_at or "") < ticket.opened_at:
        raise RowError(
            "closed_at", f"is {ticket.closed_at}, before it was opened ({ticket.opened_at})."
        )


def did_you_mean_outcome(ticket: Ticket) -> str:
    """The sentence for an outcome that there is not."""
    return did_you_mean(ticket.outcome[:100], [str(outcome) for outcome in Outcome])


def quoted(value: object) -> str:
    """A value in a sentence, short."""
    text = value if isinstance(value, str) else repr(value)
    return f'"{text if len(text) <= 60 else text[:57] + "..."}"'
