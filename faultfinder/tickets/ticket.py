"""The present state of a ticket, computed from its events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from faultfinder.decide.belief import Tried
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.events import PERSONAL, Event, Happened


@dataclass(frozen=True)
class Part:
    """A part on order: `entry` is the number of the event that ordered it."""

    entry: int
    what: str
    repair: str | None
    price: float | None
    due: str | None
    ordered_at: str
    arrived_at: str | None = None


@dataclass(frozen=True)
class Hold:
    """Why work rests: whom it waits for, and in whose words."""

    entry: int
    waiting_for: str
    why: str
    since: str


@dataclass(frozen=True)
class Intake:
    """What was taken down at the desk. `limit` is what the customer has agreed to spend."""

    complaint: str = ""
    condition: str = ""
    left: str = ""
    consent: tuple[str, ...] = ()
    data_copy: str | None = None
    limit: float | None = None


@dataclass(frozen=True)
class Ticket:
    """Where a ticket stands.

    `findings` were made before any repair: finding -> result, or None when it could not
    be told. `tried` are the repairs that did not cure, each with what was found after it.
    `repaired` is the repair after which the picture came back, `proofs` what its tests said.
    `version` is the digest of the model the ticket goes by. `last` is the number of the
    newest event: whoever writes next must have seen it.
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
    events: tuple[Event, ...]
    gone: frozenset[int]

    @property
    def last(self) -> int:
        return self.events[-1].number

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

    def counting(self) -> tuple[Event, ...]:
        """The events that were not taken back."""
        return tuple(event for event in self.events if event.number not in self.gone)


@dataclass
class _Fold:
    person: dict[str, str] = field(default_factory=dict)
    findings: dict[str, str | None] = field(default_factory=dict)
    tried: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    stage: str | None = None
    version: str = ""
    repaired: str | None = None
    proofs: dict[str, bool] = field(default_factory=dict)
    parts: dict[int, Part] = field(default_factory=dict)
    hold: Hold | None = None
    hand_over: Event | None = None
    outcome: str = ""
    causes: tuple[str, ...] = ()
    closed_at: str | None = None

    def take(self, event: Event) -> None:
        data, texts = event.data, event.texts
        match event.kind:
            case Happened.PERSON:
                self.person |= texts
            case Happened.FOUND:
                place = self.tried[-1][1] if self.tried else self.findings
                place[data["finding"]] = data["result"]
            case Happened.MOVED:
                self.stage = data["stage"]
            case Happened.TRIED:
                self.tried.append((data["repair"], {}))
                self.stage = data["stage"]
                self.repaired, self.proofs = None, {}
            case Happened.REPAIRED:
                self.repaired, self.proofs = data["repair"], {}
                self.stage = data["stage"]
            case Happened.PROVED:
                self.proofs[data["test"]] = data["passed"]
            case Happened.ORDERED:
                self.parts[event.number] = Part(
                    event.number,
                    texts.get("part", ""),
                    data.get("repair"),
                    data.get("price"),
                    data.get("due"),
                    event.at,
                )
            case Happened.ARRIVED:
                self._arrived(data["order"], event.at)
            case Happened.HELD:
                self.hold = Hold(event.number, data["for"], texts.get("why", ""), event.at)
            case Happened.RESUMED:
                self.hold = None
            case Happened.NOTE:
                if data.get("hand_over"):
                    self.hand_over = event
            case Happened.REMODELLED:
                self.version = data["model"]
            case Happened.CLOSED:
                self.outcome, self.causes = data["outcome"], tuple(data["causes"])
                self.closed_at = event.at
            case Happened.INTAKE | Happened.ERASED | Happened.TAKEN_BACK:
                pass

    def _arrived(self, order: int, at: str) -> None:
        part = self.parts.get(order)
        if part is not None:
            self.parts[order] = Part(
                part.entry, part.what, part.repair, part.price, part.due, part.ordered_at, at
            )


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


def fold(
    number: int, events: Sequence[Event], key: str = "", first_ticket: int | None = None
) -> Ticket:
    """The state after all events. Raises FaultfinderError for a log without an intake."""
    if not events or events[0].kind is not Happened.INTAKE:
        raise FaultfinderError(f"Ticket {number} has no intake; its log is damaged.")
    intake = events[0]
    gone = taken_back(events)
    state = _Fold(version=intake.data.get("version", ""))
    state.person = {name: intake.texts[name] for name in PERSONAL if name in intake.texts}
    for event in events:
        if event.number not in gone:
            state.take(event)
    tried = tuple(Tried(repair, dict(found)) for repair, found in state.tried)
    return Ticket(
        number=number,
        key=key,
        model=intake.data["model"],
        version=state.version,
        opened_at=intake.at,
        intake=_desk(intake),
        person=state.person,
        first_ticket=first_ticket,
        findings=state.findings,
        tried=tried,
        stage=state.stage,
        repaired=state.repaired,
        proofs=state.proofs,
        parts=tuple(state.parts.values()),
        hold=state.hold,
        hand_over=state.hand_over,
        outcome=state.outcome,
        causes=state.causes,
        closed_at=state.closed_at,
        events=tuple(events),
        gone=gone,
    )


def _desk(intake: Event) -> Intake:
    data, texts = intake.data, intake.texts
    return Intake(
        complaint=texts.get("complaint", ""),
        condition=texts.get("condition", ""),
        left=texts.get("left", ""),
        consent=tuple(data.get("consent", ())),
        data_copy=data.get("data_copy"),
        limit=data.get("limit"),
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
    if known[number].kind is Happened.ERASED:
        raise MisuseError("What was erased is gone: an erasure cannot be taken back.")
    if number in ticket.gone:
        raise MisuseError(f"Entry {number} was taken back already.")
