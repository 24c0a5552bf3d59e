"""The kind "found"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, Titles, value, version
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Found(Entry, kind="found"):
    """A result, or None when it could not be told."""

    finding: str = value(limits.name)
    result: str | None = value(limits.maybe(limits.name))
    model_version: str = version()

    @property
    def words(self) -> str:
        return f"found {self.finding}={self.result or 'unknown'}"

    def change(self, state: State, number: int, at: str) -> None:
        # After a repair that did not cure it speaks of the machine as it is.
        place = state.tried[-1][1] if state.tried else state.findings
        place[self.finding] = self.result

    def names(self) -> Iterator[tuple[str, str]]:
        yield "finding", self.finding
        if self.result is not None:
            yield "result", f"{self.finding}={self.result}"

    def row(self, titles: Titles) -> tuple[str, str, str]:
        said = titles.result(self.finding, self.result)
        return self.finding, titles.finding(self.finding), said
