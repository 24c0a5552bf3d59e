"""Forecasts for many closed tickets at once: P(each cause present | findings)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import beliefs, evidence_columns, log_probability
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Array, Flags, Ints
from faultfinder.model.parts import Kind

ENTRIES_AT_ONCE = 1 << 22
"""Tree entries (8 bytes each) times tickets that one pass takes."""


@dataclass(frozen=True, eq=False)
class Forecasts:
    """What a model says of tickets whose cause was established.

    `probabilities` and `present` have shape (tickets, causes), causes as in `causes`.
    `label_loss` (tickets,) is -ln P(exactly these causes present | findings), in nats,
    infinite where the model holds that impossible. `possible` (tickets,) is False where
    the model holds the findings themselves to be impossible; the forecasts there are zeros.
    """

    causes: tuple[str, ...]
    numbers: tuple[int, ...]
    probabilities: Array
    present: Flags
    label_loss: Array
    possible: Flags


def forecast(compiled: CompiledModel, tickets: Sequence[ClosedTicket]) -> Forecasts:
    """Forecasts for the tickets with an established cause, in their order.

    Tickets with the same findings are worked out once. Raises MisuseError for a name
    that is not the model's, or findings about a cause or condition.
    """
    check_tickets(compiled, tickets)
    known = [ticket for ticket in tickets if ticket.causes is not None]
    network = compiled.network
    names = tuple(network.names[cause] for cause in compiled.causes)
    present = np.array(
        [[name in (ticket.causes or ()) for name in names] for ticket in known], dtype=np.bool_
    ).reshape(len(known), len(names))
    patterns: dict[tuple[frozenset[tuple[str, str]], frozenset[str]], int] = {}
    which = np.array(
        [
            patterns.setdefault(
                (frozenset(ticket.findings.items()), frozenset(ticket.causes or ())), len(patterns)
            )
            for ticket in known
        ],
        dtype=np.int64,
    )
    findings = [dict(sorted(pattern)) for pattern, _ in patterns]
    labels = [label for _, label in patterns]
    told = np.zeros((len(patterns), len(names)))
    log_evidence = np.zeros(len(patterns))
    log_both = np.zeros(len(patterns))
    for part in batches(compiled, findings):
        evidence = evidence_columns(compiled, [findings[i] for i in part])
        calibrated = beliefs(compiled, evidence)
        log_evidence[part] = calibrated.log_evidence
        for place, cause in enumerate(compiled.causes):
            held = calibrated.marginal((cause,))
            told[part, place] = held[compiled.faulty[cause]].sum(axis=0)
        confirmed = label_columns(compiled, [labels[i] for i in part])
        log_both[part] = log_probability(compiled, evidence.with_columns(confirmed))
    possible = ~np.isneginf(log_evidence)
    loss = np.where(possible, np.where(possible, log_evidence, 0.0) - log_both, np.inf)
    return Forecasts(
        causes=names,
        numbers=tuple(ticket.number for ticket in known),
        probabilities=np.clip(told, 0.0, 1.0)[which],
        present=present,
        # Rounding can take ln P(both) a trifle above ln P(findings).
        label_loss=np.maximum(loss, 0.0)[which],
        possible=possible[which],
    )


def label_columns(compiled: CompiledModel, labels: Sequence[frozenset[str]]) -> dict[int, Array]:
    """Likelihoods of the causes: confirmed ones in any faulty state, all others in none."""
    columns = {}
    for cause in compiled.causes:
        name = compiled.network.names[cause]
        confirmed = np.array([name in label for label in labels], dtype=np.bool_)
        columns[cause] = (compiled.faulty[cause][:, None] == confirmed[None]).astype(np.float64)
    return columns


def batches(compiled: CompiledModel, findings: Sequence[Mapping[str, str]]) -> Iterator[Ints]:
    """Places of findings that one pass can take.

    Findings whose parents no clique holds make the tree grow, so those that have the
    same such findings go together.
    """
    network = compiled.network
    groups: dict[tuple[int, ...], list[int]] = {}
    for place, known in enumerate(findings):
        numbers = [network.index[name] for name in known]
        far = tuple(
            sorted(
                number
                for number in numbers
                if number in compiled.leaves and compiled.tree.home(network.parents[number]) is None
            )
        )
        groups.setdefault(far, []).append(place)
    width = max(1, ENTRIES_AT_ONCE // max(compiled.tree.size, 1))
    for group in groups.values():
        for begin in range(0, len(group), width):
            yield np.array(group[begin : begin + width], dtype=np.int64)


def check_tickets(compiled: CompiledModel, tickets: Sequence[ClosedTicket]) -> None:
    """Raises MisuseError at the first name in the tickets that is not the model's."""
    model = compiled.model
    allowed = [v.name for v in model.variables if v.kind not in (Kind.CAUSE, Kind.CONDITION)]
    names = frozenset(allowed)
    causes = [v.name for v in model.of_kind(Kind.CAUSE)]
    for ticket in tickets:
        for name, result in ticket.findings.items():
            if name not in names:
                raise MisuseError(
                    f'Ticket {ticket.number}: "{name}" is no finding or history of the model '
                    f"{model.name}. {did_you_mean(name, allowed)}"
                )
            if result not in model.by_name[name].states:
                raise MisuseError(
                    f'Ticket {ticket.number}: {name} has no result "{result}". '
                    f"{did_you_mean(result, model.by_name[name].states)}"
                )
        for name in ticket.causes or ():
            if name not in causes:
                raise MisuseError(
                    f'Ticket {ticket.number}: "{name}" is no cause of the model {model.name}. '
                    f"{did_you_mean(name, causes)}"
                )


def check_same_structure(old: CompiledModel, new: CompiledModel) -> None:
    """Raises MisuseError unless both models have the same variables, states and faulty states."""
    mine, other = _structure(old), _structure(new)
    for name in [*mine, *(name for name in other if name not in mine)]:
        if mine.get(name) != other.get(name):
            raise MisuseError(
                f"The models {old.model.name} and {new.model.name} do not say the same of {name}: "
                "models are compared on the same causes and findings, with the same results."
            )


def _structure(compiled: CompiledModel) -> dict[str, tuple[Kind, tuple[str, ...], tuple[str, ...]]]:
    model = compiled.model
    return {
        v.name: (v.kind, v.states, model.faulty_states(v.name) if v.kind is Kind.CAUSE else ())
        for v in model.variables
    }
