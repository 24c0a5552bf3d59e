"""The kind "moved"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value, version
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Moved(Entry, kind="moved"):
    """The machine was taken apart or put together as far as a stage."""

    stage: str = value(limits.name)
    model_version: str = version()

    @property
    def words(self) -> str:
        return f"stage now {self.stage}"

    def change(self, state: State, number: int, at: str) -> None:
        state.stage = self.stage

    def names(self) -> Iterator[tuple[str, str]]:
        yield "stage", self.stage
