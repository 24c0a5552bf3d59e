"""The kind "arrived"."""

from __future__ import annotations

from dataclasses import dataclass, replace

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Arrived(Entry, kind="arrived"):
    """The part of entry `order` is here."""

    order: int = value(limits.count)

    @property
    def words(self) -> str:
        return f"arrived: the part of entry {self.order}"

    def change(self, state: State, number: int, at: str) -> None:
        if self.order in state.parts:
            state.parts[self.order] = replace(state.parts[self.order], arrived_at=at)
