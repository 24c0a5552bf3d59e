"""Tickets played again: how soon checks in a model's own order lead to the confirmed cause.

A play starts from the complaint and the histories on the ticket, and makes the check with
most bits per cost while one is worth its cost (`OneStep`). A result recorded on the ticket
is used; others come from a machine drawn under a reference model given the ticket
(`faultfinder.learning.judge.completed`). The reference decides what was never looked at, so a
model like it is flattered: see how many checks were drawn, and try another reference.

Left out of minutes: questions at the counter, looks for safety (made whenever their stage
is reached), repairs, and closing up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from faultfinder.assess.share_interval import wilson
from faultfinder.consultation.bench import build_problem
from faultfinder.consultation.next_check import stop_sentence
from faultfinder.decide.policies.planners import OneStep, Situation, start
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence, MisuseError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.judge.completed import complete_machines
from faultfinder.learning.judge.forecasts import check_same_structure
from faultfinder.learning.judge.paired import RESAMPLES, Difference, paired_difference
from faultfinder.learning.judge.scores import Ints
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind


class Ended(StrEnum):
    """Why a play ended."""

    SURE = "the leading cause passed the threshold"
    NOTHING_WORTH = "no check is worth its cost"
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
    comparable: use `compare_plays`.
    """

    plays: tuple[PlayedTicket, ...]
    set_aside: tuple[int, ...]
    stopped: tuple[int, ...]
    without_cause: int

    @property
    def successes(self) -> int:
        """How many plays ended with a confirmed cause leading."""
        return sum(play.success for play in self.plays)

    @property
    def success_interval(self) -> tuple[float, float]:
        """Wilson's 95 % interval of the share of successes."""
        return wilson(self.successes, len(self.plays))

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
) -> Played:
    """Play tickets with a confirmed cause under a model.

    A play ends once the leading cause is believed with `sure` or more, no check is worth
    its cost, or `limit` checks were made. Of more than `most` tickets that many are drawn.
    The same seed draws the same tickets and machines whatever the model. Raises MisuseError
    when the models differ in structure or a ticket names what is not in them, and
    FaultfinderError for a model without repairs.
    """
    check_same_structure(reference, compiled)
    named = [ticket for ticket in tickets if ticket.causes]
    stopping = {t.number for t in named if stop_sentence(reference, t.findings)}
    usable = [ticket for ticket in named if ticket.number not in stopping]
    if most is not None and len(usable) > most:
        chosen = np.random.default_rng(seed).choice(len(usable), size=most, replace=False)
        usable = [usable[i] for i in np.sort(chosen).tolist()]
    machines = complete_machines(reference, usable, seed)
    table = _Table(compiled, reference, shop or Shop(), sure, limit)
    plays, aside = [], []
    for ticket, machine, possible in zip(
        usable, machines.states, machines.possible.tolist(), strict=True
    ):
        if possible:
            plays.append(table.play(ticket, machine))
        else:
            aside.append(ticket.number)
    return Played(tuple(plays), tuple(aside), tuple(sorted(stopping)), len(tickets) - len(named))


def compare_plays(
    old: Played, new: Played, *, seed: int = 0, resamples: int = RESAMPLES
) -> dict[str, Difference]:
    """New minus old over the same tickets.

    "checks", "minutes" and "success" over all tickets; "checks_both" and "minutes_both" over
    those on which both ended with a confirmed cause leading (left out when fewer than two).
    Raises MisuseError when the tickets differ or there are fewer than two.
    """
    if [play.number for play in old.plays] != [play.number for play in new.plays]:
        raise MisuseError(
            "The two plays are of different tickets: play both with the same tickets, reference "
            "model and seed."
        )

    def column(played: Played, figure: str) -> Array:
        return np.array([float(getattr(play, figure)) for play in played.plays])

    both = (column(old, "success") > 0.0) & (column(new, "success") > 0.0)
    found = {
        figure: paired_difference(
            column(old, figure), column(new, figure), seed=seed, resamples=resamples
        )
        for figure in ("checks", "minutes", "success")
    }
    if both.sum() >= 2:
        for figure in ("checks", "minutes"):
            found[f"{figure}_both"] = paired_difference(
                column(old, figure)[both], column(new, figure)[both], seed=seed, resamples=resamples
            )
    return found


@dataclass
class _Table:
    """Plays tickets under one model, and keeps the problem for each set of histories."""

    compiled: CompiledModel
    reference: CompiledModel
    shop: Shop
    sure: float
    limit: int

    def __post_init__(self) -> None:
        self.histories = {v.name for v in self.compiled.model.of_kind(Kind.HISTORY)}
        self.kept: dict[frozenset[tuple[str, str]], tuple[OneStep, Array] | None] = {}

    def play(self, ticket: ClosedTicket, machine: Ints) -> PlayedTicket:
        began = self._begin(ticket)
        if began is None:
            return PlayedTicket(ticket.number, 0, 0, 0.0, "", 0.0, False, Ended.CONTRADICTION)
        planner, present = began
        problem, compiled = planner.problem, self.compiled
        situation = start(problem)
        order: list[str] = []
        drawn, minutes = 0, 0.0
        while True:
            chances = situation.weights @ present
            leading = int(chances.argmax())
            if chances[leading] >= self.sure:
                ended = Ended.SURE
                break
            if len(order) >= self.limit:
                ended = Ended.TOO_MANY
                break
            action = planner.decide(situation)
            if action.kind != "check":
                ended = Ended.NOTHING_WORTH
                break
            check = problem.checks[action.number]
            order.append(check.name)
            drawn += any(name not in ticket.findings for name in check.findings)
            way = compiled.routes[problem.stages[situation.stage], problem.stages[check.stage]]
            minutes += way.minutes + compiled.model.checks_by_name[check.name].minutes
            weights = check.likelihood[self._result(check.findings, machine)] * situation.weights
            total = float(weights.sum())
            if total <= 0.0:
                ended = Ended.CONTRADICTION
                break
            checked = situation.checked | {action.number}
            situation = Situation(weights / total, check.stage, checked)
        name = problem.causes[leading]
        return PlayedTicket(
            number=ticket.number,
            checks=len(order),
            drawn=drawn,
            minutes=minutes,
            leading=name,
            probability=float(chances[leading]),
            success=ended is not Ended.CONTRADICTION and name in (ticket.causes or ()),
            ended=ended,
            order=tuple(order),
        )

    def _begin(self, ticket: ClosedTicket) -> tuple[OneStep, Array] | None:
        """The planner for the ticket's histories, and where each scenario has each cause."""
        known = {n: s for n, s in sorted(ticket.findings.items()) if n in self.histories}
        key = frozenset(known.items())
        if key not in self.kept:
            try:
                problem = build_problem(self.compiled, known, shop=self.shop)
                planner = OneStep(problem, self.shop.worth_per_bit)
                self.kept[key] = (planner, self._present(problem))
            except ImpossibleEvidence:
                self.kept[key] = None
        return self.kept[key]

    def _present(self, problem: Problem) -> Array:
        """1 where a scenario has a cause in a faulty state: shape (scenarios, causes)."""
        model = self.compiled.model
        present = np.zeros(problem.scenarios.shape)
        for place, name in enumerate(problem.causes):
            states = model.by_name[name].states
            faulty = [states.index(state) for state in model.faulty_states(name)]
            present[:, place] = np.isin(problem.scenarios[:, place], faulty)
        return present

    def _result(self, findings: Sequence[str], machine: Ints) -> int:
        """The joint result of a check on a machine, the last finding varying fastest."""
        network = self.reference.network
        result = 0
        for name in findings:
            number = network.index[name]
            result = result * network.cards[number] + int(machine[number])
        return result
