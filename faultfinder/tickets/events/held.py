"""The kind "held"."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, text, value
from faultfinder.tickets.state import Hold, State


class Waiting(StrEnum):
    """Whom a ticket on hold waits for."""

    CUSTOMER = "customer"
    APPROVAL = "approval"
    SPECIALIST = "specialist"
    OTHER = "other"


@dataclass(frozen=True)
class Held(Entry, kind="held"):
    """Work rests until somebody has answered."""

    waiting_for: str = value(limits.one_of(tuple(Waiting)), key="for")
    why: str = text()

    @property
    def words(self) -> str:
        return f"on hold, waits for {self.waiting_for}{f': {self.why}' if self.why else ''}"

    def change(self, state: State, number: int, at: str) -> None:
        state.hold = Hold(number, self.waiting_for, self.why, at)
