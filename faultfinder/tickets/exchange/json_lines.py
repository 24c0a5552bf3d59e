"""Tickets as JSON Lines: a line a ticket, its whole log."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from faultfinder.errors import FaultfinderError, did_you_mean
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.tickets.event_data import check_data
from faultfinder.tickets.events import PERSONAL, Event, Happened
from faultfinder.tickets.exchange.arriving import (
    Arrival,
    RowError,
    check_ending,
    check_key,
    check_stamp,
    check_text,
    quoted,
)
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
    """The line of a ticket, ASCII, with its end."""
    events = []
    for event in ticket.events:
        entry: dict[str, object] = {
            "number": event.number,
            "kind": str(event.kind),
            "at": event.at,
            "who": event.who if told.texts else staff.of(event.who),
            "data": dict(event.data),
        }
        texts = {name: text for name, text in sorted(event.texts.items()) if told.wants(name)}
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
    return json.dumps(line, ensure_ascii=True, separators=(",", ":")) + "\n"


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
    if events[0].data["model"] != read.get("model"):
        raise RowError("model", f"is {quoted(read.get('model'))}, and its intake says otherwise.")
    try:
        ticket = fold(0, events, key)
    except (FaultfinderError, KeyError, TypeError, ValueError, AttributeError):
        raise RowError("events", "make no sense together: no state follows from them.") from None
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
    if events[0].kind is not Happened.INTAKE:
        raise RowError("events", "begin without an intake.")
    if any(event.kind is Happened.INTAKE for event in events[1:]):
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
    kinds = [str(kind) for kind in Happened]
    kind = read.get("kind")
    if kind not in kinds:
        raise RowError(f"{place}, kind", f"is {quoted(kind)}. It may be from a newer version.")
    who, data, texts = read.get("who"), read.get("data"), read.get("texts", {})
    if not isinstance(who, str):
        raise RowError(f"{place}, who", "is no name.")
    check_text(who, f"{place}, who")
    happened = Happened(str(kind))
    try:
        check_data(happened, data, number)
    except ValueError as error:
        raise RowError(f"{place}, data", str(error)) from None
    if not isinstance(texts, dict) or not all(isinstance(text, str) for text in texts.values()):
        raise RowError(f"{place}, texts", "are no texts with their names.")
    for name, text in texts.items():
        check_key(name, f"{place}, texts")
        check_text(text, f"{place}, {name}")
    at = check_stamp(read.get("at"), f"{place}, at", now)
    assert isinstance(data, dict)
    return Event(number, happened, at, who, data, texts)


def _check_against(ticket: Ticket, model: FaultModel | None) -> None:
    """Raise RowError for a name that the model does not know, unless an entry says that it was
    written by another version of it."""
    if model is None:
        return
    causes = [variable.name for variable in model.of_kind(Kind.CAUSE)]
    for event in ticket.counting():
        data = event.data
        named = None if event.kind is Happened.REMODELLED else data.get("model")
        version = ticket.version if event.kind is Happened.INTAKE or not named else named
        if not model.digest.startswith(str(version)):
            continue
        if event.kind is Happened.CLOSED:
            for cause in data["causes"]:
                _check_name("causes", cause, causes, "cause")
        elif event.kind is Happened.FOUND:
            place = f"entry {event.number}, finding"
            _check_name(place, data["finding"], list(model.by_name), "finding")
            if data["result"] is not None:
                states = model.by_name[data["finding"]].states
                _check_name(place, data["result"], states, f"result of {data['finding']}")
        elif event.kind in (Happened.TRIED, Happened.REPAIRED):
            place = f"entry {event.number}, repair"
            _check_name(place, data["repair"], list(model.repairs_by_name), "repair")
            _check_name(place, data["stage"], list(model.stages_by_name), "stage")
        elif event.kind is Happened.MOVED:
            place = f"entry {event.number}, stage"
            _check_name(place, data["stage"], list(model.stages_by_name), "stage")


def _check_name(place: str, name: str, known: Sequence[str], what: str) -> None:
    if name not in known:
        hint = did_you_mean(name[:100], known)
        raise RowError(place, f"is {quoted(name)}, which is no {what} of the model. {hint}")
