"""Tickets played again: how soon checks in a model's own order lead to the confirmed cause.

A play starts from the complaint and the histories on the ticket, and makes the checks that
are advised (`faultfinder.consultation.consult`). A result recorded on the ticket is used;
others come from a machine drawn under a reference model given the ticket
(`faultfinder.learning.judge.completed`). The reference decides what was never looked at, so a
model like it is flattered: see how many checks were drawn, and try another reference.

Left out of minutes: questions at the counter, looks for safety (made whenever their stage
is reached), repairs, and closing up.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from faultfinder.consultation.case import Case
from faultfinder.consultation.causes import causes_given
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.consultation.safety import stop_sentence
from faultfinder.decide.policies import DEFAULT
from faultfinder.decide.shop import Shop
from faultfinder.decide.simulation import Drawn
from faultfinder.decide.situation import Situation
from faultfinder.decide.walk import walk
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.judge.completed import complete_machines
from faultfinder.learning.judge.forecasts import check_same_structure
from faultfinder.learning.judge.scores import Ints
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Kind


class Ended(StrEnum):
    """Why a play ended."""

    SURE = "the leading cause passed the threshold"
    NOTHING_WORTH = "no check is advised"
    TOO_MANY = "the limit on checks was reached"
    CONTRADICTION = "the model holds a result to be impossible"


@dataclass(frozen=True)
class PlayedTicket:
    """One ticket played again.

    `checks` were made, in `minutes` with the ways between stages; in `drawn` of them some
    result was not on the ticket. `leading` is the most likely cause at the end, with
    `probability`; `success` tells whether it is a confirmed one.
    """

    number: int
    checks: int
    drawn: int
    minutes: float
    leading: str
    probability: float
    success: bool
    ended: Ended
    order: tuple[str, ...] = field(repr=False, default=())


@dataclass(frozen=True)
class Played:
    """All tickets played under one model; means over `plays`, and over the successful ones.

    `set_aside` are the tickets, by number, whose findings and causes the reference holds
    impossible, `stopped` those with a finding that ends the diagnosis for safety, and
    `without_cause` counts the ones with no confirmed cause. The means over successes are
    NaN without a success; where two models succeed on different tickets they are not
    comparable.
    """

    plays: tuple[PlayedTicket, ...]
    set_aside: tuple[int, ...]
    stopped: tuple[int, ...]
    without_cause: int

    @property
    def successes(self) -> int:
        """How many plays ended with a confirmed cause leading."""
        return sum(play.success for play in self.plays)

    def mean(self, figure: str, successes_only: bool = False) -> float:
        """The mean of "checks", "drawn", "minutes" or "success"; NaN without plays."""
        values = [float(getattr(p, figure)) for p in self.plays if p.success or not successes_only]
        return float(np.mean(values)) if values else float("nan")


def play_tickets(
    compiled: CompiledModel,
    tickets: Sequence[ClosedTicket],
    reference: CompiledModel,
    *,
    shop: Shop | None = None,
    sure: float = 0.9,
    limit: int = 25,
    most: int | None = 500,
    seed: int = 0,
    policy: str = DEFAULT,
) -> Played:
    """Play tickets with a confirmed cause under a model.

    A play ends once the leading cause is believed with `sure` or more, no check is advised,
    or `limit` checks were made. Of more than `most` tickets that many are drawn.
    The same seed draws the same tickets and machines whatever the model. Raises MisuseError
    when the models differ in structure or a ticket names what is not in them, and
    FaultfinderError for a model without repairs.
    """
    check_same_structure(reference, compiled)
    named = [ticket for ticket in tickets if ticket.causes]
    stopping = {t.number for t in named if stop_sentence(reference.model, t.findings)}
    usable = [ticket for ticket in named if ticket.number not in stopping]
    if most is not None and len(usable) > most:
        chosen = np.random.default_rng(seed).choice(len(usable), size=most, replace=False)
        usable = [usable[i] for i in np.sort(chosen).tolist()]
    machines = complete_machines(reference, usable, seed)
    possible = machines.possible.tolist()
    aside = tuple(t.number for t, fits in zip(usable, possible, strict=True) if not fits)
    # Tickets with the same histories begin alike, and share decisions while they go alike.
    alike: dict[tuple[tuple[str, str], ...], list[int]] = defaultdict(list)
    histories = {variable.name for variable in compiled.model.of_kind(Kind.HISTORY)}
    for place, ticket in enumerate(usable):
        if possible[place]:
            known = {n: s for n, s in ticket.findings.items() if n in histories}
            alike[tuple(sorted(known.items()))].append(place)
    plays: dict[int, PlayedTicket] = {}
    for pairs, places in alike.items():
        case = Case(compiled, dict(pairs), shop=shop or Shop())
        try:
            told = consult(case, policy=policy)
        except ImpossibleEvidence:
            for place in places:
                plays[place] = PlayedTicket(
                    usable[place].number, 0, 0, 0.0, "", 0.0, False, Ended.CONTRADICTION
                )
            continue
        some = [usable[place] for place in places]
        played = _play(told, some, machines.states[places], reference, sure, limit)
        plays.update(zip(places, played, strict=True))
    return Played(
        tuple(plays[place] for place in sorted(plays)),
        aside,
        tuple(sorted(stopping)),
        len(tickets) - len(named),
    )


def _play(
    told: Consultation,
    tickets: Sequence[ClosedTicket],
    states: Ints,
    reference: CompiledModel,
    sure: float,
    limit: int,
) -> list[PlayedTicket]:
    """Play tickets that begin with the same consultation; `states` are their machines."""
    problem, compiled = told.problem, told.case.model
    machines = Drawn(reference, problem, states, np.random.default_rng(0))
    network = reference.network

    def leader(situation: Situation, group: Ints) -> tuple[str, float]:
        """The most likely cause where a group stands, exactly."""
        known = told.case.findings
        for check in situation.checked:
            for name in problem.checks[check].findings:
                number = network.index[name]
                known[name] = network.states[number][int(states[group[0], number])]
        return next(iter(causes_given(compiled, known).items()))

    def until(situation: Situation, group: Ints) -> str:
        if leader(situation, group)[1] >= sure:
            return Ended.SURE
        return Ended.TOO_MANY if len(situation.checked) >= limit else ""

    orders: list[list[str]] = [[] for _ in tickets]
    minutes, drawn = [0.0] * len(tickets), [0] * len(tickets)
    plays: dict[int, PlayedTicket] = {}

    def end(situation: Situation, group: Ints, ended: Ended) -> None:
        leading, chance = leader(situation, group)
        for place in group.tolist():
            ticket = tickets[place]
            found = ended is not Ended.CONTRADICTION and leading in (ticket.causes or ())
            plays[place] = PlayedTicket(
                number=ticket.number,
                checks=len(orders[place]),
                drawn=drawn[place],
                minutes=minutes[place],
                leading=leading,
                probability=chance,
                success=found,
                ended=ended,
                order=tuple(orders[place]),
            )

    for step in walk(problem, told.policy, machines, until=until, checks_only=True):
        if step.action.kind != "check":
            reason = Ended(step.why) if step.action.kind == "stop" else Ended.NOTHING_WORTH
            end(step.situation, step.group, reason)
            continue
        check = problem.checks[step.action.number]
        way = compiled.routes[problem.stages[step.situation.stage], problem.stages[check.stage]]
        taken = way.minutes + compiled.model.checks_by_name[check.name].minutes
        for place in step.group.tolist():
            orders[place].append(check.name)
            minutes[place] += taken
            drawn[place] += any(name not in tickets[place].findings for name in check.findings)
        for one in step.ways:
            if one.then is None:
                end(step.situation, one.group, Ended.CONTRADICTION)
    return [plays[place] for place in range(len(tickets))]
