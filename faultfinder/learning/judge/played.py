"""Tickets played again to the end: what the jobs would have cost under a model's advice.

A play begins with the complaint and the histories on the ticket, and follows the policy of
`faultfinder.consultation.consult` through checks and repairs until the machine goes out. A result
recorded on the ticket is used; what was never looked at comes from a machine drawn under a
reference model given the ticket (`faultfinder.learning.judge.completed`), and so does what a
repair changes. Whoever compares two models takes a reference that neither was tuned on.

Left out: looks for safety, which are made whenever their stage is reached.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.safety import stop_sentence
from faultfinder.decide.shop import Shop
from faultfinder.decide.simulation import simulate
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.judge.completed import complete_machines
from faultfinder.learning.judge.forecasts import check_same_structure
from faultfinder.learning.records import ClosedTicket, drawn
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind

FIGURES = ("money", "minutes", "needless", "wrong", "solved", "checks", "drawn")
"""Of a job: what it cost, comebacks and handing over included; bench time; dear parts fitted to
machines that had none of the causes they mend; repairs that mended nothing; 1 where the machine
left without a fault; checks made; and those of them with a result that is not on the ticket."""


@dataclass(frozen=True, eq=False)
class Played:
    """Tickets played under one model: `figures` by name, each of shape (tickets,); `in_vain` by
    repair how often it was made and mended nothing, likewise.

    `numbers` are the tickets. Left out are those whose findings and causes the reference holds
    impossible, or whose histories the model does, and those with a finding that ends the
    diagnosis for safety.
    """

    numbers: tuple[int, ...]
    figures: dict[str, Array] = field(repr=False)
    in_vain: dict[str, Array] = field(repr=False)


def play_tickets(
    compiled: CompiledModel,
    tickets: Sequence[ClosedTicket],
    reference: CompiledModel,
    *,
    shop: Shop | None = None,
    most: int = 500,
    seed: int = 0,
) -> Played:
    """Play tickets with a confirmed cause under a model.

    Of more than `most` tickets that many are drawn. The same seed draws the same tickets and
    machines whatever the model. Raises MisuseError when the models differ in structure or a
    ticket names what is not in them, and FaultfinderError for a model without repairs.
    """
    check_same_structure(reference, compiled)
    usable = [t for t in tickets if t.causes and not stop_sentence(reference.model, t.findings)]
    usable = drawn(usable, most, seed)
    machines = complete_machines(reference, usable, seed)
    possible = machines.possible.tolist()
    # Tickets with the same histories begin alike, and share decisions while they go alike.
    alike: dict[tuple[tuple[str, str], ...], list[int]] = defaultdict(list)
    histories = {variable.name for variable in compiled.model.of_kind(Kind.HISTORY)}
    for place, ticket in enumerate(usable):
        if possible[place]:
            known = {n: s for n, s in ticket.findings.items() if n in histories}
            alike[tuple(sorted(known.items()))].append(place)
    names = reference.network.names
    recorded = np.array([[n in t.findings for n in names] for t in usable], dtype=np.bool_)
    figures = {name: np.full(len(usable), np.nan) for name in FIGURES}
    in_vain: dict[str, Array] = {}
    played: list[int] = []
    for number, (pairs, places) in enumerate(alike.items()):
        try:
            told = consult(Case(compiled, dict(pairs), shop=shop or Shop()))
        except ImpossibleEvidence:
            continue
        played += places
        outcome = simulate(
            reference,
            told.problem,
            told.policy,
            told.case.terms,
            machines.states[places],
            np.random.default_rng((seed, number)),
            recorded[places],
        )
        for name in FIGURES:
            figures[name][places] = getattr(outcome, name)
        for repair, times in outcome.in_vain.items():
            in_vain.setdefault(repair, np.zeros(len(usable)))[places] = times
    played.sort()
    return Played(
        tuple(usable[place].number for place in played),
        {name: values[played] for name, values in figures.items()},
        {repair: times[played] for repair, times in in_vain.items()},
    )
