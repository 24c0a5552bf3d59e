"""The kind "taken back"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value


@dataclass(frozen=True)
class TakenBack(Entry, kind="taken back"):
    """An earlier entry does not count any more."""

    entry: int = value(limits.count, key="event")

    @property
    def words(self) -> str:
        return f"took back entry {self.entry}"
