"""Closed tickets whose confirmed cause the model finds hard to believe."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.engine import At, build_engine
from faultfinder.learning.em.patterns import FAULTY, Codec, Codes
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Array

NAMED = 3
"""Findings named against a label, at most."""


@dataclass(frozen=True)
class Against:
    """A finding that speaks against the confirmed causes.

    `ratio` is P(result | confirmed causes, other findings) / P(result | other findings).
    """

    finding: str
    result: str
    ratio: float


@dataclass(frozen=True)
class UnlikelyTicket:
    """A ticket and why it is doubted.

    `probability` is P(exactly these causes | findings, complaint). `leading` is the cause
    that the findings make most likely, at `leading_probability`. `leading` is "" where the
    findings alone contradict each other: then there is nothing to compare.
    """

    number: int
    causes: tuple[str, ...]
    probability: float
    leading: str
    leading_probability: float
    against: tuple[Against, ...]


def unlikely_tickets(
    compiled: CompiledModel, tickets: Iterable[ClosedTicket], n: int = 10
) -> tuple[UnlikelyTicket, ...]:
    """The `n` labelled tickets whose label is least likely given the findings, worst first.

    Raises MisuseError, with the ticket's number, for names the model does not have.
    """
    codec = Codec(compiled)
    used = np.ones(len(codec.columns), dtype=bool)
    engine = build_engine(compiled, codec, (), used, 1.0)
    at = engine.at({})
    # A heap of the worst so far: its top is the least bad, ties going to later numbers.
    worst: list[tuple[float, int, int, bytes]] = []
    order = 0
    for block in _blocks((t for t in tickets if t.causes is not None), engine.columns_at_once):
        rows = [codec.encode(ticket) for ticket in block]
        labels = _probabilities(at, codec, np.stack([_codes(row) for row in rows]))
        for ticket, row, chance in zip(block, rows, labels.tolist(), strict=True):
            order += 1
            # Impossible findings come first of all.
            item = (-(-1.0 if np.isnan(chance) else chance), -order, ticket.number, row)
            if len(worst) < n:
                heapq.heappush(worst, item)
            elif n and item > worst[0]:
                heapq.heapreplace(worst, item)
    return tuple(
        _why(at, codec, number, _codes(row)) for _, _, number, row in sorted(worst, reverse=True)
    )


def _codes(row: bytes) -> Codes:
    return np.frombuffer(row, dtype=np.uint8)


def _blocks(tickets: Iterable[ClosedTicket], size: int) -> Iterator[list[ClosedTicket]]:
    waiting = iter(tickets)
    while block := list(islice(waiting, size)):
        yield block


def _bare(codec: Codec, codes: Codes) -> Codes:
    bare = codes.copy()
    bare[..., codec.findings :] = 0
    return bare


def _probabilities(at: At, codec: Codec, codes: Codes) -> Array:
    """P(label | findings) for rows of codes; not a number where the findings are impossible."""
    _, with_label = at.beliefs(codes)
    _, without = at.beliefs(_bare(codec, codes))
    possible = ~np.isneginf(without)
    change = np.where(possible, with_label - np.where(possible, without, 0.0), -np.inf)
    return np.where(possible, np.minimum(np.exp(change), 1.0), np.nan)


def _why(at: At, codec: Codec, number: int, row: Codes) -> UnlikelyTicket:
    compiled = codec.compiled
    network = compiled.network
    places = [place for place in np.flatnonzero(row[: codec.findings]) if place != codec.complaint]
    # The whole row, and the row without each finding in turn.
    rows = np.repeat(row[None], len(places) + 1, axis=0)
    for k, place in enumerate(places):
        rows[k + 1, place] = 0
    chances = _probabilities(at, codec, rows)
    named = tuple(
        network.names[codec.columns[place]]
        for place in range(codec.findings, len(row))
        if row[place] == FAULTY
    )
    if np.isnan(chances[0]):
        return UnlikelyTicket(number, named, 0.0, "", 0.0, ())
    against = []
    for place, before in zip(places, chances[1:].tolist(), strict=True):
        ratio = chances[0] / before if before > 0.0 else 1.0
        if ratio < 1.0:
            variable = codec.columns[place]
            result = network.states[variable][int(row[place]) - 1]
            against.append(Against(network.names[variable], result, float(ratio)))
    against.sort(key=lambda item: item.ratio)
    leading, chance = _leading(at, codec, row)
    return UnlikelyTicket(number, named, float(chances[0]), leading, chance, tuple(against[:NAMED]))


def _leading(at: At, codec: Codec, row: Codes) -> tuple[str, float]:
    engine, network = at.engine, codec.compiled.network
    tables, _ = at.beliefs(_bare(codec, row[None]))
    best, most = "", -1.0
    for place in range(codec.findings, len(codec.columns)):
        cause = codec.columns[place]
        clique = engine.sparse.home((cause,))
        sums = engine.sparse.sums(clique, (cause,))
        belief = np.zeros(network.cards[cause])
        belief[sums.keys] = sums.over(tables[clique])[:, 0]
        chance = float(belief @ codec.lookup(place)[:, FAULTY])
        if chance > most:
            best, most = network.names[cause], chance
    return best, min(most, 1.0)
