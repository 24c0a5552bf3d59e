"""The kind "closed"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, value, version
from faultfinder.tickets.limits import BadValue
from faultfinder.tickets.state import State


class Outcome(StrEnum):
    """How a ticket ends."""

    REPAIRED = "repaired"
    NOT_ESTABLISHED = "not established"
    DECLINED = "customer declined"
    UNECONOMIC = "uneconomic"
    NONE_OF_THESE = "none of these"
    """Every cause that the model lists was ruled out."""


@dataclass(frozen=True)
class Closed(Entry, kind="closed"):
    """How it ended, with the causes that were confirmed."""

    outcome: str = value(limits.one_of(tuple(Outcome)))
    causes: tuple[str, ...] = value(limits.several(limits.name))
    model_version: str = version()
    without_proof: bool = value(limits.flag, False)
    bench_minutes: float | None = value(limits.maybe(limits.minutes), None)
    """Bench time of the whole job, where somebody said it."""
    billed: float | None = value(limits.maybe(limits.amount), None)
    """What the customer was to pay, where somebody wrote it down; 0 where nothing was."""

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.outcome == Outcome.REPAIRED and not self.causes:
            raise BadValue("causes", "is empty. A repaired machine has a confirmed cause.")
        if self.outcome == Outcome.NONE_OF_THESE and self.causes:
            raise BadValue("causes", "names some, and none of these was the outcome.")

    @property
    def words(self) -> str:
        causes = f" ({', '.join(self.causes)})" if self.causes else ""
        unproved = ", not all proved" if self.without_proof else ""
        took = "" if self.bench_minutes is None else f", {self.bench_minutes:g} min at the bench"
        bill = "" if self.billed is None else f", billed {self.billed:.2f}"
        return f"closed: {self.outcome}{causes}{unproved}{took}{bill}"

    def change(self, state: State, number: int, at: str) -> None:
        state.outcome, state.causes, state.closed_at = self.outcome, self.causes, at
        state.bench_minutes, state.billed = self.bench_minutes, self.billed

    def names(self) -> Iterator[tuple[str, str]]:
        return (("cause", cause) for cause in self.causes)
