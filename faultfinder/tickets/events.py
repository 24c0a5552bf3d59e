"""What can happen to a ticket. The log of events is the truth; nothing in it is changed.

An entry that was wrong is taken back by another event that says so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from faultfinder.errors import FaultfinderError

NOTE_LIMIT = 1_000_000
"""Characters of one note."""


class Happened(StrEnum):
    """The kinds of event."""

    INTAKE = "intake"
    FOUND = "found"
    MOVED = "moved"
    TRIED = "tried"
    NOTE = "note"
    CLOSED = "closed"
    TAKEN_BACK = "taken back"


class Outcome(StrEnum):
    """How a ticket ends."""

    REPAIRED = "repaired"
    NOT_ESTABLISHED = "not established"
    DECLINED = "customer declined"
    UNECONOMIC = "uneconomic"


@dataclass(frozen=True)
class Event:
    """One entry of a ticket's log: `number` counts from 1, `at` is UTC in ISO 8601."""

    number: int
    kind: Happened
    at: str
    who: str
    data: Mapping[str, Any]


def to_text(data: Mapping[str, Any]) -> str:
    """An event's data as kept: JSON, keys sorted."""
    return json.dumps(data, sort_keys=True, ensure_ascii=True)


def from_row(number: int, kind: str, at: str, who: str, text: str) -> Event:
    """An event from what is kept. Raises FaultfinderError when it cannot be understood."""
    try:
        return Event(number, Happened(kind), at, who, json.loads(text))
    except ValueError as error:
        raise FaultfinderError(
            f'Event {number} of kind "{kind}" cannot be read. It may have been written by a '
            "newer version of this program."
        ) from error
