"""Tickets that the model holds impossible, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.contradiction import smallest_contradiction
from faultfinder.inference.posterior import Evidence, log_probability
from faultfinder.learning.em.patterns import FAULTY, Codec, Codes, Patterns
from faultfinder.model.network import Flags


@dataclass(frozen=True)
class SetAside:
    """Tickets of one pattern that the model holds impossible.

    `number` is the first such ticket, `tickets` how many there are. `findings` are a
    smallest set that cannot be; with `against_label` they cannot be together with the
    confirmed causes (`causes`), otherwise by themselves.
    """

    number: int
    tickets: int
    findings: tuple[tuple[str, str], ...]
    causes: tuple[str, ...]
    against_label: bool

    def __str__(self) -> str:
        listed = ", ".join(f"{name}={result}" for name, result in self.findings)
        more = f" (and {self.tickets - 1} more like it)" if self.tickets > 1 else ""
        named = " and ".join(self.causes) or "no cause at all"
        if not self.against_label:
            return (
                f"Ticket {self.number}{more}: the model holds {listed or 'the complaint'} to be "
                "impossible with the complaint."
            )
        if not listed:
            return f"Ticket {self.number}{more}: the model cannot explain it by {named}."
        return (
            f"Ticket {self.number}{more}: the model holds {listed} to be impossible with {named}."
        )


def set_aside(
    compiled: CompiledModel, patterns: Patterns, impossible: Flags
) -> tuple[SetAside, ...]:
    """What is wrong with the patterns marked impossible."""
    return tuple(
        why_impossible(
            compiled,
            patterns.codec,
            patterns.codes[row],
            patterns.first[row],
            int(patterns.tickets[row]),
        )
        for row in np.flatnonzero(impossible).tolist()
    )


def why_impossible(
    compiled: CompiledModel, codec: Codec, row: Codes, number: int, tickets: int
) -> SetAside:
    """A smallest set of findings of an impossible row that cannot be."""
    network = compiled.network
    known = {
        codec.columns[place]: codec.lookup(place)[:, int(row[place])]
        for place in np.flatnonzero(row).tolist()
    }
    causes = frozenset(compiled.causes)
    always = frozenset() if codec.complaint is None else frozenset({codec.columns[codec.complaint]})
    bare = Evidence({n: v for n, v in known.items() if n not in causes})
    against_label = not bool(np.isneginf(log_probability(compiled, bare)[0]))
    if against_label:
        evidence, always = Evidence(known), always | (causes & known.keys())
    else:
        evidence = bare
    found = smallest_contradiction(compiled, evidence, always)
    named = tuple(
        network.names[number]
        for place, number in enumerate(codec.columns)
        if place >= codec.findings and row[place] == FAULTY
    )
    states = {
        codec.columns[place]: int(row[place]) - 1
        for place in range(codec.findings)
        if row[place] and place != codec.complaint
    }
    listed = tuple((network.names[n], network.states[n][states[n]]) for n in found if n in states)
    return SetAside(number, tickets, listed, named, against_label)
