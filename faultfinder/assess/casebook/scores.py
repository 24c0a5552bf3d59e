"""How well a model did on real cases: shares right, bits, calibration, ranks.

The score in bits is the logarithmic one (Good, J. R. Stat. Soc. B 14 (1952) 107),
which only an honest chance makes least.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from faultfinder.assess.calibration import CalibrationBin, calibration_table
from faultfinder.assess.casebook.books import RealCase
from faultfinder.assess.casebook.judging import Judge, Judged, rank_of
from faultfinder.assess.intervals import bootstrap

FLOOR = 0.002
"""No group counts as less likely than this."""

BINS = (0.0, 0.3, 0.5, 0.8, 1.0)
"""Edges of the bins of the leading group's chance."""


@dataclass(frozen=True)
class Scored:
    """A case at a moment, scored. `groups` are normalised over the scored groups."""

    case: RealCase
    truth: frozenset[str]
    nameable: bool
    impossible: bool
    groups: Mapping[str, float]
    bits: float
    prior_bits: float

    @property
    def ranked(self) -> list[str]:
        """The groups, likeliest first."""
        return sorted(self.groups, key=lambda g: (-self.groups[g], g))

    @property
    def leader(self) -> str:
        return self.ranked[0]

    @property
    def chance(self) -> float:
        """The chance of the leading group."""
        return self.groups[self.leader]

    @property
    def right(self) -> bool:
        return self.leader in self.truth

    @property
    def in_three(self) -> bool:
        return bool(self.truth & set(self.ranked[:3]))


def normalised(groups: Mapping[str, float], scored: Iterable[str]) -> dict[str, float]:
    """The chances of the scored groups, each at least FLOOR, divided by their sum.

    >>> normalised({"a": 0.5, "b": 0.0}, ["a", "b"])["a"]
    0.9960159362549801
    """
    floored = {group: max(groups.get(group, 0.0), FLOOR) for group in scored}
    total = sum(floored.values())
    return {group: chance / total for group, chance in floored.items()}


def bits_of(groups: Mapping[str, float], truth: Iterable[str]) -> float:
    """-log2 of the chance of a true group, mean over the true groups."""
    found = [-math.log2(groups[group]) for group in truth]
    return sum(found) / len(found)


def scored_groups(judge: Judge) -> tuple[str, ...]:
    """The groups that are an answer."""
    return tuple(g for g in judge.vocabulary.groups if g not in judge.mapped.unscored)


def score(case: RealCase, judged: Judged) -> Scored | None:
    """The score of a case at a moment; None when nothing it had at fault is in a scored group."""
    judge = judged.judge
    groups = scored_groups(judge)
    truth = judge.vocabulary.groups_of(case.at_fault) & set(groups)
    if not truth:
        return None
    counted = {w for g in groups for w in judge.vocabulary.groups[g]}
    now = normalised(judged.groups, groups)
    return Scored(
        case=case,
        truth=truth,
        nameable=all(w in judge.wording.causes for w in case.at_fault if w in counted),
        impossible=judged.impossible,
        groups=now,
        bits=bits_of(now, truth),
        prior_bits=bits_of(normalised(judged.prior_groups, groups), truth),
    )


# Over many cases


@dataclass(frozen=True)
class Scores:
    """The scores of some cases at a moment."""

    count: int
    nameable: int
    top1: int
    top3: int
    bits: float
    prior_bits: float
    gain_interval: tuple[float, float]
    calibration: tuple[CalibrationBin, ...]
    promise: float
    """Mean of the chance of the leading group less whether it was right."""
    impossible: int

    @property
    def gain(self) -> float:
        return self.prior_bits - self.bits


def scores_of(rows: Sequence[Scored]) -> Scores | None:
    """The scores of some cases; None for no case."""
    if not rows:
        return None
    return Scores(
        count=len(rows),
        nameable=sum(row.nameable for row in rows),
        top1=sum(row.right for row in rows),
        top3=sum(row.in_three for row in rows),
        bits=_mean([row.bits for row in rows]),
        prior_bits=_mean([row.prior_bits for row in rows]),
        gain_interval=bootstrap([row.prior_bits - row.bits for row in rows]),
        calibration=calibration(rows),
        promise=_mean([row.chance - row.right for row in rows]),
        impossible=sum(row.impossible for row in rows),
    )


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def calibration(rows: Sequence[Scored]) -> tuple[CalibrationBin, ...]:
    """Chances of leading groups against how often they were right, with 90 % intervals; empty bins
    are left out."""
    chances, right = np.array([row.chance for row in rows]), np.array([row.right for row in rows])
    return tuple(one for one in calibration_table(chances, right, BINS, 0.9) if one.count)


def settles_later(case: RealCase) -> bool:
    """Whether a check settled the case that was not known at intake."""
    return case.settled_by != "none" and case.settled_by not in dict(case.intake)


def settling_rank(case: RealCase, intake: Judged) -> int | None:
    """The place of the check that settled the case, in the order at intake; None where there is
    no such check or it is not open."""
    return rank_of(intake.order, case.settled_by) if settles_later(case) else None


def runs(case: RealCase, judge: Judge) -> bool:
    """Whether what was told at intake says that the machine runs."""
    told = dict(case.intake)
    return any(set(told.get(f, ())) & set(values) for f, values in judge.mapped.runs.items())


def outside_rank(case: RealCase, intake: Judged) -> int | None:
    """The place of the outside screen at intake for a machine that runs; else None."""
    if not runs(case, intake.judge):
        return None
    return rank_of(intake.order, intake.judge.mapped.outside_screen)


def median_or_none(values: Sequence[float]) -> float | None:
    return median(values) if values else None
