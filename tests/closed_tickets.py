"""Invented closed tickets, drawn from a model, for tests of learning."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Kind
from tests.drawn_machines import draw_machines

Ints = NDArray[np.int64]
LONG_AGO = "2024-01-01"


def visible(compiled: CompiledModel) -> list[int]:
    """Numbers of the variables that a ticket can record."""
    kinds = (Kind.HISTORY, Kind.FINDING)
    return [n for n, v in enumerate(compiled.model.variables) if v.kind in kinds]


def closed_tickets(
    compiled: CompiledModel,
    machines: Ints,
    known: NDArray[np.bool_],
    labelled: NDArray[np.bool_] | None = None,
    closed_at: Sequence[str] | None = None,
) -> list[ClosedTicket]:
    """A ticket per machine; `known[k, v]` says whether visible variable v was recorded."""
    network, told = compiled.network, visible(compiled)
    faulty = {
        c: {
            s
            for s, state in enumerate(network.states[c])
            if state in compiled.model.faulty_states(network.names[c])
        }
        for c in compiled.causes
    }
    tickets = []
    for k, (machine, seen) in enumerate(zip(machines.tolist(), known.tolist(), strict=True)):
        findings = {
            network.names[n]: network.states[n][machine[n]]
            for n, one in zip(told, seen, strict=True)
            if one
        }
        causes = None
        if labelled is None or labelled[k]:
            causes = tuple(network.names[c] for c in compiled.causes if machine[c] in faulty[c])
        date = LONG_AGO if closed_at is None else closed_at[k]
        tickets.append(ClosedTicket(k + 1, date, findings, causes))
    return tickets


def drawn(
    compiled: CompiledModel,
    count: int,
    seed: int,
    missing: float = 0.4,
    unlabelled: float = 0.0,
) -> list[ClosedTicket]:
    """Tickets of machines with the complaint; each result is missing at random."""
    rng = np.random.default_rng(seed)
    machines = draw_machines(compiled, count, rng)
    known = rng.random((count, len(visible(compiled)))) >= missing
    return closed_tickets(compiled, machines, known, rng.random(count) >= unlabelled)
