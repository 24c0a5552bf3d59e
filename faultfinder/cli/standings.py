"""Where open tickets stand, worked out once for each state a ticket can be in, and kept.

A diagnosis takes about a tenth of a second, which is too long for a list of hundreds.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sys
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from faultfinder.cli.cores import on_cores
from faultfinder.cli.on_ticket import case_of
from faultfinder.cli.terminal import for_bars
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.triage import minutes_to_decision
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.files import open_plain, private_folder, whole_file
from faultfinder.inference.cache import cache_folder
from faultfinder.report.consultation.view import View
from faultfinder.report.ticket.standing import Standing, blocked_by, standing_of
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket

LAYOUT = 3
"""Raised when what is kept, or how it is worked out, changes."""

KEPT = 5000
"""States above which only those of the tickets at hand are kept."""

T = TypeVar("T")


def _with_bar(items: Sequence[T]) -> Iterator[T]:
    """The items, with a progress bar on a terminal when there are many."""
    if len(items) < 10 or not sys.stderr.isatty():
        yield from items
        return
    with click.progressbar(items, label="Looking at tickets", file=for_bars()) as bar:
        yield from bar


def standings(store: Store, tickets: Iterable[Ticket]) -> list[Standing]:
    """The standing of each open ticket, in order; a ticket without one says why."""
    return [standing for _, standing, _ in _worked_out(store, tickets, None)]


def standings_and_minutes(
    store: Store, tickets: Iterable[Ticket], without: Sequence[str]
) -> list[tuple[Ticket, Standing, float]]:
    """Each ticket in brief, its standing, and the expected minutes until it is decided what to
    do, without some tools; 0 for what has to wait and what is repaired."""
    return _worked_out(store, tickets, without)


@dataclass(frozen=True)
class _State:
    """What is to be worked out for all tickets in one state."""

    case: Case
    standing: bool
    without: Sequence[str] | None

    def worked_out(self) -> tuple[dict[str, Any] | None, float | None]:
        """Its standing as a row, and its minutes, where they are asked for."""
        try:
            told = consult(self.case)
            row = standing_of(View(told)).as_row() if self.standing else None
            if self.without is None or not self.case.model.model.repairs:
                return row, None if self.without is None else 0.0
            return row, 0.0 if told.stop else minutes_to_decision(told, self.without)
        except FaultfinderError as error:
            trouble = Standing(trouble=str(error)).as_row() if self.standing else None
            return trouble, None if self.without is None else 0.0


def _worked_out(
    store: Store, tickets: Iterable[Ticket], without: Sequence[str] | None
) -> list[tuple[Ticket, Standing, float]]:
    """Each distinct state once, and none of which it is kept how it stands."""
    place = cache_folder() / f"standings-{_hash(store.database.name)}.json"
    rows, minutes = _read(place)
    before = len(rows), len(minutes)
    troubles: dict[int, Standing] = {}
    states: dict[str, Case] = {}
    going: set[str] = set()
    shop = read_shop()
    key_of: dict[int, str] = {}
    listed: list[Ticket] = []
    known: dict[Hashable, str] = {}
    for ticket in tickets:
        listed.append(ticket.in_brief())
        holds = _holds(ticket)
        key = known.get(holds)
        if key is None:
            try:
                case = case_of(store, ticket, shop)
            except FaultfinderError as error:
                troubles[ticket.number] = Standing(trouble=str(error))
                continue
            key = known[holds] = _key(case)
            states.setdefault(key, case)
        key_of[ticket.number] = key
        if without is not None and ticket.repaired is None and not blocked_by(ticket):
            going.add(key)
    timed = "" if without is None else _hash(repr(tuple(without)))
    wanted = {
        key: _State(
            case, key not in rows, without if key in going and key + timed not in minutes else None
        )
        for key, case in states.items()
    }
    wanted = {key: one for key, one in wanted.items() if one.standing or one.without is not None}
    done = on_cores(_State.worked_out, list(wanted.values()))
    for (key, _), (row, took) in zip(_with_bar(list(wanted.items())), done, strict=True):
        if row is not None:
            rows[key] = row
        if took is not None:
            minutes[key + timed] = took
    if (len(rows), len(minutes)) != before:
        few = len(rows) < KEPT
        _write(
            place,
            rows if few else {key: rows[key] for key in states},
            minutes if few else {key + timed: minutes[key + timed] for key in going},
        )
    made = {key: Standing(**rows[key]) for key in states}
    found = []
    for ticket in listed:
        if ticket.number in troubles:
            found.append((ticket, troubles[ticket.number], 0.0))
        else:
            key = key_of[ticket.number]
            took = 0.0 if ticket.repaired is not None else minutes.get(key + timed, 0.0)
            found.append((ticket, made[key], took))
    return found


def _holds(ticket: Ticket) -> Hashable:
    """What of a ticket its case follows from."""
    since = tuple((one.repair, tuple(one.results_since.items())) for one in ticket.tried)
    seen = tuple(ticket.findings.items())
    return (
        ticket.model,
        ticket.version,
        seen,
        ticket.stage,
        since,
        ticket.intake.worth,
        (ticket.first_ticket),
    )


def _key(case: Case) -> str:
    return _hash(
        f"{LAYOUT}|{case.model.model.digest}|{case.shop}|{dict(case.results)}|{case.stage}"
        f"|{case.tried}|{case.worth}|{dict(case.likelier)}"
    )


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:24]


def _read(place: Path) -> tuple[dict[str, dict[str, Any]], dict[str, float]]:
    """What was kept: standings and minutes by state. Nothing when it cannot be read: it costs
    time, never an error."""
    fields = set(Standing().as_row())
    with contextlib.suppress(OSError, ValueError, AttributeError, TypeError, KeyError):
        with open_plain(place) as stream:
            kept = json.load(stream)
        rows = {key: row for key, row in kept["standings"].items() if set(row) == fields}
        return rows, {key: float(took) for key, took in kept["minutes"].items()}
    return {}, {}


def _write(place: Path, rows: dict[str, dict[str, Any]], minutes: dict[str, float]) -> None:
    with contextlib.suppress(OSError):
        private_folder(place.parent)
        with whole_file(place, private=True) as stream:
            text = json.dumps({"standings": rows, "minutes": minutes})
            stream.write(text.encode("ascii"))
