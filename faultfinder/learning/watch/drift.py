"""Whether results and causes have shifted: shares before and after a date."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.patterns import Codec, moment
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Ints

LEAST_EXPECTED = 5.0
"""Expected count below which chi-square is not trusted (common practice: Cochran 1954)."""


@dataclass(frozen=True)
class Shift:
    """One history, finding or cause before and after.

    `counts_before` and `counts_after` go with `states` (for a cause: absent, present; only
    tickets with confirmed causes count). `p_value` is None where there is nothing to
    compare; `adjusted` is it after Benjamini & Hochberg (1995) over all that were tested.
    """

    name: str
    states: tuple[str, ...]
    counts_before: tuple[int, ...]
    counts_after: tuple[int, ...]
    p_value: float | None
    adjusted: float | None

    @property
    def shares_before(self) -> tuple[float, ...]:
        return _shares(self.counts_before)

    @property
    def shares_after(self) -> tuple[float, ...]:
        return _shares(self.counts_after)


def _shares(counts: Sequence[int]) -> tuple[float, ...]:
    total = sum(counts)
    return tuple(count / total if total else 0.0 for count in counts)


def drift(
    compiled: CompiledModel, tickets: Iterable[ClosedTicket], split: str
) -> tuple[Shift, ...]:
    """Shares before and from `split` (an ISO date) on, the surest shift first.

    Shares are among tickets in which the result was recorded: a shift can also come from
    checks being made on other machines than before. Raises MisuseError for unknown names
    or dates and FaultfinderError when all tickets lie on one side.
    """
    codec = Codec(compiled)
    at = moment(split, "The date to split at")
    network = compiled.network
    sizes = [
        network.cards[number] + 1 if place < codec.findings else 3
        for place, number in enumerate(codec.columns)
    ]
    counts = np.zeros((2, len(codec.columns), max(sizes)), dtype=np.int64)
    columns = np.arange(len(codec.columns))
    sides = [0, 0]
    for ticket in tickets:
        side = int(moment(ticket.closed_at, f"The closing date of ticket {ticket.number}") >= at)
        sides[side] += 1
        codes = np.frombuffer(codec.encode(ticket), dtype=np.uint8)
        counts[side, columns, codes] += 1
    if not all(sides):
        where = "before" if sides[1] == 0 else "on or after"
        raise FaultfinderError(
            f"All {sum(sides)} tickets were closed {where} {split}; "
            "name a date with tickets on both sides."
        )
    told = []
    for place, number in enumerate(codec.columns):
        if place == codec.complaint:
            continue
        name = network.names[number]
        cause = place >= codec.findings
        states = ("absent", "present") if cause else network.states[number]
        table = counts[:, place, 1 : len(states) + 1]
        told.append((name, states, table, homogeneity(table)))
    adjusted = iter(benjamini_hochberg([p for *_, p in told if p is not None]))
    shifts = [
        Shift(
            name,
            states,
            tuple(table[0].tolist()),
            tuple(table[1].tolist()),
            p,
            None if p is None else next(adjusted),
        )
        for name, states, table, p in told
    ]
    return tuple(sorted(shifts, key=lambda s: (2.0 if s.p_value is None else s.p_value, s.name)))


def homogeneity(table: Ints) -> float | None:
    """The p-value that two rows of counts come from the same shares; None if not comparable.

    Pearson's chi-square; rare states are pooled, the two rarest first, until every
    expected count is at least LEAST_EXPECTED, and a 2 by 2 table that stays below goes
    to Fisher's exact test.
    """
    counts = table[:, table.sum(axis=0) > 0].astype(np.int64)
    rows = counts.sum(axis=1)
    if counts.shape[1] < 2 or rows.min() == 0:
        return None
    total = int(rows.sum())
    while True:
        columns = counts.sum(axis=0)
        expected = rows[:, None] * columns / total
        if expected.min() >= LEAST_EXPECTED or counts.shape[1] == 2:
            break
        order = np.argsort(columns, kind="stable")
        pooled = counts[:, order[:2]].sum(axis=1, keepdims=True)
        counts = np.concatenate([counts[:, order[2:]], pooled], axis=1)
    if expected.min() < LEAST_EXPECTED:
        return fisher_exact(counts)
    statistic = float(((counts - expected) ** 2 / expected).sum())
    return chi_square_tail(statistic, counts.shape[1] - 1)


def chi_square_tail(x: float, degrees: int) -> float:
    """P(chi-square > x)."""
    from scipy.stats import chi2

    return float(chi2.sf(max(x, 0.0), degrees))


def fisher_exact(table: Ints) -> float:
    """Two-sided p-value of a 2 by 2 table: all tables with these margins no more likely."""
    from scipy import stats

    return float(stats.fisher_exact(table).pvalue)


def benjamini_hochberg(values: Sequence[float]) -> list[float]:
    """Adjusted p-values: below q, the expected share of false alarms is at most q."""
    from scipy.stats import false_discovery_control

    # Rounding can leave a p-value a hair above 1.
    adjusted = false_discovery_control(np.minimum(values, 1.0)) if len(values) else ()
    return [float(value) for value in adjusted]
