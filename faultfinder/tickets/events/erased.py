"""The kind "erased"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value


@dataclass(frozen=True)
class Erased(Entry, kind="erased"):
    """What was personal, or every text, was deleted for good."""

    all_texts: bool = value(limits.flag)

    why_it_stays = "What was erased is gone: an erasure cannot be taken back."

    @property
    def words(self) -> str:
        return f"erased {'all texts' if self.all_texts else 'what was personal'}"
