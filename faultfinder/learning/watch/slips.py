"""Who reads a finding otherwise than the others, beyond chance: for the lead's eyes only.

A result written down is taken to be the true one with probability 1 - e, else any of the others
alike. What was true is not known; the model says how likely each result was given the causes that
were confirmed and the histories. The others' e takes up what the model has wrong of a finding,
which is the same for all; a person is named only where their e is higher beyond chance, over all
persons and findings looked at.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import beliefs, evidence_columns, posterior
from faultfinder.learning.judge.forecasts import batches, label_columns
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.drift import chi_square_tail
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind

LEAST = 15
"""Results of one person and finding below which nothing is tested (a choice)."""
SURE = 0.05
GRID: Array = np.linspace(0.0, 0.95, 96)
HALF_95 = 1.9207
"""Half of chi-square's 95 % point with one degree of freedom: how far below its top the
logarithm of a likelihood may fall inside the interval (Wilks, Ann. Math. Stat. 9 (1938) 60)."""


@dataclass(frozen=True)
class Slips:
    """A person's share of wrong results of a finding, with a 95 % interval, from `results`; the
    `others` at their best fit; and the p-value of that difference, as `adjusted` for how many
    pairs of persons and findings were looked at."""

    who: str
    finding: str
    results: int
    rate: float
    interval: tuple[float, float]
    others: float
    p_value: float
    adjusted: float


@dataclass(frozen=True)
class Readers:
    """Persons who read a finding `otherwise` than the others, the surest first, of `tested` pairs
    of a person and a finding."""

    otherwise: tuple[Slips, ...]
    tested: int


def who_reads_otherwise(
    compiled: CompiledModel,
    tickets: Sequence[ClosedTicket],
    wrote: Mapping[int, Mapping[str, str]],
) -> Readers:
    """Error rates by person and finding, where they differ beyond chance.

    `wrote` says who wrote down each finding, by ticket number. Tickets without a confirmed cause,
    and results that the model holds impossible, say nothing.
    """
    known = [t for t in tickets if t.causes and t.share == 1.0 and t.number in wrote]
    curves = _curves(compiled, known, wrote)
    pairs = [one for finding in curves for one in _tested(finding, curves[finding])]
    told: list[Slips] = []
    for finding, by_person in curves.items():
        # Whoever was named is no measure for the others any more.
        left = dict(by_person)
        while found := [one for one in _tested(finding, left) if one.rate > one.others]:
            worst = min(found, key=lambda one: (one.p_value, one.who))
            # Bonferroni: the chance of any false naming stays below SURE.
            adjusted = min(1.0, worst.p_value * len(pairs))
            if adjusted >= SURE:
                break
            told.append(replace(worst, adjusted=adjusted))
            del left[worst.who]
    told.sort(key=lambda one: (one.p_value, one.who, one.finding))
    return Readers(tuple(told), len(pairs))


def _tested(finding: str, by_person: Mapping[str, tuple[int, Array]]) -> list[Slips]:
    """Each person against all others together."""
    rows = []
    for who, (count, own) in by_person.items():
        rest = [told for name, told in by_person.items() if name != who]
        if count < LEAST or sum(number for number, _ in rest) < LEAST:
            continue
        others = np.sum([curve for _, curve in rest], axis=0)
        apart = float(own.max() + others.max() - (own + others).max())
        inside = GRID[own >= own.max() - HALF_95]
        rows.append(
            Slips(
                who,
                finding,
                count,
                float(GRID[own.argmax()]),
                (float(inside[0]), float(inside[-1])),
                float(GRID[others.argmax()]),
                chi_square_tail(2.0 * apart, 1),
                1.0,
            )
        )
    return rows


def _curves(
    compiled: CompiledModel,
    tickets: Sequence[ClosedTicket],
    wrote: Mapping[int, Mapping[str, str]],
) -> dict[str, dict[str, tuple[int, Array]]]:
    """Finding -> person -> how many results, and their log-likelihood along GRID."""
    model, network = compiled.model, compiled.network
    histories = {variable.name for variable in model.of_kind(Kind.HISTORY)}
    findings = {variable.name for variable in model.of_kind(Kind.FINDING)}
    patterns: dict[tuple[frozenset[tuple[str, str]], frozenset[str]], list[ClosedTicket]] = {}
    for ticket in tickets:
        told = frozenset((n, r) for n, r in ticket.findings.items() if n in histories)
        patterns.setdefault((told, frozenset(ticket.causes or ())), []).append(ticket)
    keys = list(patterns)
    pasts = [dict(sorted(told)) for told, _ in keys]
    found: dict[str, dict[str, tuple[int, Array]]] = defaultdict(dict)
    for part in batches(compiled, pasts):
        evidence = evidence_columns(compiled, [pasts[i] for i in part])
        label = label_columns(compiled, [keys[i][1] for i in part])
        given = beliefs(compiled, evidence.with_columns(label))
        possible = ~np.isneginf(np.broadcast_to(given.log_evidence, (len(part),)))
        chances: dict[str, Array] = {}
        for column, at in enumerate(part.tolist()):
            if not possible[column]:
                continue
            for ticket in patterns[keys[at]]:
                for name, result in ticket.findings.items():
                    who = wrote[ticket.number].get(name)
                    if who is None or name not in findings:
                        continue
                    number = network.index[name]
                    if name not in chances:
                        table = posterior(compiled, given, number)
                        chances[name] = np.broadcast_to(table, (network.cards[number], len(part)))
                    chance = float(chances[name][network.states[number].index(result), column])
                    wrong = (1.0 - chance) / (network.cards[number] - 1)
                    curve = np.log(np.maximum((1.0 - GRID) * chance + GRID * wrong, 1e-12))
                    count, before = found[name].get(who, (0, np.zeros_like(GRID)))
                    found[name][who] = count + 1, before + curve
    return found
