"""Whole machines for tickets: what was never looked at is drawn from a reference model.

For each ticket one joint state of all variables is drawn from
P(everything | findings, confirmed causes faulty, all others not) under the reference: one
pass over the junction tree for many tickets at once, then clique by clique from the root
outwards (Dawid, Statistics and Computing 2 (1992) 25). Read one finding at a
time, that is the same as drawing each from P(finding | causes, all that the ticket records
and all drawn before). Two models can so be tried on the very same machines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import beliefs, evidence_columns
from faultfinder.inference.propagation import Calibrated
from faultfinder.learning.judge.forecasts import (
    batches,
    check_tickets,
    label_columns,
)
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Array, Flags, Ints, first_present


@dataclass(frozen=True, eq=False)
class CompletedMachines:
    """State numbers, shape (tickets, variables of the reference's network).

    `possible` (tickets,) is False where the reference holds a ticket's findings and
    causes together to be impossible; the states there mean nothing.
    """

    states: Ints
    possible: Flags


def complete_machines(
    reference: CompiledModel, tickets: Sequence[ClosedTicket], seed: int = 0
) -> CompletedMachines:
    """A machine for each ticket; recorded findings and confirmed causes are kept as they are.

    Each ticket's draw depends on `seed` and its own number alone. A confirmed cause with
    several faulty states gets one of them. Raises MisuseError for a name that is not the
    model's; tickets without an established cause must not be among them.
    """
    check_tickets(reference, tickets)
    assert all(ticket.causes is not None for ticket in tickets)
    network = reference.network
    findings = [ticket.findings for ticket in tickets]
    labels = [frozenset(ticket.causes or ()) for ticket in tickets]
    states = np.zeros((len(tickets), len(network.names)), dtype=np.int64)
    possible = np.zeros(len(tickets), dtype=np.bool_)
    for part in batches(reference, findings):
        evidence = evidence_columns(reference, [findings[i] for i in part])
        confirmed = label_columns(reference, [labels[i] for i in part])
        calibrated = beliefs(reference, evidence.with_columns(confirmed))
        possible[part] = ~np.isneginf(calibrated.log_evidence)
        luck = np.stack(
            [
                np.random.default_rng((seed, abs(tickets[i].number))).random(len(network.names))
                for i in part
            ]
        )
        drawn = _from_tree(reference, calibrated, luck)
        for number in reference.leaves:
            index = tuple(drawn[:, parent] for parent in network.parents[number])
            table = network.tables[number]
            rows = table[index] if index else np.broadcast_to(table, (len(part), len(table)))
            likelihood = evidence.likelihoods.get(number)
            # What was recorded is kept; what was not has a likelihood of ones.
            weights = rows if likelihood is None else rows * likelihood.T
            drawn[:, number] = _pick(weights, luck[:, number])
        states[part] = drawn
    return CompletedMachines(states, possible)


def _from_tree(compiled: CompiledModel, calibrated: Calibrated, luck: Array) -> Ints:
    """Joint states of all variables in the tree, a row per column of the beliefs.

    `luck` has shape (columns, variables): uniform numbers, one of which each clique uses.
    """
    tree = calibrated.tree
    count = len(luck)
    columns = np.arange(count)
    drawn = np.zeros_like(luck, dtype=np.int64)
    done: set[int] = set()
    for clique in (tree.root, *(edge.child for edge in reversed(tree.edges))):
        members = tree.cliques[clique]
        new = [axis for axis, v in enumerate(members) if v not in done]
        if not new:
            continue
        old = [axis for axis, v in enumerate(members) if v in done]
        table = calibrated.tables[clique]
        table = np.broadcast_to(table, (*table.shape[:-1], count))
        turned = table.transpose([*old, len(members), *new])
        picked = turned[(*(drawn[:, members[axis]] for axis in old), columns)]
        dims = picked.shape[1:]
        # A number nobody else uses: that of the clique's first new variable.
        place = _pick(picked.reshape(count, -1), luck[:, members[new[0]]])
        for axis, state in zip(new, np.unravel_index(place, dims), strict=True):
            drawn[:, members[axis]] = state
        done.update(members)
    network = compiled.network
    for number, first in network.firsts.items():
        states = drawn[:, list(first.members)].T
        drawn[:, number] = first_present(states, [network.cards[m] for m in first.members])
    behind = calibrated.tables[len(tree.cliques) :]
    for twig, held in zip(tree.twigs, behind, strict=True):
        given = np.broadcast_to(held, (*twig.shape, count))
        chances = given[drawn[:, twig.first], :, columns]
        drawn[:, twig.number] = _pick(chances, luck[:, twig.number])
    return drawn


def _pick(weights: Array, luck: Array) -> Ints:
    """A column for each row, with the odds of its weights; 0 where all are zero."""
    bounds = np.cumsum(weights, axis=1)
    total = bounds[:, -1]
    # Below the total, so that a column of weight zero is never picked.
    goal = np.minimum(luck * total, np.nextafter(total, 0.0))
    place: Ints = (bounds <= goal[:, None]).sum(axis=1).astype(np.int64)
    return np.where(total > 0.0, place, 0)
