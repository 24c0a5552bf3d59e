"""What can happen to a ticket. The log of events is the truth; nothing in it is changed.

An entry that was wrong is taken back by another event that says so. Whatever people wrote
in their own words is kept beside the log (`texts`), so that it can be erased.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from faultfinder.errors import FaultfinderError

NOTE_LIMIT = 1_000_000
"""Characters of one text."""

PERSONAL = ("customer", "contact", "serial")
"""Texts about a person or one machine: erasable, and never in an export unless asked for."""


class Happened(StrEnum):
    """The kinds of event."""

    INTAKE = "intake"
    PERSON = "person"
    FOUND = "found"
    MOVED = "moved"
    TRIED = "tried"
    REPAIRED = "repaired"
    PROVED = "proved"
    ORDERED = "ordered"
    ARRIVED = "arrived"
    HELD = "held"
    RESUMED = "resumed"
    NOTE = "note"
    REMODELLED = "remodelled"
    CLOSED = "closed"
    ERASED = "erased"
    TAKEN_BACK = "taken back"


class Outcome(StrEnum):
    """How a ticket ends."""

    REPAIRED = "repaired"
    NOT_ESTABLISHED = "not established"
    DECLINED = "customer declined"
    UNECONOMIC = "uneconomic"


class Waiting(StrEnum):
    """Whom a ticket on hold waits for."""

    CUSTOMER = "customer"
    APPROVAL = "approval"
    SPECIALIST = "specialist"
    OTHER = "other"


CONSENTS = ("opening", "data-loss", "contact-kept")
"""What a customer can agree to: opening the machine, losing data, keeping name and contact."""


@dataclass(frozen=True)
class Entry:
    """Something to write: the kind of event, its data, and texts in people's own words."""

    kind: Happened
    data: Mapping[str, Any] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Event:
    """One entry of a ticket's log: `number` counts from 1, `at` is UTC in ISO 8601.

    A text that was erased is missing from `texts`.
    """

    number: int
    kind: Happened
    at: str
    who: str
    data: Mapping[str, Any]
    texts: Mapping[str, str] = field(default_factory=dict)


def to_text(data: Mapping[str, Any]) -> str:
    """An event's data as kept: JSON, keys sorted."""
    return json.dumps(data, sort_keys=True, ensure_ascii=True)


def read_event(
    number: int, kind: str, at: str, who: str, data: str, texts: Mapping[str, str]
) -> Event:
    """An event from what is kept. Raises FaultfinderError when it cannot be understood."""
    try:
        read = json.loads(data)
        if not isinstance(read, dict):
            raise ValueError("no set of fields")
        return Event(number, Happened(kind), at, who, read, texts)
    except (ValueError, RecursionError) as error:
        raise FaultfinderError(
            f'Event {number} of kind "{kind}" cannot be read. It may have been written by a '
            "newer version of this program."
        ) from error
