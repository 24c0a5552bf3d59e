"""What a ticket's log adds up to while it is read, entry by entry."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Part:
    """A part on order: `entry` is the number of the event that ordered it."""

    entry: int
    what: str
    repair: str | None
    price: float | None
    due: str | None
    ordered_at: str
    arrived_at: str | None = None


@dataclass(frozen=True)
class Hold:
    """Why work rests: whom it waits for, and in whose words."""

    entry: int
    waiting_for: str
    why: str
    since: str


@dataclass
class State:
    """Changed by each event that counts; lives only while a log is folded.

    `tried` are the repairs that did not cure, each with what was found after it. `hand_over` is
    the number of the last hand-over note, `agreed` what was agreed to after intake, `judged` the
    causes named without proof, each with its state.
    """

    version: str = ""
    person: dict[str, str] = field(default_factory=dict)
    findings: dict[str, str | None] = field(default_factory=dict)
    judged: dict[str, str] = field(default_factory=dict)
    tried: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    agreed: dict[str, Any] = field(default_factory=dict)
    stage: str | None = None
    repaired: str | None = None
    proofs: dict[str, bool] = field(default_factory=dict)
    parts: dict[int, Part] = field(default_factory=dict)
    hold: Hold | None = None
    hand_over: int | None = None
    outcome: str = ""
    causes: tuple[str, ...] = ()
    closed_at: str | None = None
    bench_minutes: float | None = None
    billed: float | None = None
