"""What the times in a log say: the minutes between two entries, and what was done in them.

A log has a time for each entry, the end of what it tells. Entries typed within half a minute of
one another are one: what was done in them shares the time before the first. A time is left out
where it cannot be work on the machine: before the first entry of whoever writes, over a night,
after anything but work, and where something was taken back. Where somebody said at closing how
long the job took at the bench, that is its time, and those of the log tell nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from faultfinder.consultation.ranking import questions
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.steps import home_checks
from faultfinder.tickets.events import Event, Found, Moved, Proved, Repaired, TakenBack, Tried
from faultfinder.tickets.ticket import Ticket

TOGETHER = 0.5
"""Minutes within which entries were typed at once."""

Item = tuple[str, ...]
"""Something that takes time: ("check", name), ("move", from, to), ("repair", name), ("retest",),
("proof", name) or STEP."""

STEP: Item = ("step",)
"""What each step takes besides its work: turning to the machine, asking, writing down."""


@dataclass(frozen=True)
class Span:
    """`minutes` in which `items` were done on a ticket, each once or more; `said` by somebody
    rather than read from the log."""

    minutes: float
    items: tuple[Item, ...]
    said: bool = False


@dataclass(frozen=True)
class JobTime:
    """A job's minutes by its log, `spans` of work; `untimed` is what was done at times that
    cannot be told. It was `left` in that stage."""

    spans: tuple[Span, ...]
    untimed: tuple[Item, ...]
    left: str


def file_minutes(compiled: CompiledModel, handling: float) -> dict[Item, float]:
    """What the model says each item takes; `handling` is the shop's, for a step."""
    model = compiled.model
    found: dict[Item, float] = {STEP: handling}
    found |= {("check", check.name): check.minutes for check in model.checks}
    found |= {("repair", repair.name): repair.minutes for repair in model.repairs}
    found |= {("move", move.start, move.end): move.minutes for move in model.moves}
    found |= {("proof", proof.name): proof.minutes for proof in model.proofs}
    if model.retest is not None:
        found["retest",] = model.retest.minutes
    return found


def job_time(ticket: Ticket, compiled: CompiledModel) -> JobTime:
    """The times of one ticket; one span where somebody said at closing how long it took."""
    left = compiled.model.start
    if ticket.bench_minutes is not None:
        steps = [(STEP, *items) for _, items in _groups(ticket, compiled, 0.0) if items]
        done = tuple(item for step in steps for item in step)
        spans_said = (Span(ticket.bench_minutes, done, said=True),)
        return JobTime(spans_said if done else (), (), _end(done, left))
    spans: list[Span] = []
    untimed: list[Item] = []
    last: Event | None = None
    for group, items in _groups(ticket, compiled):
        first, end = group[0], group[-1]
        left = _end(items, left)
        if items:
            minutes = None if last is None else _between(last, first)
            if minutes is None:
                untimed += items
            else:
                spans.append(Span(minutes, (STEP, *items)))
        # What comes after anything but work waited for something.
        last = end if items else None
    return JobTime(tuple(spans), tuple(untimed), left)


def _end(items: Sequence[Item], begun: str) -> str:
    """The stage in which what begins in a stage ends."""
    return next((item[2] for item in reversed(items) if item[0] == "move"), begun)


def _groups(
    ticket: Ticket, compiled: CompiledModel, together: float = TOGETHER
) -> Iterator[tuple[list[Event], tuple[Item, ...]]]:
    """Entries typed at once (within `together` minutes), with what was done in them."""
    model = compiled.model
    homes = home_checks(model)
    asked = questions(model)
    here = model.start
    known: set[str] = set()
    group: list[Event] = []
    items: list[Item] = []

    def go(stage: str) -> None:
        nonlocal here
        route = compiled.routes.get((here, stage))
        if route is not None:
            items.extend(("move", move.start, move.end) for move in route.moves)
            here = stage

    for event in ticket.counting():
        if group and not _at_once(group[-1], event, together):
            yield group, tuple(items)
            group, items = [], []
        group.append(event)
        entry = event.entry
        if isinstance(entry, Moved):
            go(entry.stage)
        elif isinstance(entry, Found) and entry.finding in homes:
            check = model.checks_by_name[homes[entry.finding]]
            done: Item = ("check", check.name)
            # A check whose results stand one by one is made once.
            if check.name not in asked and done not in items and entry.finding not in known:
                go(check.stage)
                items.append(done)
            known.update(check.observes)
        elif isinstance(entry, Tried | Repaired) and entry.repair in model.repairs_by_name:
            repair = model.repairs_by_name[entry.repair]
            if repair.hand_over:
                here = entry.stage if entry.stage in model.stages_by_name else here
                continue
            go(repair.stage)
            items.append(("repair", repair.name))
            go(entry.stage)
            if model.retest is not None:
                items.append(("retest",))
            known.clear()
        elif isinstance(entry, Proved) and any(p.name == entry.test for p in model.proofs):
            items.append(("proof", entry.test))
    if group:
        yield group, tuple(items)


def _minutes(one: Event, other: Event) -> float:
    then, now = (datetime.fromisoformat(event.at) for event in (one, other))
    return (now - then).total_seconds() / 60.0


def _at_once(one: Event, other: Event, together: float) -> bool:
    return one.who == other.who and 0.0 <= _minutes(one, other) <= together


def _between(last: Event, first: Event) -> float | None:
    """Minutes of work between two entries; None where they are no time of work."""
    if last.who != first.who or last.at[:10] != first.at[:10]:
        return None
    if isinstance(first.entry, TakenBack) or isinstance(last.entry, TakenBack):
        return None
    minutes = _minutes(last, first)
    return minutes if minutes > 0.0 else None
