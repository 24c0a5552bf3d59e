"""The kind "proved"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Proved(Entry, kind="proved"):
    """What a proof test of the repair said."""

    test: str = value(limits.name)
    passed: bool = value(limits.flag)

    @property
    def words(self) -> str:
        return f"proof test {self.test}: {'passed' if self.passed else 'FAILED'}"

    def change(self, state: State, number: int, at: str) -> None:
        state.proofs[self.test] = self.passed
