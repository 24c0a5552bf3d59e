"""The kind "tried"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, Titles, value, version
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class MadeRepair(Entry):
    """A repair, and the stage in which the machine is looked at afterwards."""

    repair: str = value(limits.name)
    stage: str = value(limits.name)
    model_version: str = version()

    said: ClassVar[str] = ""

    def names(self) -> Iterator[tuple[str, str]]:
        yield "repair", self.repair
        yield "stage", self.stage

    def row(self, titles: Titles) -> tuple[str, str, str]:
        return "", titles.repair(self.repair), self.said


@dataclass(frozen=True)
class Tried(MadeRepair, kind="tried"):
    """A repair that did not cure."""

    said = "tried; it did not cure"

    @property
    def words(self) -> str:
        return f"tried {self.repair}, which did not cure"

    def change(self, state: State, number: int, at: str) -> None:
        state.tried.append((self.repair, {}))
        state.stage = self.stage
        state.repaired, state.proofs = None, {}
