"""The kind "ordered"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import ERASED_TEXT, Entry, text, value
from faultfinder.tickets.state import Part, State


@dataclass(frozen=True)
class Ordered(Entry, kind="ordered"):
    """A part, in somebody's words, is on order; the ticket waits for it."""

    part: str = text()
    repair: str | None = value(limits.maybe(limits.name), None)
    price: float | None = value(limits.maybe(limits.amount), None)
    due: str | None = value(limits.maybe(limits.day), None)

    @property
    def words(self) -> str:
        due = f", due {self.due}" if self.due else ""
        purpose = f" for {self.repair}" if self.repair else ""
        return f"ordered {self.part or ERASED_TEXT}{purpose}{due}"

    def change(self, state: State, number: int, at: str) -> None:
        state.parts[number] = Part(number, self.part, self.repair, self.price, self.due, at)
