"""Where open tickets stand, worked out once for each state a ticket can be in, and kept.

A diagnosis takes about a tenth of a second, which is too long for a list of hundreds.
"""

from __future__ import annotations

import os
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from faultfinder.cli.cores import on_cores, pays
from faultfinder.cli.known import Known, key_of, key_with, minutes_left
from faultfinder.cli.on_ticket import case_of
from faultfinder.cli.terminal import progress
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.report.consultation.view import View
from faultfinder.report.ticket.standing import Standing, standing_of, waits
from faultfinder.tickets.searching import each_ticket
from faultfinder.tickets.store import AT_ONCE, Store
from faultfinder.tickets.ticket import Ticket

MANY = 10
"""States to work out from which somebody is shown how far it is."""


def standings(store: Store, tickets: Iterable[Ticket]) -> list[Standing]:
    """The standing of each open ticket, in order; a ticket without one says why."""
    both = ((ticket, ticket) for ticket in tickets)
    return [standing for _, standing, _ in standings_and_minutes(store, both, None)]


def each_briefly(store: Store, numbers: Sequence[int]) -> Iterator[tuple[Ticket, Ticket]]:
    """Each ticket in brief, and one that is in the same state; where they are many, all cores read
    their logs, and only this is handed on."""

    places: dict[Hashable, int] = {}

    def read(some: Sequence[int]) -> tuple[int, list[tuple[Ticket, int]], dict[int, Ticket]]:
        # A state is handed on where this process comes upon it first.
        found, new = [], dict[int, Ticket]()
        for ticket in each_ticket(store, some):
            holds = _holds(ticket)
            if holds not in places:
                places[holds] = len(places)
                new[places[holds]] = ticket.as_known()
            found.append((ticket.in_brief(), places[holds]))
        return os.getpid(), found, new

    pieces = [numbers[begin : begin + AT_ONCE] for begin in range(0, len(numbers), AT_ONCE)]
    if pays(pieces):
        # No connection is good in a process that was forked off: each makes its own.
        store.close()
    states: dict[tuple[int, int], Ticket] = {}
    for process, found, new in on_cores(read, pieces):
        states.update(((process, place), ticket) for place, ticket in new.items())
        for brief, place in found:
            yield brief, states[process, place]


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
            return row, None if self.without is None else minutes_left(told, self.without)
        except FaultfinderError as error:
            trouble = Standing(trouble=str(error)).as_row() if self.standing else None
            return trouble, None if self.without is None else 0.0


def standings_and_minutes(
    store: Store, tickets: Iterable[tuple[Ticket, Ticket]], without: Sequence[str] | None
) -> list[tuple[Ticket, Standing, float]]:
    """Each ticket, its standing, and the expected minutes until it is decided what to do, without
    some tools; 0 for what has to wait, what is repaired, and all without `without`. With each comes
    one that is in the same state (see `each_briefly`), from which its case is made.

    Each distinct state is worked out once, and none of which it is kept how it stands.
    """
    known = Known.of(store.database.name)
    rows, minutes = known.rows, known.minutes
    before = len(rows), len(minutes)
    troubles: dict[int, Standing] = {}
    states: dict[str, Case] = {}
    going: set[str] = set()
    shop = read_shop()
    keys: dict[int, str] = {}
    listed: list[Ticket] = []
    alike: dict[Hashable, str] = {}
    for brief, ticket in tickets:
        listed.append(brief)
        holds = _holds(ticket)
        key = alike.get(holds)
        if key is None:
            try:
                case = case_of(store, replace(ticket, number=brief.number), shop)
            except FaultfinderError as error:
                troubles[brief.number] = Standing(trouble=str(error))
                continue
            key = alike[holds] = key_of(case)
            states.setdefault(key, case)
        keys[brief.number] = key
        if without is not None and not waits(brief):
            going.add(key)
    timed = {key: key_with(key, without or ()) for key in going}
    wanted = {
        key: _State(
            case,
            key not in rows,
            without if key in going and timed[key] not in minutes else None,
        )
        for key, case in states.items()
    }
    wanted = {key: one for key, one in wanted.items() if one.standing or one.without is not None}
    # Those of one model after one another, since much of what they share is kept at hand; what
    # takes longest first, so that no core is left with it in the end.
    wanted = dict(sorted(wanted.items(), key=lambda one: _sort(one[1].case)))
    done = on_cores(_State.worked_out, list(wanted.values()))
    with progress("Looking at tickets", len(wanted) >= MANY) as tell:
        for number, (key, (row, took)) in enumerate(zip(wanted, done, strict=True), start=1):
            if row is not None:
                rows[key] = row
            if took is not None:
                minutes[timed[key]] = took
            tell(number, len(wanted))
    if (len(rows), len(minutes)) != before:
        known.write(states, timed.values())
    made = {key: Standing(**rows[key]) for key in states}
    found = []
    for ticket in listed:
        if ticket.number in troubles:
            found.append((ticket, troubles[ticket.number], 0.0))
        else:
            key = keys[ticket.number]
            took = 0.0 if ticket.repaired is not None else minutes.get(timed.get(key, ""), 0.0)
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
        tuple(ticket.judged.items()),
        ticket.first_ticket,
    )


def _sort(case: Case) -> tuple[bool, str]:
    return not case.tried, case.model.model.digest
