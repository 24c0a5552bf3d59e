"""Where open tickets stand, worked out once: kept in the cache until a ticket changes.

A diagnosis takes about a tenth of a second, which is too long for a list of hundreds.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from faultfinder.cli.on_ticket import compiled_of, view_of
from faultfinder.cli.terminal import for_bars
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.files import open_plain, private_folder, whole_file
from faultfinder.inference.cache import cache_folder
from faultfinder.report.ticket.standing import Standing, standing_of
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket

LAYOUT = 3
"""Raised when what is kept, or how it is worked out, changes."""

T = TypeVar("T")


def with_bar(items: Sequence[T], label: str, long: int = 10) -> Iterator[T]:
    """The items, with a progress bar on a terminal when there are many."""
    if len(items) < long or not sys.stderr.isatty():
        yield from items
        return
    with click.progressbar(items, label=label, file=for_bars()) as bar:
        yield from bar


def standings(store: Store, tickets: Sequence[Ticket]) -> list[Standing]:
    """The standing of each open ticket, in order; a ticket without one says why."""
    place = cache_folder() / f"standings-{_hash(store.database.name)}.json"
    kept = _read(place)
    shop = repr(read_shop())
    found: dict[str, dict[str, Any]] = {}
    missing = False
    result = []
    for ticket in with_bar(tickets, "Looking at tickets"):
        key = _key(store, ticket, shop)
        row = kept.get(key) if key else None
        if row is None:
            missing = True
            row = _work_out(lambda t=ticket: standing_of(view_of(store, t))).as_row()  # type: ignore[misc]
        if key:
            found[key] = row
        result.append(Standing(**row))
    if missing:
        _write(place, kept | found if len(kept) < 5000 else found)
    return result


def _key(store: Store, ticket: Ticket, shop: str) -> str:
    try:
        digest = compiled_of(store, ticket).model.digest
    except FaultfinderError:
        return ""
    events = repr([(e.number, e.kind, e.entry.as_data()) for e in ticket.counting()])
    first = "" if ticket.first_ticket is None else store.ticket(ticket.first_ticket).last
    return _hash(f"{LAYOUT}|{digest}|{shop}|{ticket.key}|{events}|{first}")


def _work_out(make: Callable[[], Standing]) -> Standing:
    try:
        return make()
    except FaultfinderError as error:
        return Standing(trouble=str(error))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:24]


def _read(place: Path) -> dict[str, dict[str, Any]]:
    """What was kept; nothing when it cannot be read: it costs time, never an error."""
    fields = set(Standing().as_row())
    with contextlib.suppress(OSError, ValueError, AttributeError):
        with open_plain(place) as stream:
            kept = json.load(stream)
        return {key: row for key, row in kept.items() if set(row) == fields}
    return {}


def _write(place: Path, rows: dict[str, dict[str, Any]]) -> None:
    with contextlib.suppress(OSError):
        private_folder(place.parent)
        with whole_file(place, private=True) as stream:
            stream.write(json.dumps(rows).encode("ascii"))
