"""Closed tickets drawn from a model, with results left out at random; invented data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import FaultModel, Kind, Row, Table
from tests.drawn_machines import draw_machines


def drawn_tickets(
    compiled: CompiledModel, count: int, seed: int, recorded: float = 0.6
) -> list[ClosedTicket]:
    """Tickets numbered from 1, closed an hour apart; each result recorded with that chance."""
    rng = np.random.default_rng(seed)
    network, model = compiled.network, compiled.model
    seen = [
        network.index[v.name] for v in model.variables if v.kind in (Kind.FINDING, Kind.HISTORY)
    ]
    tickets = []
    for number, machine in enumerate(draw_machines(compiled, count, rng), 1):
        kept = [v for v in seen if rng.random() < recorded]
        tickets.append(
            ClosedTicket(
                number,
                f"2024-{1 + number // 672 % 12:02d}-{1 + number // 24 % 28:02d}"
                f"T{number % 24:02d}:00:00Z",
                {network.names[v]: network.states[v][machine[v]] for v in kept},
                tuple(
                    network.names[c]
                    for c in compiled.causes
                    if network.states[c][machine[c]] in model.faulty_states(network.names[c])
                ),
            )
        )
    return tickets


def with_rate(model: FaultModel, variable: str, *gives: float) -> CompiledModel:
    """The model with another base rate of one variable without parents."""
    return compile_model(
        replace(
            model,
            variables=tuple(
                replace(v, distribution=Table((), (Row({}, gives),))) if v.name == variable else v
                for v in model.variables
            ),
        )
    )
