"""Entries with their number, time and author: made, read from a log, and kept."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from faultfinder.errors import FaultfinderError
from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import KINDS, Entry, value
from faultfinder.tickets.events.taken_back import TakenBack
from faultfinder.tickets.limits import BadValue


@dataclass(frozen=True)
class Unreadable(Entry):
    """An entry of a damaged or newer log: shown, and counted for nothing."""

    said: str = value(limits.text)
    reason: str = value(limits.text)

    @property
    def words(self) -> str:
        return f"cannot be read and counts for nothing ({self.reason}): {self.said}"

    def as_data(self) -> dict[str, object]:
        return {}


class Event(NamedTuple):
    """One entry of a ticket's log: `number` counts from 1, `at` is UTC in ISO 8601.

    `flaw` says what of it could not be used, "" when all is well. Lists read millions of them:
    a tuple is made in a third of the time of a dataclass.
    """

    number: int
    at: str
    who: str
    entry: Entry
    flaw: str = ""

    @property
    def kind(self) -> str:
        return self.entry.kind


def made_event(number: int, at: str, who: str, entry: Entry) -> Event:
    """An entry as event `number`. Raises BadValue for a time, name or number that cannot be."""
    _signed(at, who)
    if isinstance(entry, TakenBack) and not 1 < entry.entry < number:
        raise BadValue("event", f"is {entry.entry}: entry {number} cannot take that back.")
    return Event(number, at, who, entry)


def _signed(at: object, who: object) -> None:
    """Raise BadValue for a time or a name that cannot be."""
    key = "at"
    try:
        limits.stamp(at)
        key = "who"
        limits.text(who)
    except ValueError as error:
        raise BadValue(key, str(error)) from None


_signed_before = lru_cache(maxsize=1 << 10)(_signed)
"""The same for texts, once for all that one command wrote."""


def entry_of(kind: object, data: object, texts: Mapping[str, str]) -> Entry:
    """The entry of a kind by its name. Raises BadValue."""
    if not isinstance(kind, str) or kind not in KINDS:
        said = limits.quoted(kind)
        raise BadValue("kind", f"is {said}. It may be from a newer version of this program.")
    if not isinstance(data, dict):
        raise BadValue("data", "is no set of fields.")
    return KINDS[kind].from_data(data, texts)


@lru_cache(maxsize=1 << 14)
def _whole_entry(kind: str, data: str) -> Entry:
    """An entry without texts. Raises ValueError, RecursionError or BadValue."""
    return entry_of(kind, json.loads(data), {})


def read_event(
    number: int, kind: str, at: str, who: str, data: str, texts: Mapping[str, str]
) -> Event:
    """An event from what a database keeps, whatever that is.

    A value beyond its limits that the entry can do without is left out, and named as its flaw;
    an entry that cannot do without it is Unreadable.
    """
    if not texts:
        # Most logs hold the same few hundred entries, which are read once.
        try:
            entry = _whole_entry(kind, data)
            _signed_before(at, who)
            if not isinstance(entry, TakenBack):
                return Event(number, at, who, entry)
        except (ValueError, RecursionError, BadValue):
            pass
    flaws: list[str] = []
    try:
        read: object = json.loads(data)
    except (ValueError, RecursionError):
        read = None
    kept = dict(texts)
    while True:
        try:
            event = made_event(number, at, who, entry_of(kind, read, kept))
            return event._replace(flaw="; ".join(flaws)) if flaws else event
        except BadValue as bad:
            flaws.append(f"{bad.field} {bad.reason.rstrip('.')}")
            if isinstance(read, dict) and bad.field in read and bad.field not in kept:
                read = {key: value for key, value in read.items() if key != bad.field}
            elif bad.field in kept:
                del kept[bad.field]
            else:
                reason = "; ".join(flaws)
                said = f"{kind[:60]} {data[:200]}"
                return Event(number, at, who[:200], Unreadable(said, reason), reason)


def to_text(entry: Entry) -> str:
    """An entry's data as kept: JSON, keys sorted. Raises FaultfinderError for one that could not
    be read."""
    if isinstance(entry, Unreadable):
        raise FaultfinderError("An entry that cannot be read is not written again.")
    return json.dumps(entry.as_data(), sort_keys=True, ensure_ascii=True)
