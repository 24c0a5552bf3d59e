"""Several families of machines tuned together: what they share is pooled.

A figure that stands in several families as the same entry with the same numbers is a common one.
The tickets of the other families speak of it too, but a family may differ: in all they count
for at most `alike` tickets of the family itself, and S of them for S * alike / (S + alike), as
the variance of a mean and that between families add up (the normal form of a hierarchical prior,
Gelman et al., Bayesian Data Analysis, chapter 5). How alike the families are and
what the author's belief is worth beside is chosen as in `worth`: on the counts of tickets held
out, all families together; so what differs is learnt when tickets say so. What a family has of
its own is tuned as alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np

from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.em.estimates import LEAST, Options, Progress, Run, Tuned, begin, finish
from faultfinder.learning.em.expected_counts import expect
from faultfinder.learning.em.parameters import Family
from faultfinder.learning.em.worth import (
    EVIDENCE,
    FACTORS,
    KEPT,
    Weighed,
    counts_of,
    folds_of,
    group_of,
    machines,
    scores,
    weighted,
)
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.figures import Place
from faultfinder.model.network import Array, Flags

ALIKE = (0.0, 5.0, 20.0, 80.0, 320.0, KEPT)
"""Tickets of a family that those of all others count for at most: one of these, or all in full."""

SWEEPS = 2
"""Times that each family is tuned beside what the others have learnt."""

Key = tuple[object, ...]
Counts = dict[int, Array]


def tune_together(
    families: Sequence[tuple[CompiledModel, Sequence[ClosedTicket]]],
    *,
    max_rounds: int = 200,
    progress: Progress | None = None,
    least: int = LEAST,
    unwritten: Collection[str] = (),
    **how: Any,
) -> list[Tuned]:
    """Each family tuned with what the others know of the figures they share, in their order.

    The first is the one that is asked for: it has to have `least` tickets, and `unwritten` are
    its findings. `how` are other fields of `faultfinder.learning.em.estimates.Options`; raises as
    `tune` does.
    """
    runs = [
        begin(compiled, tickets, Options(**how, least=least, unwritten=unwritten))
        if place == 0
        else begin(compiled, tickets, Options(**how, least=1, allow_unlabelled=True))
        for place, (compiled, tickets) in enumerate(families)
    ]
    common = _common(runs)
    for run in runs:
        run.weigh()
    # Own figures keep what was chosen for them; common ones are weighed together.
    alone = [run.engine.families for run in runs]
    parts = [
        [expect(_at_file(run), fold, run.label_error).counts for fold in folds_of(run.patterns)]
        for run in runs
    ]
    counts: list[Counts] = [
        {f.number: counts_of(f, some).sum(axis=0) for f in run.engine.families}
        for run, some in zip(runs, parts, strict=True)
    ]
    chosen = _choose(runs, alone, parts, counts, common)
    try:
        for place in [*range(len(runs))] * SWEEPS if chosen else range(len(runs)):
            run = runs[place]
            if chosen:
                run.kept = {}
                others = _others(place, runs, counts, common)
                run.take(_with(run, alone[place], others, common[place], chosen))
            limit = run.rounds + max_rounds
            while run.rounds < limit and not run.converged:
                run.round()
                if progress is not None:
                    progress(run.rounds, run.trace[-1])
            if run.expected is not None:
                counts[place] = run.expected.counts
    except KeyboardInterrupt:
        for run in runs:
            run.stopped = not run.converged
    for run in runs:
        run.weighed = (*run.weighed, *chosen.values())
    return [finish(run, run.rounds) for run in runs]


def _at_file(run: Run) -> Any:
    return run.engine.at({family.number: family.file for family in run.engine.families})


def key_of(place: Place, states: Sequence[str], figures: Array) -> Key:
    """What tells a figure from all others of any family: where it stands, and its numbers."""
    row = None if place.key else place.row
    stands = (place.variable, place.kind, row, place.parent, place.state, place.key)
    return (*stands, tuple(states), tuple(np.round(figures, 9).tolist()))


def _common(runs: Sequence[Run]) -> list[dict[int, list[Key | None]]]:
    """Of each run, by variable, the key of each figure group that another run has as well."""
    every: list[dict[int, list[Key]]] = []
    seen: dict[Key, int] = {}
    for run in runs:
        variables = run.engine.compiled.model.variables
        keys = {
            family.number: [
                key_of(place, variables[family.number].states, family.file[group])
                for group, place in enumerate(family.places)
            ]
            for family in run.engine.families
        }
        for key in {key for some in keys.values() for key in some}:
            seen[key] = seen.get(key, 0) + 1
        every.append(keys)
    return [
        {number: [key if seen[key] > 1 else None for key in some] for number, some in keys.items()}
        for keys in every
    ]


def _others(
    place: int,
    runs: Sequence[Run],
    counts: Sequence[Mapping[int, Array]],
    common: Sequence[Mapping[int, Sequence[Key | None]]],
) -> Counts:
    """What the other families count for each figure group of one: zero where it is its own."""
    every: dict[Key, Array] = {}
    for other in range(len(runs)):
        if other == place:
            continue
        for number, keys in common[other].items():
            for group, key in enumerate(keys):
                if key is not None and number in counts[other]:
                    every[key] = every.get(key, 0.0) + counts[other][number][group]
    found = {}
    for family in runs[place].engine.families:
        more = np.zeros_like(family.file)
        for group, key in enumerate(common[place][family.number]):
            if key is not None and key in every:
                more[group] = every[key]
        found[family.number] = more
    return found


def _borrowed(run: Run, family: Family, others: Array, alike: float) -> Array:
    """The others' counts, in all no more than `alike` tickets of this family are worth."""
    limit = alike * machines(run.engine, family)
    total = others.sum(axis=1, keepdims=True)
    found: Array = others * (limit / (limit + total) if limit > 0.0 else 0.0)
    return found


def _is_common(keys: Sequence[Key | None]) -> Flags:
    return np.array([key is not None for key in keys], dtype=np.bool_)


def _choose(
    runs: Sequence[Run],
    alone: Sequence[Sequence[Family]],
    parts: Sequence[Sequence[Mapping[int, Array]]],
    counts: Sequence[Mapping[int, Array]],
    common: Sequence[Mapping[int, Sequence[Key | None]]],
) -> dict[str, Weighed]:
    """For each kind of figures what does best on tickets held out, over all families."""
    others = [_others(place, runs, counts, common) for place in range(len(runs))]
    tried: dict[str, dict[tuple[float, float], float]] = {}
    before: dict[str, float] = {}
    for place, run in enumerate(runs):
        first = {f.number: f for f in run.file_families}
        for family in alone[place]:
            shared = _is_common(common[place][family.number])
            if not shared.any():
                continue
            held = counts_of(family, parts[place])
            if not held.any() and not others[place][family.number].any():
                continue
            kind = group_of(run.engine.compiled.model, family)
            before[kind] = before.get(kind, 0.0) + float(scores(family, held)[shared].sum())
            own = tried.setdefault(kind, {})
            for factor, alike in product(FACTORS, ALIKE):
                file = first[family.number]
                more = _borrowed(run, file, others[place][family.number], alike)
                other = replace(file, worth=weighted(run.engine, file, factor), more=more)
                score = float(scores(other, held)[shared].sum())
                own[factor, alike] = own.get((factor, alike), 0.0) + score
    found = {}
    for kind, results in tried.items():
        best = max(results, key=lambda pair: results[pair])
        gain = results[best] - before[kind]
        if gain > 0.0:
            found[kind] = Weighed(f"common {kind}", best[0], gain, best[1])
    return found if sum(one.gain for one in found.values()) > EVIDENCE else {}


def _with(
    run: Run,
    alone: Sequence[Family],
    others: Counts,
    common: Mapping[int, Sequence[Key | None]],
    chosen: Mapping[str, Weighed],
) -> tuple[Family, ...]:
    """The families with what was chosen for their common figures."""
    file = {family.number: family for family in run.file_families}
    found = []
    for family in alone:
        pooled = chosen.get(group_of(run.engine.compiled.model, family))
        if pooled is not None:
            shared = _is_common(common[family.number])
            first = file[family.number]
            worth = np.where(shared, weighted(run.engine, first, pooled.factor), family.worth)
            more = _borrowed(run, first, others[family.number], pooled.alike or 0.0)
            family = replace(family, worth=worth, more=more)
        found.append(family)
    return tuple(found)
