"""The kind "remodelled"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Remodelled(Entry, kind="remodelled"):
    """The ticket goes by another version of its model from here."""

    version: str = value(limits.name, key="model")

    @property
    def words(self) -> str:
        return f"goes by model version {self.version} now"

    def change(self, state: State, number: int, at: str) -> None:
        state.version = self.version
