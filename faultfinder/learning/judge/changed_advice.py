"""What a proposal would have people do otherwise: its advice on a shop's own last tickets."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.ranking import questions
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.watch.bench_habits import check_steps
from faultfinder.tickets.ticket import Ticket

LAST = 50
"""Tickets looked at, the last that were closed."""

STOP, IMPOSSIBLE = "stop", "impossible"
"""What is advised where the work ends for safety, and where a model holds the findings to be
impossible."""

Step = tuple[str, str]
"""What is advised: "check", "repair" and its name; or a word and ""."""


@dataclass(frozen=True)
class AdviceChange:
    """The first moment of a ticket at which the advice differs: after `seen` results, the last of
    them of the check `after` ("" before any at the bench)."""

    ticket: int
    seen: int
    after: str
    old: Step
    new: Step


@dataclass(frozen=True)
class ChangedAdvice:
    """`tickets` were looked at, at each of `moments` before a check was made and after the last; on
    those of `changes` the advice differs."""

    tickets: int
    moments: int
    changes: tuple[AdviceChange, ...]


def changed_advice(
    old: CompiledModel, new: CompiledModel, tickets: Sequence[Ticket], shop: Shop
) -> ChangedAdvice:
    """The advice of two models on closed tickets, along their logs up to the first repair.

    Tickets must be under the names of the new one. Where the other has other causes, findings,
    checks or repairs, none is looked at.
    """
    if _names(old) != _names(new):
        return ChangedAdvice(0, 0, ())
    looked = 0
    changes = []
    told = [_adviser(model, shop) for model in (old, new)]
    for ticket in tickets:
        for seen, after, moment in _moments(ticket, old):
            looked += 1
            was, now = (ask(*moment) for ask in told)
            if was != now:
                changes.append(AdviceChange(ticket.number, seen, after, was, now))
                break
    return ChangedAdvice(len(tickets), looked, tuple(changes))


def _names(compiled: CompiledModel) -> object:
    model = compiled.model
    variables = [(one.name, one.states) for one in model.variables]
    return [sorted(variables), sorted(model.checks_by_name), sorted(model.repairs_by_name)]


Known = tuple[tuple[str, str | None], ...]


def _moments(
    ticket: Ticket, compiled: CompiledModel
) -> Iterator[tuple[int, str, tuple[Known, str]]]:
    """How many results were known before each check and after the last, the check just made, and
    the state."""
    asked = questions(compiled.model)
    after, stage = "", compiled.model.start
    known: dict[str, str | None] = {}
    for step in check_steps(ticket, compiled.model):
        if step.check not in asked and not step.at_intake:
            yield _state(known, after, step.stage)
            after = step.check
        known = {**step.after, **dict.fromkeys(sorted(step.unclear_after))}
        stage = step.reached
    yield _state(known, after, stage)


def _state(
    known: dict[str, str | None], after: str, stage: str
) -> tuple[int, str, tuple[Known, str]]:
    seen = sum(result is not None for result in known.values())
    return seen, after, (tuple(sorted(known.items())), stage)


def _adviser(model: CompiledModel, shop: Shop) -> Callable[[Known, str], Step]:
    @cache
    def ask(known: Known, stage: str) -> Step:
        place = stage if stage in model.model.stages_by_name else model.model.start
        try:
            step = consult(Case(model, dict(known), place, shop=shop)).next_step
        except ImpossibleEvidence:
            return IMPOSSIBLE, ""
        return (STOP, "") if step is None else (step.kind, step.name)

    return ask
