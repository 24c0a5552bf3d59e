"""The kind "judged"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, Titles, value, version
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Judged(Entry, kind="judged"):
    """A cause in a state, by the technician's own judgement: nothing proved it."""

    cause: str = value(limits.name)
    result: str = value(limits.name)
    model_version: str = version()

    @property
    def words(self) -> str:
        return f"own judgement, not proof: {self.cause}={self.result}"

    def change(self, state: State, number: int, at: str) -> None:
        state.judged[self.cause] = self.result

    def names(self) -> Iterator[tuple[str, str]]:
        yield "cause", self.cause

    def row(self, titles: Titles) -> tuple[str, str, str]:
        said = f"{titles.result(self.cause, self.result)} (own judgement, not proof)"
        return f"judged {self.cause}", titles.finding(self.cause), said
