"""The present state of a ticket, computed from its events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from faultfinder.decide.belief import Tried
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.events import Event, Happened


@dataclass(frozen=True)
class Ticket:
    """Where a ticket stands.

    `findings` were made before any repair: finding -> result, or None when it could not
    be told. `tried` are the repairs that did not cure, each with what was found after it.
    `last` is the number of the newest event: whoever writes next must have seen it.
    """

    number: int
    model: str
    opened_at: str
    complaint: str
    findings: dict[str, str | None]
    tried: tuple[Tried, ...]
    stage: str | None
    outcome: str
    causes: tuple[str, ...]
    events: tuple[Event, ...]
    gone: frozenset[int]

    @property
    def last(self) -> int:
        return self.events[-1].number

    @property
    def open(self) -> bool:
        return not self.outcome


@dataclass
class _Fold:
    findings: dict[str, str | None] = field(default_factory=dict)
    tried: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    stage: str | None = None
    outcome: str = ""
    causes: tuple[str, ...] = ()

    def take(self, event: Event) -> None:
        data = event.data
        if event.kind is Happened.FOUND:
            place = self.tried[-1][1] if self.tried else self.findings
            place[data["finding"]] = data["result"]
        elif event.kind is Happened.MOVED:
            self.stage = data["stage"]
        elif event.kind is Happened.TRIED:
            self.tried.append((data["repair"], {}))
            self.stage = data["stage"]
        elif event.kind is Happened.CLOSED:
            self.outcome, self.causes = data["outcome"], tuple(data["causes"])


def taken_back(events: Sequence[Event]) -> frozenset[int]:
    """The numbers of events that do not count any more.

    A taking-back can be taken back itself, which brings the entry back; so the log is
    read from its end.
    """
    gone: set[int] = set()
    for event in reversed(events):
        if event.kind is Happened.TAKEN_BACK and event.number not in gone:
            gone.add(int(event.data["event"]))
    return frozenset(gone)


def fold(number: int, events: Sequence[Event]) -> Ticket:
    """The state after all events. Raises FaultfinderError for a log without an intake."""
    if not events or events[0].kind is not Happened.INTAKE:
        raise FaultfinderError(f"Ticket {number} has no intake; its log is damaged.")
    gone = taken_back(events)
    state = _Fold()
    for event in events:
        if event.number not in gone:
            state.take(event)
    tried = tuple(
        Tried(
            repair,
            {name: result for name, result in found.items() if result is not None},
            tuple(name for name, result in found.items() if result is None),
        )
        for repair, found in state.tried
    )
    intake = events[0]
    return Ticket(
        number=number,
        model=intake.data["model"],
        opened_at=intake.at,
        complaint=intake.data["complaint"],
        findings=state.findings,
        tried=tried,
        stage=state.stage,
        outcome=state.outcome,
        causes=state.causes,
        events=tuple(events),
        gone=gone,
    )


def check_take_back(ticket: Ticket, number: int) -> None:
    """Raise MisuseError unless event `number` can be taken back."""
    known = {event.number: event for event in ticket.events}
    if number not in known:
        raise MisuseError(
            f"Ticket {ticket.number} has no entry {number}; its entries are 1 to {ticket.last}."
        )
    if known[number].kind is Happened.INTAKE:
        raise MisuseError("The intake itself cannot be taken back. Close the ticket instead.")
    if number in ticket.gone:
        raise MisuseError(f"Entry {number} was taken back already.")
