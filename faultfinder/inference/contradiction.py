"""Which findings contradict each other, and which one does not fit the rest."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import combinations, islice

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import Evidence, log_probability
from faultfinder.inference.propagation import Calibrated

CHUNK = 512
"""Evidence sets judged in one pass."""


def _subsets(evidence: Evidence, subsets: Sequence[tuple[int, ...]]) -> Evidence:
    """One batch column per subset: the variables outside it are left unknown."""
    columns = {}
    for number, vector in evidence.likelihoods.items():
        column = np.ones((len(vector), len(subsets)))
        for place, subset in enumerate(subsets):
            if number in subset:
                column[:, place] = vector
        columns[number] = column
    return Evidence(columns, evidence.silent)


def log_probabilities(
    compiled: CompiledModel, evidence: Evidence, subsets: Iterable[tuple[int, ...]]
) -> np.ndarray:
    """Natural log of P(subset of the evidence) for each subset of variable numbers."""
    waiting = iter(subsets)
    parts = []
    while chunk := list(islice(waiting, CHUNK)):
        logs = log_probability(compiled, _subsets(evidence, chunk))
        parts.append(np.broadcast_to(logs, (len(chunk),)))
    return np.concatenate(parts) if parts else np.zeros(0)


def smallest_contradiction(
    compiled: CompiledModel, evidence: Evidence, always: frozenset[int] = frozenset()
) -> tuple[int, ...]:
    """A smallest set of variables whose evidence, with `always`, is impossible.

    The evidence as a whole must be impossible. Searches by size, up to the size of
    one irreducible set found first by taking findings away one at a time.
    """
    free = [number for number in evidence.likelihoods if number not in always]
    base = tuple(always & evidence.likelihoods.keys())
    # 1. Take away whatever is not needed: an irreducible set bounds the search.
    left = list(free)
    for number in free:
        fewer = [other for other in left if other != number]
        if np.isneginf(log_probabilities(compiled, evidence, [(*base, *fewer)])[0]):
            left = fewer
    # 2. Look for a smaller one, the smallest sizes first.
    for size in range(len(left)):
        if math.comb(len(free), size) > 200_000:
            break
        subsets = list(combinations(free, size))
        logs = log_probabilities(compiled, evidence, ((*base, *subset) for subset in subsets))
        for subset, log in zip(subsets, logs, strict=True):
            if np.isneginf(log):
                return subset
    return tuple(left)


def fit_of_each(
    compiled: CompiledModel,
    evidence: Evidence,
    calibrated: Calibrated,
    always: frozenset[int] = frozenset(),
) -> dict[int, float]:
    """P(finding | all other evidence) for each finding outside `always`; `calibrated` are the
    beliefs given all of the evidence."""
    judged = [number for number in evidence.likelihoods if number not in always]
    fits = {number: _fit_of_leaf(compiled, evidence, calibrated, number) for number in judged}
    rest = [number for number in judged if fits[number] is None]
    subsets = [tuple(n for n in evidence.likelihoods if n != number) for number in rest]
    without = dict(zip(rest, log_probabilities(compiled, evidence, subsets), strict=True))
    whole = calibrated.log_evidence[0]
    return {
        number: float(np.exp(whole - without[number])) if fit is None else fit
        for number, fit in fits.items()
    }


def _fit_of_leaf(
    compiled: CompiledModel, evidence: Evidence, calibrated: Calibrated, number: int
) -> float | None:
    """P(finding | rest) of a finding that nothing depends on, from the beliefs given all.

    By Bayes' rule P(parents | all) = P(finding | parents) P(parents | rest) / P(finding | rest);
    divided by P(finding | parents) and summed over the parents that is 1 / P(finding | rest).
    None where some state of the parents rules the finding out, and so is told no more.
    """
    if number not in compiled.leaves:
        return None
    likely = compiled.network.tables[number] @ evidence.likelihoods[number]
    if likely.min() <= 0.0:
        return None
    given = calibrated.marginal(compiled.network.parents[number])[..., 0]
    return float(1.0 / (given / likely).sum())
