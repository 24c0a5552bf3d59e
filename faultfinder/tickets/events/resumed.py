"""The kind "resumed"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets.events.entry import Entry
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Resumed(Entry, kind="resumed"):
    """Work goes on."""

    @property
    def words(self) -> str:
        return "resumed"

    def change(self, state: State, number: int, at: str) -> None:
        state.hold = None
