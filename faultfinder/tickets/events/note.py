"""The kind "note"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import ERASED_TEXT, Entry, text, value
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Note(Entry, kind="note"):
    """A note; with `hand_over` for whoever goes on."""

    note: str = text()
    hand_over: bool = value(limits.flag, False)

    @property
    def words(self) -> str:
        return f"{'hand-over note' if self.hand_over else 'note'}: {self.note or ERASED_TEXT}"

    def change(self, state: State, number: int, at: str) -> None:
        if self.hand_over:
            state.hand_over = number
