"""What a proposal would have people do otherwise: its advice on a shop's own last tickets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from faultfinder.consultation.ranking import questions
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.steps import Advised, Known, adviser, check_steps, telling
from faultfinder.model.parts import FaultModel
from faultfinder.tickets.ticket import Ticket

LAST = 50
"""Tickets looked at, the last that were closed."""


@dataclass(frozen=True)
class AdviceChange:
    """The first moment of a ticket at which the advice differs: after `seen` results, the last of
    them of the check `after` ("" before any at the bench)."""

    ticket: int
    seen: int
    after: str
    old: Advised
    new: Advised


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
    told = [adviser(telling(model, shop)) for model in (old, new)]
    for ticket in tickets:
        for after, known, stage in _moments(ticket, old.model):
            looked += 1
            was, now = (ask(known, stage) for ask in told)
            if was != now:
                seen = sum(result is not None for result in known.values())
                changes.append(AdviceChange(ticket.number, seen, after, was, now))
                break
    return ChangedAdvice(len(tickets), looked, tuple(changes))


def _names(compiled: CompiledModel) -> object:
    model = compiled.model
    variables = [(one.name, one.states) for one in model.variables]
    return [sorted(variables), sorted(model.checks_by_name), sorted(model.repairs_by_name)]


def _moments(ticket: Ticket, model: FaultModel) -> Iterator[tuple[str, Known, str]]:
    """Before each check and after the last: the check just made, what was known, the stage."""
    asked = questions(model)
    after, stage = "", model.start
    known: Known = {}
    for step in check_steps(ticket, model):
        if step.check not in asked and not step.at_intake:
            yield after, known, step.stage
            after = step.check
        known, stage = step.after, step.reached
    yield after, known, stage
