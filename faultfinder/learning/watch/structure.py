"""Doubts about a model's shape: results that stay dependent given the confirmed causes.

In a model, two findings that share nothing but causes are independent once the causes are
known (d-separation; Pearl 1988). Where closed tickets say otherwise, the shape misses
something. Nothing here changes a shape: a doubt is for a person to look into.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.separation import determined, requisite
from faultfinder.learning.em.patterns import Codec, Codes
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.drift import LEAST_EXPECTED, benjamini_hochberg, chi_square_tail
from faultfinder.model.network import Array, Ints
from faultfinder.model.parts import FaultModel, Kind

LEAST = 30
"""Tickets below which a pair is not tested (a choice, no source)."""

FEWEST_DRAWS = 20_000
MOST_DRAWS = 200_000
ENOUGH = 20
"""Drawn tables as extreme as the one seen after which drawing stops."""

_BATCH = 500


@dataclass(frozen=True)
class Doubt:
    """Two histories or findings that the model holds independent given the causes.

    `tickets` have both and confirmed causes that make the model say so; they fall into
    `cause_sets` sets of causes in which both results vary. `statistic` is Pearson's
    chi-square summed over those sets (with Yates' correction in 2 by 2 tables), of
    `degrees` degrees of freedom. `drawn` says whether `p_value` comes from drawn tables;
    `adjusted` is it after Benjamini & Hochberg (1995) over all pairs tested. `results` is
    the joint result seen most above expectation: `observed` tickets, `expected` ones.
    """

    first: str
    second: str
    tickets: int
    cause_sets: int
    statistic: float
    degrees: int
    p_value: float
    drawn: bool
    adjusted: float
    results: tuple[str, str]
    observed: int
    expected: float
    means: str


@dataclass(frozen=True)
class ShapeTest:
    """The doubts, the surest first, and what they were looked for in.

    `tickets` have confirmed causes, `unconfirmed` have none. Of the pairs recorded
    together on enough tickets, `tested` were tested, the model's shape lets `explained`
    depend on each other given the causes, and `constant` have a result that never varies
    within a set of causes.
    """

    doubts: tuple[Doubt, ...]
    tickets: int
    unconfirmed: int
    tested: int
    explained: int
    constant: int


@dataclass(frozen=True)
class _Pair:
    """Two columns of codes and the tickets (row numbers) on which they are compared."""

    first: int
    second: int
    rows: Ints
    tables: tuple[Ints, ...]


def examine_shape(
    compiled: CompiledModel,
    tickets: Iterable[ClosedTicket],
    *,
    least: int = LEAST,
    false_discoveries: float = 0.05,
) -> ShapeTest:
    """Test all pairs of histories and findings recorded together on `least` tickets or more.

    Tickets with the same confirmed causes are compared with each other, and only where the
    pair is d-separated by those causes: a cause with several faulty states is known to be
    present but not in which state, so it can still tie its findings together. Sets of
    causes are never pooled, since that would tie together what only the causes have in
    common; a rare set adds little but is no danger. `false_discoveries` is the share of
    false alarms to be expected at most among the doubts.

    Where expected counts are too small for chi-square (under LEAST_EXPECTED), the p-value
    is the share of tables with the same margins in every set that are as extreme, drawn (the
    same ones each time) and stopped early for pairs that are clearly harmless (Besag & Clifford
    1991).

    Raises MisuseError for names the model does not have and settings out of range, and
    FaultfinderError where no pair could be tested.
    """
    _check_settings(least, false_discoveries)
    codec = Codec(compiled)
    codes, unconfirmed = _labelled(codec, tickets)
    separated = _Separation(compiled, codec)
    explained = constant = 0
    pairs: list[_Pair] = []
    together = (codes[:, : codec.findings] > 0).astype(np.int64)
    enough = together.T @ together >= least
    told = [place for place in range(codec.findings) if place != codec.complaint]
    sets, which = np.unique(codes[:, codec.findings :], axis=0, return_inverse=True)
    which = which.reshape(-1)
    for first, second in combinations(told, 2):
        if not enough[first, second]:
            continue
        both = np.flatnonzero(together[:, first] * together[:, second])
        independent = {
            number: separated.by_causes(first, second, sets[number])
            for number in np.unique(which[both]).tolist()
        }
        rows = both[[independent[number] for number in which[both].tolist()]]
        if len(rows) < least:
            explained += 1
            continue
        pair = _Pair(first, second, rows, tuple(_tables(codes, which, first, second, rows)))
        if pair.tables:
            pairs.append(pair)
        else:
            constant += 1
    if not pairs:
        raise FaultfinderError(_nothing(len(codes), unconfirmed, explained, constant, least))
    outcomes = _tested(pairs, false_discoveries)
    adjusted = benjamini_hochberg([p for _, _, p, _ in outcomes])
    found = [
        _doubt(compiled, codec, pair, outcome, after)
        for pair, outcome, after in zip(pairs, outcomes, adjusted, strict=True)
        if after <= false_discoveries
    ]
    found.sort(key=lambda d: (d.adjusted, d.p_value, -d.statistic, d.first, d.second))
    return ShapeTest(tuple(found), len(codes), unconfirmed, len(pairs), explained, constant)


def _check_settings(least: int, false_discoveries: float) -> None:
    if least < 2:
        raise MisuseError(f"Pairs on {least} tickets or more were asked for; the least is 2.")
    if not 0.0 < false_discoveries < 1.0:
        raise MisuseError(
            f"The share of false discoveries is {false_discoveries}; it must lie between 0 and 1."
        )


def _labelled(codec: Codec, tickets: Iterable[ClosedTicket]) -> tuple[Codes, int]:
    """Rows of codes of the tickets with confirmed causes, and the number of the others."""
    rows: list[bytes] = []
    unconfirmed = 0
    for ticket in tickets:
        row = codec.encode(ticket)
        if ticket.causes is None:
            unconfirmed += 1
        else:
            rows.append(row)
    if not rows:
        raise FaultfinderError(
            f"None of the {unconfirmed} closed tickets names the causes that were confirmed; "
            "doubts about the model's shape are only looked for given the causes."
            if unconfirmed
            else "There are no closed tickets to look for doubts in."
        )
    codes = np.frombuffer(b"".join(rows), dtype=np.uint8)
    return codes.reshape(len(rows), len(codec.columns)), unconfirmed


def _nothing(tickets: int, unconfirmed: int, explained: int, constant: int, least: int) -> str:
    return (
        f"No two results could be tested on {tickets} tickets with confirmed causes "
        f"({unconfirmed} without): a pair must be recorded together on {least}. Of the pairs "
        f"that are, the model's shape lets {explained} depend on each other, and {constant} "
        "do not vary among tickets with the same causes."
    )


class _Separation:
    """Whether the model's graph makes two columns independent given a set of causes."""

    def __init__(self, compiled: CompiledModel, codec: Codec) -> None:
        self._network = compiled.network
        self._columns = codec.columns
        complaint = compiled.model.complaint
        self._seen = [] if complaint is None else [self._network.index[complaint]]
        self._causes = codec.columns[codec.findings :]
        # The states that each code (unknown, normal, faulty) leaves open, per cause.
        self._open = [
            (codec.lookup(codec.findings + place) > 0.0).sum(axis=0)
            for place in range(len(self._causes))
        ]
        self._ask = cache(self._separated)
        self._known = cache(self._known_given)

    def by_causes(self, first: int, second: int, labels: Codes) -> bool:
        """`labels` are the codes of the causes, shape (causes,)."""
        vague = frozenset(
            cause
            for cause, code, states in zip(self._causes, labels.tolist(), self._open, strict=True)
            if states[code] > 1
        )
        return self._ask(self._columns[first], self._columns[second], vague)

    def _known_given(self, vague: frozenset[int]) -> frozenset[int]:
        sure = [cause for cause in self._causes if cause not in vague]
        return determined(self._network, (*sure, *self._seen))

    def _separated(self, first: int, second: int, vague: frozenset[int]) -> bool:
        known = self._known(vague)
        if first in known or second in known:
            return True
        # Taking `second` as known opens no way to it that was not open before.
        return second not in requisite(self._network, (first,), known | {second}, vague)[0]


def _tables(codes: Codes, which: Ints, first: int, second: int, rows: Ints) -> Iterator[Ints]:
    """A table of counts per set of causes in which both results vary, code by code."""
    shape = (int(codes[:, first].max()) + 1, int(codes[:, second].max()) + 1)
    for number in np.unique(which[rows]).tolist():
        here = rows[which[rows] == number]
        table = np.zeros(shape, dtype=np.int64)
        np.add.at(table, (codes[here, first], codes[here, second]), 1)
        if (table.sum(axis=1) > 0).sum() > 1 and (table.sum(axis=0) > 0).sum() > 1:
            yield table


def trimmed(table: Ints) -> Ints:
    """A table without its empty rows and columns."""
    kept: Ints = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
    return kept


def expected_counts(table: Ints) -> Array:
    """Ints expected without dependence, from the margins of a table."""
    counts: Array = table.sum(axis=1)[:, None] * table.sum(axis=0) / max(1, int(table.sum()))
    return counts


_Outcome = tuple[float, int, float, bool]
"""Statistic, degrees of freedom, p-value, whether from drawn tables."""


def _tested(pairs: Sequence[_Pair], false_discoveries: float) -> list[_Outcome]:
    # Enough draws that one pair alone can pass Benjamini & Hochberg's first step.
    most = int(min(MOST_DRAWS, max(FEWEST_DRAWS, 4 * len(pairs) / false_discoveries)))
    outcomes = []
    for number, pair in enumerate(pairs):
        tables = [trimmed(table) for table in pair.tables]
        statistic, degrees, p = stratified_test(tables)
        sparse = min(float(expected_counts(table).min()) for table in tables) < LEAST_EXPECTED
        if sparse:
            rng = np.random.default_rng([0, number])
            p = drawn_p_value(tables, rng, most)
        outcomes.append((statistic, degrees, p, sparse))
    return outcomes


def stratified_test(tables: Sequence[Ints]) -> tuple[float, int, float]:
    """Chi-square summed over tables, its degrees of freedom, and the p-value that the columns are
    independent of the rows in each. `tables` have no empty row or column."""
    statistic = sum(float(chi_square(table[None])[0]) for table in tables)
    degrees = sum((table.shape[0] - 1) * (table.shape[1] - 1) for table in tables)
    return statistic, degrees, chi_square_tail(statistic, degrees)


def drawn_p_value(tables: Sequence[Ints], rng: np.random.Generator, most: int) -> float:
    """How often tables with the same margins give a chi-square at least as large.

    `tables` have no empty row or column. Sequential: stops after ENOUGH such tables,
    p = (as extreme) / (drawn) then, else (as extreme + 1) / (most + 1); Besag & Clifford,
    Biometrika 78 (1991) 301 (formulas as in other programs that cite it; the paper itself was
    not at hand).
    """
    seen = stratified_test(tables)[0]
    extreme = drawn = 0
    while drawn < most:
        batch = min(_BATCH if drawn < 10 * _BATCH else 10 * _BATCH, most - drawn)
        sums = np.zeros(batch)
        for table in tables:
            sums += chi_square(_redrawn(table, batch, rng))
        # Equal tables count as equal in spite of rounding.
        hits = np.flatnonzero(sums >= seen - 1e-9 * max(1.0, seen))
        if extreme + len(hits) >= ENOUGH:
            return float(ENOUGH / (drawn + int(hits[ENOUGH - extreme - 1]) + 1))
        extreme += len(hits)
        drawn += batch
    return (extreme + 1) / (most + 1)


def chi_square(tables: Ints) -> Array:
    """Pearson's chi-square of tables with the same margins: shape (tables, r, c) to (tables,).

    2 by 2 tables get Yates' correction.
    """
    expected = expected_counts(tables[0])
    apart = np.abs(tables - expected)
    if tables.shape[1:] == (2, 2):
        apart = apart - np.minimum(0.5, apart)
    total: Array = (apart**2 / expected).sum(axis=(1, 2))
    return total


def _redrawn(table: Ints, count: int, rng: np.random.Generator) -> Ints:
    """Tables with the margins of `table` under independence: shape (count, r, c)."""
    from scipy.stats import random_table

    drawn = random_table(table.sum(axis=1), table.sum(axis=0)).rvs(count, random_state=rng)
    return np.asarray(drawn, dtype=np.int64)


def _doubt(
    compiled: CompiledModel, codec: Codec, pair: _Pair, outcome: _Outcome, adjusted: float
) -> Doubt:
    network, model = compiled.network, compiled.model
    observed = sum(pair.tables[1:], pair.tables[0])
    expected = sum((expected_counts(table) for table in pair.tables), np.zeros(observed.shape))
    # In a 2 by 2 table two cells exceed by as much: the rarer one says more.
    cells = [divmod(cell, observed.shape[1]) for cell in range(observed.size)]
    at = max(cells, key=lambda c: (round(float(observed[c] - expected[c]), 6), -expected[c]))
    first, second = (codec.columns[place] for place in (pair.first, pair.second))
    names = network.names[first], network.names[second]
    statistic, degrees, p, drawn = outcome
    return Doubt(
        *names,
        len(pair.rows),
        len(pair.tables),
        statistic,
        degrees,
        p,
        drawn,
        adjusted,
        (network.states[first][at[0] - 1], network.states[second][at[1] - 1]),
        int(observed[at]),
        float(expected[at]),
        _means(model, names, both_abnormal=min(at) > 1),
    )


def _means(model: FaultModel, names: tuple[str, str], both_abnormal: bool) -> str:
    """What may lie behind a doubt, the likeliest first."""
    if any(model.by_name[name].kind is Kind.HISTORY for name in names):
        return (
            "The history may bear on the finding by itself, or through a cause that the model "
            "lacks; or it was asked for only after the finding was seen."
        )
    one_look = any(set(names) <= set(check.observes) for check in model.checks)
    reading = (
        "both are read in one check, so that one reading may colour the other"
        if one_look
        else "one technician may read both alike, or make the second check only after the first"
    )
    if both_abnormal:
        return (
            "The model may lack a cause that brings about both, or a condition that they share; "
            f"or {reading}."
        )
    return (
        "The two may share a condition that the model lacks, or one may hide the other; "
        f"or {reading}."
    )
