"""Whether good results are left out of the log: normal results written down against expected.

Of each result on record the model says how likely a normal one was, given the confirmed causes
and all else on the ticket. Where checks are made but only what is bad is written down, normal
results are far fewer than that. The model's own figures may be off as well, and what is written
cannot tell the two apart: a finding is only named where its odds are further off than figures
of a file are taken to be. Persons are held against each other, whose machines have the same
figures. Where normal results are rare over all findings together, a finding needs less to be named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.engine import build_engine
from faultfinder.learning.em.patterns import Codec
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.drift import benjamini_hochberg
from faultfinder.model.network import Array

SPREAD = 1.0
"""How far figures of a file are taken to be off: a standard deviation, log odds (a choice)."""

LEAST = 10
"""Records below which nothing is tested (a choice, no source)."""

MOST = 400
"""Records of a finding that are looked at, the newest (a choice, for time)."""

_HARDLY = 1e-9
"""What the model holds impossible counts as this likely, so that it can be divided out."""

SURE, VERY_SURE, LIKELY = 0.05, 0.01, 0.25
"""Of a finding after adjusting; of a person after adjusting, and of the whole shop (common
practice, no source); and of a finding in a shop where that is so (a choice: it is then likely)."""


@dataclass(frozen=True)
class Written:
    """Normal results of a finding, or by a person, among those written down.

    `name` is the finding or the person. Of `records` results `normal` were normal, `expected` by
    the model (of a person: by what the others wrote of the same findings). `p_value` is the
    chance of so few or fewer; `adjusted` it after Benjamini & Hochberg (1995) over all findings,
    or all persons. `clear` tells whether good results seem to be left out.
    """

    name: str
    records: int
    normal: int
    expected: float
    p_value: float
    adjusted: float
    clear: bool


@dataclass(frozen=True)
class Habits:
    """What is written down, the surest habit first; persons only where there are several.

    `shop` is all findings together.
    """

    shop: Written
    findings: tuple[Written, ...]
    persons: tuple[Written, ...]

    @property
    def unwritten(self) -> tuple[str, ...]:
        """The findings of which good results seem to be left out."""
        return tuple(one.name for one in self.findings if one.clear)


@dataclass(frozen=True, eq=False)
class _Records:
    """Results of one finding: log odds of a normal one, whether it was, who wrote it."""

    odds: Array
    normal: Array
    who: Sequence[str]

    def of(self, chosen: Array) -> _Records:
        return _Records(
            self.odds[chosen],
            self.normal[chosen],
            [who for who, take in zip(self.who, chosen.tolist(), strict=True) if take],
        )


def habits(
    compiled: CompiledModel,
    tickets: Iterable[ClosedTicket],
    writers: Mapping[int, Mapping[str, str]] | None = None,
) -> Habits:
    """Findings and persons for whom normal results are written down too rarely.

    Only tickets with confirmed causes count. `writers` says by number of the ticket and finding
    who wrote it down; persons are looked at where it is given. Raises MisuseError for names that
    are not the model's.
    """
    known = [ticket for ticket in tickets if ticket.causes is not None and not ticket.again]
    by_finding = _records(compiled, known, writers or {})
    tested = {name: some for name, some in by_finding.items() if len(some.odds) >= LEAST}
    shop = _written("", [(records, 0.0, SPREAD) for records in tested.values()])
    findings = [_written(name, [(records, 0.0, SPREAD)]) for name, records in tested.items()]
    people = sorted({who for records in tested.values() for who in records.who if who})
    persons = []
    for person in people if len(people) > 1 else ():
        parts = []
        for records in tested.values():
            own = np.array([who == person for who in records.who])
            if own.any():
                parts.append((records.of(own), *_shift(records.of(~own))))
        if sum(len(part.odds) for part, _, _ in parts) >= LEAST:
            persons.append(_written(person, parts))
    even = LIKELY if shop.clear else 0.0
    return Habits(shop, _adjusted(findings, SURE, even), _adjusted(persons, VERY_SURE))


def _records(
    compiled: CompiledModel,
    tickets: Sequence[ClosedTicket],
    writers: Mapping[int, Mapping[str, str]],
) -> Mapping[str, _Records]:
    """Of each finding on which no other depends."""
    codec = Codec(compiled)
    engine = build_engine(compiled, codec, (), np.ones(len(codec.columns), dtype=bool), 1.0)
    at = engine.at({})
    leaves = [(read, leaf, place) for read in engine.reads for leaf, place in read.leaves]
    for _, _, place in leaves:
        at.likelihoods[place] = np.maximum(at.likelihoods[place], _HARDLY)
    odds: dict[int, list[Array]] = defaultdict(list)
    normal: dict[int, list[Array]] = defaultdict(list)
    who: dict[int, list[str]] = defaultdict(list)
    for begin in range(0, len(tickets), engine.columns_at_once):
        some = tickets[begin : begin + engine.columns_at_once]
        codes = np.array([list(codec.encode(ticket)) for ticket in some], dtype=np.uint8)
        tables, _ = at.beliefs(codes)
        for read, leaf, place in leaves:
            told = np.flatnonzero(codes[:, place])
            known = read.sums.over(tables[read.clique])[:, told]
            # Without the finding's own word: what it says is divided out again.
            rest = known / at.likelihoods[place][read.sums.keys][:, codes[told, place]]
            chances = at.tables[leaf].reshape(-1, compiled.network.cards[leaf])[read.sums.keys]
            share = chances[:, 0] @ rest / np.maximum(rest.sum(axis=0), 1e-300)
            share = np.clip(share, 1e-12, 1.0 - 1e-12)
            odds[leaf].append(np.log(share) - np.log1p(-share))
            normal[leaf].append(codes[told, place] == 1)
            name = compiled.network.names[leaf]
            who[leaf] += [writers.get(some[k].number, {}).get(name, "") for k in told.tolist()]
    return {
        compiled.network.names[leaf]: _Records(
            np.concatenate(odds[leaf])[-MOST:],
            np.concatenate(normal[leaf])[-MOST:],
            who[leaf][-MOST:],
        )
        for leaf in odds
    }


def _written(name: str, parts: Sequence[tuple[_Records, float, float]]) -> Written:
    """Held against the model's odds, each finding's moved by a normal step (mean, sd)."""
    normal = sum(int(records.normal.sum()) for records, _, _ in parts)
    shares = np.ones(1)
    for records, mean, spread in parts:
        shares = np.convolve(shares, _numbers(records.odds, mean, spread))
    expected = float(shares @ np.arange(len(shares)))
    chance = min(float(shares[: normal + 1].sum()), 1.0)
    return Written(
        name,
        sum(len(r.odds) for r, _, _ in parts),
        normal,
        expected,
        chance,
        chance,
        chance < VERY_SURE,
    )


def _numbers(odds: Array, mean: float, spread: float) -> Array:
    """P(so many of the results are normal), shape (results + 1,), exactly but for the step,
    which is integrated by Gauss and Hermite's rule."""
    from scipy.special import expit

    steps, weights = np.polynomial.hermite_e.hermegauss(15)
    chances = expit(odds[:, None] + mean + spread * steps)
    shares = np.zeros((len(odds) + 1, len(steps)))
    shares[0] = 1.0
    for chance in chances:
        shares[1:] = shares[1:] * (1.0 - chance) + shares[:-1] * chance
        shares[0] *= 1.0 - chance
    found: Array = shares @ (weights / weights.sum())
    return found


def _shift(records: _Records) -> tuple[float, float]:
    """How far the odds are off by these records: mean and sd, log odds (Laplace's method)."""
    from scipy.special import expit

    shift, precision = 0.0, 1.0 / SPREAD**2
    information = precision
    for _ in range(50):
        chances = expit(records.odds + shift)
        information = precision + float((chances * (1.0 - chances)).sum())
        slope = float((records.normal - chances).sum()) - precision * shift
        step = float(np.clip(slope / information, -1.0, 1.0))
        shift += step
        if abs(step) < 1e-8:
            break
    return shift, information**-0.5


def _adjusted(rows: Sequence[Written], sure: float, even: float = 0.0) -> tuple[Written, ...]:
    """Clear are those below `sure` after adjusting, or below `even` as they are."""
    adjusted = benjamini_hochberg([row.p_value for row in rows])
    told = [
        replace(row, adjusted=after, clear=after < sure or row.p_value < even)
        for row, after in zip(rows, adjusted, strict=True)
    ]
    return tuple(sorted(told, key=lambda row: row.p_value))
