"""The present state of a ticket, computed from its events."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from operator import attrgetter
from typing import Any

from faultfinder.decide.belief import Tried
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.events import Event, Intake, Note, TakenBack, Unreadable
from faultfinder.tickets.state import Hold, Part, State

_NOTHING: dict[str, Any] = {}
_NONE: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Ticket:
    """Where a ticket stands.

    `findings` were made before any repair: finding -> result, or None when it could not
    be told. `judged` are causes somebody named without proof. `tried` are the repairs that did
    not cure, each with what was found after it. `intake` is what was taken down at the desk,
    with what was agreed to later. `repaired` is the repair after which the picture came back,
    `proofs` what its tests said. `bench_minutes` is the bench time said at closing,
    `billed` what the customer was to pay.
    `version` is the digest of the model the ticket goes by. `last` is the number of the
    newest event: whoever writes next must have seen it. `damage` says what of the log could not
    be used; it is empty for a ticket in order. `touched` is whether anything that counts came
    after intake.
    """

    number: int
    key: str
    model: str
    version: str
    opened_at: str
    intake: Intake
    person: Mapping[str, str]
    first_ticket: int | None
    findings: dict[str, str | None]
    judged: Mapping[str, str]
    tried: tuple[Tried, ...]
    stage: str | None
    repaired: str | None
    proofs: Mapping[str, bool]
    parts: tuple[Part, ...]
    hold: Hold | None
    hand_over: Event | None
    outcome: str
    causes: tuple[str, ...]
    closed_at: str | None
    bench_minutes: float | None
    billed: float | None
    events: tuple[Event, ...]
    gone: frozenset[int]
    damage: tuple[str, ...] = ()
    touched: bool = False

    @property
    def last(self) -> int:
        return self.events[-1].number if self.events else 0

    @property
    def whole(self) -> bool:
        """Whether every entry of the log could be read, so that it can be written elsewhere."""
        return bool(self.events) and not any(
            isinstance(event.entry, Unreadable) for event in self.events
        )

    @property
    def open(self) -> bool:
        return not self.outcome

    @property
    def complaint(self) -> str:
        return self.intake.complaint

    @property
    def awaited(self) -> tuple[Part, ...]:
        """Parts that were ordered and are not here yet."""
        return tuple(part for part in self.parts if part.arrived_at is None)

    @property
    def hand_over_note(self) -> str:
        """The words of the last hand-over note; "" when they were erased."""
        entry = None if self.hand_over is None else self.hand_over.entry
        return entry.note if isinstance(entry, Note) else ""

    def in_brief(self) -> Ticket:
        """What lists say of it: neither its log nor what was found, so that a hundred thousand
        of them fit into memory."""
        return replace(
            self,
            key="",
            model=sys.intern(self.model),
            version="",
            intake=Intake(sys.intern(self.model), complaint=self.complaint),
            person=_NOTHING,
            findings=_NOTHING,
            tried=(),
            proofs=_NOTHING,
            events=(),
            gone=_NONE,
        )

    def as_known(self) -> Ticket:
        """What its diagnosis follows from: neither its log nor anybody's words."""
        return replace(
            self,
            intake=Intake(self.intake.model, worth=self.intake.worth),
            person=_NOTHING,
            parts=(),
            hold=None,
            hand_over=None,
            events=(),
            gone=_NONE,
            damage=(),
        )

    def __reduce__(self) -> tuple[type[Ticket], tuple[Any, ...]]:
        # As `dataclasses` does it where there are slots takes twice as long.
        return Ticket, _values(self)

    def counting(self) -> tuple[Event, ...]:
        """The events that were not taken back."""
        return tuple(event for event in self.events if event.number not in self.gone)


_values = attrgetter(*(one.name for one in fields(Ticket)))


def taken_back(events: Sequence[Event]) -> frozenset[int]:
    """The numbers of events that do not count any more.

    A taking-back can be taken back itself, which brings the entry back; so the log is
    read from its end.
    """
    gone: set[int] = set()
    for event in reversed(events):
        if isinstance(event.entry, TakenBack) and event.number not in gone:
            gone.add(event.entry.entry)
    return frozenset(gone)


def fold(
    number: int,
    events: Sequence[Event],
    key: str = "",
    first_ticket: int | None = None,
    model: str = "",
    flaws: Sequence[str] = (),
) -> Ticket:
    """The state after all events.

    Raises FaultfinderError for a log without an intake, unless `model` says what else is known
    of the ticket's model; `flaws` are what is wrong with it besides its events.
    """
    intake = events[0].entry if events else None
    if not isinstance(intake, Intake):
        if not model:
            raise FaultfinderError(f"Ticket {number} has no intake; its log is damaged.")
        flaws = (*flaws, "it has no intake that can be read")
        intake = Intake(model)
    gone = taken_back(events)
    state = State()
    counting = [event for event in events if event.number not in gone]
    for event in counting:
        event.entry.change(state, event.number, event.at)
    damage = [f"entry {event.number}: {event.flaw}" for event in counting if event.flaw]
    handed = [event for event in counting if event.number == state.hand_over]
    tried = tuple(Tried(repair, dict(found)) for repair, found in state.tried)
    return Ticket(
        number=number,
        key=key,
        model=intake.model,
        version=state.version,
        opened_at=events[0].at if events else "",
        intake=replace(intake, **state.agreed) if state.agreed else intake,
        person=state.person,
        first_ticket=first_ticket,
        findings=state.findings,
        judged=state.judged,
        tried=tried,
        stage=state.stage,
        repaired=state.repaired,
        proofs=state.proofs,
        parts=tuple(state.parts.values()),
        hold=state.hold,
        hand_over=handed[-1] if handed else None,
        outcome=state.outcome,
        causes=state.causes,
        closed_at=state.closed_at,
        bench_minutes=state.bench_minutes,
        billed=state.billed,
        events=tuple(events),
        gone=gone,
        damage=(*flaws, *damage),
        touched=any(event.at != events[0].at for event in counting),
    )


def check_take_back(ticket: Ticket, number: int) -> None:
    """Raise MisuseError unless event `number` can be taken back."""
    known = {event.number: event for event in ticket.events}
    if number not in known:
        raise MisuseError(
            f"Ticket {ticket.number} has no entry {number}; its entries are 1 to {ticket.last}."
        )
    if number == 1 or known[number].entry.why_it_stays:
        raise MisuseError(known[number].entry.why_it_stays or Intake.why_it_stays)
    if number in ticket.gone:
        raise MisuseError(f"Entry {number} was taken back already.")
