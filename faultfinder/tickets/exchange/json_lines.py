"""Tickets as JSON Lines: a line a ticket, its whole log."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from faultfinder.errors import did_you_mean
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.tickets.events import PERSONAL, Event, Intake, entry_of, made_event
from faultfinder.tickets.exchange.arriving import (
    Arrival,
    RowError,
    check_ending,
    check_key,
    check_stamp,
)
from faultfinder.tickets.limits import BadValue, quoted
from faultfinder.tickets.ticket import Ticket, fold

FORM = 1
"""The version of the lines' form."""

LEVELS = 20
"""Lists and sets of fields within each other at most; a ticket has four."""

KnownModel = Callable[[str], FaultModel | None]
"""The model of a name, or None when it is not here."""


@dataclass(frozen=True)
class Told:
    """What goes out beside what was found and done: `texts` in people's own words and the
    names of staff; `person`: customer, contact and serial number."""

    texts: bool = False
    person: bool = False

    def wants(self, text: str) -> bool:
        return self.person if text in PERSONAL else self.texts


@dataclass
class StaffNames:
    """Names replaced by "staff 1", "staff 2", in the order they come up in one file."""

    _seen: dict[str, str] = field(default_factory=dict)

    def of(self, who: str) -> str:
        return self._seen.setdefault(who, f"staff {len(self._seen) + 1}")


def to_line(ticket: Ticket, first_key: str | None, told: Told, staff: StaffNames) -> str:
    """The line of a ticket that is whole: ASCII that can be printed, with its end."""
    events = []
    for event in ticket.events:
        entry: dict[str, object] = {
            "number": event.number,
            "kind": event.kind,
            "at": event.at,
            "who": event.who if told.texts else staff.of(event.who),
            "data": event.entry.as_data(),
        }
        said = sorted(event.entry.as_texts().items())
        texts = {name: text for name, text in said if told.wants(name)}
        if texts:
            entry["texts"] = texts
        events.append(entry)
    line = {
        "faultfinder_ticket": FORM,
        "key": ticket.key,
        "model": ticket.model,
        "first_ticket": first_key,
        "events": events,
    }
    written = json.dumps(line, ensure_ascii=True, separators=(",", ":"))
    return written.replace("\x7f", "\\u007f") + "\n"


def _deeper(read: object, levels: int) -> bool:
    """Whether lists and sets are nested more than `levels` deep."""
    inside = list(read.values()) if isinstance(read, dict) else read
    if not isinstance(inside, list):
        return False
    return levels == 0 or any(_deeper(one, levels - 1) for one in inside)


def from_line(text: str, line: int, now: datetime, model_of: KnownModel) -> Arrival:
    """The ticket of a line. Raises RowError."""
    try:
        read = json.loads(text, parse_constant=_no_number, parse_float=_finite)
    except RecursionError:
        raise RowError("the line", "is nested too deep to be a ticket.") from None
    except json.JSONDecodeError as error:
        raise RowError("the line", f"is no JSON: {error.msg} (column {error.colno}).") from None
    except ValueError as error:
        raise RowError("the line", f"is no JSON: {error}.") from None
    if text.count("[") + text.count("{") > LEVELS and _deeper(read, LEVELS):
        raise RowError("the line", "is nested too deep to be a ticket.")
    if not isinstance(read, dict) or "faultfinder_ticket" not in read:
        raise RowError("faultfinder_ticket", f"is missing: this is no ticket. {_LOOKS}")
    if type(read["faultfinder_ticket"]) is not int or read["faultfinder_ticket"] != FORM:
        raise RowError(
            "faultfinder_ticket",
            f"is {quoted(read['faultfinder_ticket'])}; this version reads {FORM}.",
        )
    unknown = [name for name in read if name not in _FIELDS]
    if unknown:
        raise RowError(unknown[0][:60], f"is no part of a ticket. {did_you_mean('', _FIELDS)}")
    key = check_key(read.get("key"))
    first = read.get("first_ticket")
    if first is not None and check_key(first, "first_ticket") == key:
        raise RowError("first_ticket", "is the ticket itself.")
    events = _events(read.get("events"), now)
    ticket = fold(0, events, key)
    if ticket.model != read.get("model"):
        raise RowError("model", f"is {quoted(read.get('model'))}, and its intake says otherwise.")
    check_ending(ticket)
    _check_against(ticket, model_of(ticket.model))
    return Arrival(line, ticket, first)


_FIELDS = ("faultfinder_ticket", "key", "model", "first_ticket", "events")
_LOOKS = f'A line begins with {{"faultfinder_ticket": {FORM}, "key": ...'


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _finite(word: str) -> float:
    number = float(word)
    if not math.isfinite(number):
        raise ValueError(f"{word} is beyond any number")
    return number


def _events(read: object, now: datetime) -> tuple[Event, ...]:
    if not isinstance(read, list) or not read:
        raise RowError("events", "is no list of entries.")
    events = tuple(_event(one, number, now) for number, one in enumerate(read, start=1))
    if not isinstance(events[0].entry, Intake):
        raise RowError("events", "begin without an intake.")
    if any(isinstance(event.entry, Intake) for event in events[1:]):
        raise RowError("events", "hold a second intake.")
    return events


def _event(read: object, number: int, now: datetime) -> Event:
    place = f"entry {number}"
    if not isinstance(read, dict):
        raise RowError(place, "is no entry of a log.")
    if type(read.get("number")) is not int or read["number"] != number:
        raise RowError(
            place, f"has the number {quoted(read.get('number'))}; they count 1, 2, 3 ..."
        )
    who, texts = read.get("who"), read.get("texts", {})
    if not isinstance(who, str):
        raise RowError(f"{place}, who", "is no name.")
    if not isinstance(texts, dict) or not all(isinstance(text, str) for text in texts.values()):
        raise RowError(f"{place}, texts", "are no texts with their names.")
    at = check_stamp(read.get("at"), f"{place}, at", now)
    try:
        return made_event(number, at, who, entry_of(read.get("kind"), read.get("data"), texts))
    except BadValue as bad:
        raise RowError(f"{place}, {bad.field}", bad.reason) from None


def _check_against(ticket: Ticket, model: FaultModel | None) -> None:
    """Raise RowError for a name that the model does not know, unless an entry says that it was
    written by another version of it."""
    if model is None:
        return
    known = {
        "cause": [variable.name for variable in model.of_kind(Kind.CAUSE)],
        "finding": list(model.by_name),
        "repair": list(model.repairs_by_name),
        "stage": list(model.stages_by_name),
    }
    for event in ticket.counting():
        if not model.digest.startswith(event.entry.read_by or ticket.version):
            continue
        place = f"entry {event.number}, "
        for what, name in event.entry.names():
            if what == "result":
                finding, _, result = name.partition("=")
                states = model.by_name[finding].states
                _check_name(f"{place}finding", result, states, f"result of {finding}")
            else:
                _check_name(f"{place}{what}", name, known[what], what)


def _check_name(place: str, name: str, known: Sequence[str], what: str) -> None:
    if name not in known:
        hint = did_you_mean(name[:100], known)
        raise RowError(place, f"is {quoted(name)}, which is no {what} of the model. {hint}")
