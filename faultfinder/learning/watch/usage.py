"""How often each check was made on closed tickets, and what it told in bits per minute."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.inference.compiled import CompiledModel, entropy_bits
from faultfinder.inference.posterior import beliefs, evidence_columns
from faultfinder.learning.judge.forecasts import batches
from faultfinder.learning.records import drawn
from faultfinder.learning.steps import (
    Known,
    Step,
    before_repair,
    check_of,
    check_steps,
    home_checks,
)
from faultfinder.tickets.events import Found
from faultfinder.tickets.ticket import Ticket

USAGE_TICKETS = 200


@dataclass(frozen=True)
class CheckUse:
    """How often a check was made, and what it told.

    `made` counts over all tickets, `minutes` is `made` times the model's minutes of the
    check, the way to its stage left out. The rest is of the `followed` times on tickets
    whose beliefs were worked out: `leader_changed` counts how often another cause led
    afterwards, `bits` is the mean fall of the entropies of all causes added up (an upper
    bound of the entropy of their joint state; a single result can raise it, the mean is
    then below zero for chance or for figures that are off). NaN when never followed.
    """

    check: str
    made: int
    minutes: float
    followed: int
    leader_changed: int
    bits: float
    bits_per_minute: float


@dataclass(frozen=True)
class Usage:
    """The checks, most bits per minute first, those never made last.

    Beliefs were worked out on `sampled` of `tickets` closed tickets; `impossible` results
    were left out there since the model holds them so. `unknown` counts findings that are
    not the model's, or belong to no check of it.
    """

    checks: tuple[CheckUse, ...]
    tickets: int
    sampled: int
    impossible: int
    unknown: int


def check_usage(
    tickets: Sequence[Ticket], model: CompiledModel, *, most: int = USAGE_TICKETS, seed: int = 0
) -> Usage:
    """How often each check was made, and what it told in bits per minute.

    Open tickets are left out. Beliefs are worked out on at most `most` tickets drawn by
    `seed`. Results of one check without another check's between them are one making of it.
    """
    closed = [ticket for ticket in tickets if not ticket.open]
    chosen = {ticket.number for ticket in drawn(closed, most, seed)}
    homes = home_checks(model.model)
    made: Counter[str] = Counter()
    followed: list[Step] = []
    unknown = 0
    for ticket in closed:
        unknown += sum(
            isinstance(event.entry, Found) and check_of(event.entry, homes, model.model) is None
            for event in before_repair(ticket)
        )
        for step in check_steps(ticket, model.model):
            made[step.check] += 1
            if ticket.number in chosen:
                followed.append(step)
    bits, leading = _beliefs(model, followed)
    falls: dict[str, list[float]] = defaultdict(list)
    moved: Counter[str] = Counter()
    for step in followed:
        before, after = _key(step.before), _key(step.after)
        if before in bits and after in bits:
            falls[step.check].append(bits[before] - bits[after])
            moved[step.check] += leading[before] != leading[after]
    uses = []
    for check in model.model.checks:
        found = falls[check.name]
        mean = float(np.mean(found)) if found else float("nan")
        uses.append(
            CheckUse(
                check=check.name,
                made=made[check.name],
                minutes=made[check.name] * check.minutes,
                followed=len(found),
                leader_changed=moved[check.name],
                bits=mean,
                bits_per_minute=mean / check.minutes if check.minutes > 0.0 else float("nan"),
            )
        )
    # What was never followed comes last.
    rates = {use.check: np.nan_to_num(use.bits_per_minute, nan=-np.inf) for use in uses}
    uses.sort(key=lambda use: (-rates[use.check], -use.made, use.check))
    return Usage(
        checks=tuple(uses),
        tickets=len(closed),
        sampled=len(chosen),
        impossible=len(followed) - sum(map(len, falls.values())),
        unknown=unknown,
    )


Key = frozenset[tuple[str, str]]


def _key(known: Known) -> Key:
    return frozenset((name, result) for name, result in known.items() if result is not None)


def _beliefs(
    compiled: CompiledModel, steps: Sequence[Step]
) -> tuple[dict[Key, float], dict[Key, int]]:
    """Entropy of the causes in bits, added up, and the leading cause, per set of findings.

    Sets of findings that the model holds impossible are left out.
    """
    keys = list(dict.fromkeys(_key(known) for step in steps for known in (step.before, step.after)))
    patterns = [dict(sorted(key)) for key in keys]
    network = compiled.network
    bits: dict[Key, float] = {}
    leading: dict[Key, int] = {}
    for part in batches(compiled, patterns):
        # At least one column, also where nothing but the complaint is known.
        calibrated = beliefs(compiled, evidence_columns(compiled, [patterns[i] for i in part]))
        width = len(part)
        total = np.zeros(width)
        present = np.zeros((len(compiled.causes), width))
        for place, cause in enumerate(compiled.causes):
            states = np.broadcast_to(
                calibrated.marginal((cause,)), (network.cards[cause], width)
            ).clip(0.0, 1.0)
            total += entropy_bits(states)
            present[place] = states[compiled.faulty[cause]].sum(axis=0)
        possible = ~np.isneginf(np.broadcast_to(calibrated.log_evidence, (width,)))
        # Rounded, so that causes that are alike to the last digit keep their order.
        leaders = present.round(9).argmax(axis=0)
        for column, number in enumerate(part.tolist()):
            if possible[column]:
                bits[keys[number]] = float(total[column])
                leading[keys[number]] = int(leaders[column])
    return bits, leading
