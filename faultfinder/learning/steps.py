"""What a log says was done, as steps, and what was advised there.

Entries taken back are left out. Findings after a first repair judge another machine than those
before it, so checks are followed up to there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from typing import TypeVar

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.parts import FaultModel
from faultfinder.tickets.events import Event, Found, Moved, Repaired, Tried
from faultfinder.tickets.ticket import Ticket

T = TypeVar("T")

STOP, IMPOSSIBLE = "stop", "impossible"
"""What is advised where the work ends for safety, and where a model holds the findings to be
impossible."""

Known = dict[str, str | None]
"""Findings with their results; None for what could not be told."""

Advised = tuple[str, str]
"""What is advised: "check", "repair" and its name; or a word and ""."""


@dataclass(frozen=True)
class Step:
    """A check as the log has it: what was known before and after, in which `stage` the machine was
    and which one was `reached` for it; `at_intake` tells that it was written down with the
    intake."""

    check: str
    who: str
    before: Known
    after: Known
    stage: str
    reached: str
    at_intake: bool


def home_checks(model: FaultModel) -> dict[str, str]:
    """The check that observes each finding: the first that the model lists."""
    homes: dict[str, str] = {}
    for check in model.checks:
        for name in check.observes:
            homes.setdefault(name, check.name)
    return homes


def check_of(made: Found, homes: Mapping[str, str], model: FaultModel) -> str | None:
    """The check a result belongs to; None when the name or the result is not the model's."""
    name, result = made.finding, made.result
    if name not in homes or (result is not None and result not in model.by_name[name].states):
        return None
    return homes[name]


def before_repair(ticket: Ticket) -> Iterator[Event]:
    """The entries up to the first repair."""
    for event in ticket.counting():
        if isinstance(event.entry, Tried | Repaired):
            return
        yield event


def check_steps(ticket: Ticket, model: FaultModel) -> Iterator[Step]:
    """The checks of a ticket in turn, up to the first repair."""
    homes = home_checks(model)
    stage = here = model.start
    rows: list[tuple[str, Found, str, str, bool]] = []
    for event in before_repair(ticket):
        if isinstance(event.entry, Moved):
            here = event.entry.stage
        elif isinstance(event.entry, Found):
            check = check_of(event.entry, homes, model)
            if check is not None:
                at_intake = event.at == ticket.opened_at
                rows.append((check, event.entry, event.who, here, at_intake))
    known: Known = {}
    for check, run in groupby(rows, key=lambda row: row[0]):
        before = dict(known)
        who, reached, counter = "", stage, True
        for _, made, by, place, at_intake in run:
            counter &= at_intake
            known[made.finding] = made.result
            who, reached = who or by, place
        yield Step(check, who, before, dict(known), stage, reached, counter)
        stage = reached


def repairs_made(ticket: Ticket) -> list[tuple[str, bool]]:
    """Each repair of a job in turn, and whether it cured."""
    made: list[tuple[str, bool]] = []
    for event in ticket.counting():
        if isinstance(event.entry, Tried | Repaired):
            name, cured = event.entry.repair, isinstance(event.entry, Repaired)
            if made and made[-1] == (name, True):
                # The picture came back and went again, or was entered twice.
                made.pop()
            made.append((name, cured))
    return made


At = Callable[[Known, str], T]
"""Something at a moment in a log, by what is known and the stage."""


def once(work: At[T], most: int | None = None) -> At[T]:
    """The same, each moment worked out once (with `most`: while it is among so many last ones)."""

    @lru_cache(most)
    def found(known: tuple[tuple[str, str | None], ...], stage: str) -> T:
        return work(dict(known), stage)

    return lambda known, stage: found(tuple(sorted(known.items())), stage)


Told = At[Consultation | None]
"""What is to be said at a moment; None where the findings are impossible."""


def telling(compiled: CompiledModel, shop: Shop) -> Told:
    """The consultation at a moment in a log; a stage that the model does not have counts as the
    first. The last few are kept: where a machine stands after a check it stands before the next."""
    stages, start = compiled.model.stages_by_name, compiled.model.start

    def tell(known: Known, stage: str) -> Consultation | None:
        try:
            return consult(Case(compiled, known, stage if stage in stages else start, shop=shop))
        except ImpossibleEvidence:
            return None

    return once(tell, most=4)


def adviser(tell: Told) -> At[Advised]:
    """What is advised at a moment."""

    def ask(known: Known, stage: str) -> Advised:
        told = tell(known, stage)
        if told is None:
            return IMPOSSIBLE, ""
        step = told.next_step
        return (STOP, "") if step is None else (step.kind, step.name)

    return once(ask)
