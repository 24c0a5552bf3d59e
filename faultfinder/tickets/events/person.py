"""The kind "person"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets.events.entry import ERASED_TEXT, Entry, text
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Person(Entry, kind="person"):
    """Who brought it, and which machine it is, written down after intake."""

    customer: str = text()
    contact: str = text()
    serial: str = text()

    @property
    def words(self) -> str:
        return f"written down: {', '.join(self.as_texts()) or ERASED_TEXT}"

    def change(self, state: State, number: int, at: str) -> None:
        state.person |= self.as_texts()
