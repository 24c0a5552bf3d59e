"""Machines drawn from a model, findings and all."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from faultfinder.decide.simulation import drawn_states
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Ints

BATCH = 100_000
"""Machines drawn at once."""


def draw_machines(
    compiled: CompiledModel,
    count: int,
    rng: np.random.Generator,
    findings: Mapping[str, str] | None = None,
) -> Ints:
    """Machines with the complaint (and `findings`), drawn from the model.

    Returns state numbers, shape (count, variables of the network). By rejection;
    raises FaultfinderError when fewer than one draw in 20,000 fits.
    """
    network = compiled.network
    wanted = {
        network.index[name]: network.states[network.index[name]].index(state)
        for name, state in (findings or {}).items()
    }
    complaint = compiled.model.complaint
    if complaint is not None and complaint not in (findings or {}):
        number = network.index[complaint]
        wanted[number] = network.cards[number] - 1
    kept: list[Ints] = []
    have, drawn = 0, 0
    while have < count:
        kept.append(_fitting(compiled, wanted, rng))
        have += len(kept[-1])
        drawn += BATCH
        if drawn >= 2_000_000 and have < drawn / 20_000:
            raise FaultfinderError("These findings are too rare to be drawn from the model.")
    return np.concatenate(kept)[:count]


def _fitting(compiled: CompiledModel, wanted: Mapping[int, int], rng: np.random.Generator) -> Ints:
    """Those of BATCH machines that fit. What does not bear on that is worked out for them only."""
    network = compiled.network
    shares = rng.random((len(network.order), BATCH))
    above = network.above(wanted)
    states: dict[int, Ints] = {}
    going: Ints | None = None
    for place in sorted(
        range(len(network.order)), key=lambda place: network.order[place] not in above
    ):
        number = network.order[place]
        share = shares[place] if going is None else shares[place, going]
        states[number] = drawn_states(compiled, states, number, share)
        if number in wanted:
            fits = np.flatnonzero(states[number] == wanted[number])
            states = {one: held[fits] for one, held in states.items()}
            going = fits if going is None else going[fits]
    return np.stack([states[number] for number in range(len(network.names))], axis=1)
