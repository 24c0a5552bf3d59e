"""A proposal judged against other figures: forecasts, money and mistakes, and one verdict.

Cross-validation: for each fold the figures are tuned with the proposal's own options on all
other tickets, and both sides are judged on the fold. Forecasts are scored on what was recorded.
For the jobs played again, what was never looked at is drawn from a reference tuned on the fold
held out alone, which neither side has seen: it leans towards the file, the less the more
tickets it has, so that savings are understated rather than made up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from faultfinder.decide.shop import Shop
from faultfinder.errors import MisuseError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.judge.forecasts import Forecasts, check_same_structure, forecast
from faultfinder.learning.judge.paired import Difference, paired_difference
from faultfinder.learning.judge.played import FIGURES, Played, play_tickets
from faultfinder.learning.judge.replay import Comparison, Tickets, compared, random_folds
from faultfinder.model.network import Array, Ints

FOLDS = 5
COSTS = ("money", "needless", "wrong")
"""Of a job played, what a verdict goes by besides forecasts (see `played.FIGURES`)."""
BEYOND = 50.0
"""Times the tickets there are, from which more of them are not worth waiting for."""


@dataclass(frozen=True)
class Verdict:
    """`word` is "better", "worse" or "cannot tell yet"; `more` is about how many more tickets
    with a confirmed cause would tell, None where that is settled or out of reach. `against` names
    what speaks against the proposal beyond chance: "label_log_loss" or some of `COSTS`."""

    word: str
    more: int | None = None
    against: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Jobs:
    """Jobs played again under the rival's figures and under the proposal's: means a job by name
    (`played.FIGURES`), and new minus old. `numbers` are the tickets that both played. `in_vain`
    tells by repair how many more of those that mended nothing the proposal makes in a job.

    The jobs of a fold go by the same figures and share what is decided, so that each fold counts
    as one observation."""

    old: Mapping[str, float]
    new: Mapping[str, float]
    differences: Mapping[str, Difference]
    numbers: tuple[int, ...]
    in_vain: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Judged:
    """A proposal against a rival, old, on the same tickets."""

    rival: str
    found: Comparison
    jobs: Jobs | None
    verdict: Verdict


@dataclass(frozen=True, eq=False)
class Rival:
    """Other figures of the same model: `learnt` are the tickets, by number, that they have learnt
    from themselves; only the others judge them."""

    name: str
    compiled: CompiledModel
    learnt: frozenset[int] = frozenset()


def same_structure(one: CompiledModel, other: CompiledModel) -> bool:
    """Whether two models have the same causes and findings, so that they can be compared."""
    try:
        check_same_structure(one, other)
    except MisuseError:
        return False
    return True


def judge(
    tickets: Tickets,
    fit: Callable[[Tickets], CompiledModel],
    rivals: tuple[Rival, ...],
    *,
    folds: int = FOLDS,
    most: int = 100,
    shop: Shop | None = None,
    seed: int = 0,
) -> tuple[Judged, ...]:
    """The proposal that `fit` makes, against each rival with two tickets or more to judge by.

    Tickets without a confirmed cause, or with one of several meanings, are learnt from and judge
    nothing.

    Of each fold about `most / folds` tickets are played again; with 0, or for a model without
    repairs, none. Raises MisuseError as `compared` does, and for models that differ in structure.
    """
    known = [ticket for ticket in tickets if ticket.causes is not None and ticket.share == 1.0]
    unknown = [ticket for ticket in tickets if ticket.causes is None or ticket.share < 1.0]
    split = random_folds(known, folds, seed)
    chosen = [r for r in rivals if len(_new_to(r, known)) >= 2]
    forecasts: dict[str, list[tuple[Forecasts, Forecasts]]] = {r.name: [] for r in chosen}
    plays: dict[str, list[tuple[Played, Played]]] = {r.name: [] for r in chosen}
    held: dict[str, list[int]] = {r.name: [] for r in chosen}
    for learn_from, judge_by in split:
        new = fit([*learn_from, *unknown])
        may_play = most and new.model.repairs and any(t.causes for t in judge_by)
        reference = fit(judge_by) if may_play else None
        new_plays: dict[int, Played] = {}
        for rival in chosen:
            check_same_structure(rival.compiled, new)
            fresh = _new_to(rival, judge_by)
            if not fresh:
                continue
            forecasts[rival.name].append((forecast(rival.compiled, fresh), forecast(new, fresh)))
            held[rival.name] += [ticket.number for ticket in fresh]
            if reference is None:
                continue
            some = math.ceil(most / folds)
            # Rivals that never learnt have the same tickets, which are played once.
            if len(fresh) not in new_plays:
                new_plays[len(fresh)] = play_tickets(
                    new, fresh, reference, shop=shop, most=some, seed=seed
                )
            old = play_tickets(rival.compiled, fresh, reference, shop=shop, most=some, seed=seed)
            plays[rival.name].append((old, new_plays[len(fresh)]))
    bare = [ticket for ticket in unknown if ticket.causes is None]
    by_number = {ticket.number: ticket for ticket in tickets}
    found = []
    for rival in chosen:
        scored = [by_number[number] for number in held[rival.name]]
        comparison = compared(forecasts[rival.name], [*scored, *bare], seed)
        jobs = _jobs(plays[rival.name])
        verdict = verdict_on(comparison, jobs)
        found.append(Judged(rival.name, comparison, jobs, verdict))
    return tuple(found)


def _new_to(rival: Rival, tickets: Tickets) -> Tickets:
    return [ticket for ticket in tickets if ticket.number not in rival.learnt]


def _jobs(plays: list[tuple[Played, Played]]) -> Jobs | None:
    """Both sides on the tickets that both could play; None where that are fewer than two."""
    sides: tuple[dict[str, list[Array]], ...] = ({n: [] for n in FIGURES}, {n: [] for n in FIGURES})
    vain: tuple[dict[str, float], ...] = ({}, {})
    numbers: list[int] = []
    folds: list[int] = []
    for fold, pair in enumerate(plays):
        both = sorted(set(pair[0].numbers) & set(pair[1].numbers))
        numbers += both
        folds += [fold] * len(both)
        for side, wrong, one in zip(sides, vain, pair, strict=True):
            place = {number: i for i, number in enumerate(one.numbers)}
            rows: Ints = np.array([place[number] for number in both], dtype=np.int64)
            for name in FIGURES:
                side[name].append(one.figures[name][rows])
            for repair, times in one.in_vain.items():
                wrong[repair] = wrong.get(repair, 0.0) + float(times[rows].sum())
    if len(numbers) < 2:
        return None
    old, new = ({n: np.concatenate(parts) for n, parts in side.items()} for side in sides)
    groups: Ints = np.array(folds, dtype=np.int64)
    return Jobs(
        {name: float(values.mean()) for name, values in old.items()},
        {name: float(values.mean()) for name, values in new.items()},
        {name: paired_difference(old[name], new[name], groups=groups) for name in FIGURES},
        tuple(numbers),
        {
            repair: (vain[1].get(repair, 0.0) - vain[0].get(repair, 0.0)) / len(numbers)
            for repair in sorted({*vain[0], *vain[1]})
        },
    )


def verdict_on(found: Comparison, jobs: Jobs | None) -> Verdict:
    """Better where the confirmed causes are clearly better foretold, and none of `COSTS` is
    clearly higher. Worse where they are clearly worse foretold or a job clearly costs more, or
    where anything is clearly worse and nothing speaks for it. Else it cannot be told: also where
    causes are better foretold and more is done for nothing, which a person has to weigh.

    A repair that mends nothing is in the money at its full cost, and one that takes no longer
    than a look is rightly made to see whether it helps: true figures can make more of them than
    wrong ones. So their number speaks against a proposal only where a job costs no less.

    An interval narrows with the root of the number of tickets: as many more as would make it
    leave out zero if the mean stayed.
    """
    loss = found.differences["label_log_loss"]
    told = {"label_log_loss": loss, **(jobs.differences if jobs is not None else {})}
    paid = "money" in told and told["money"].mean < 0.0
    against = tuple(
        name
        for name in ("label_log_loss", *COSTS)
        if name in told and told[name].interval[0] > 0.0 and not (name == "wrong" and paid)
    )
    foretold = loss.interval[1] < 0.0
    if {"label_log_loss", "money"} & {*against} or (against and not foretold):
        return Verdict("worse", against=against)
    if foretold:
        return Verdict("cannot tell yet" if against else "better", against=against)
    half = (loss.interval[1] - loss.interval[0]) / 2.0
    if loss.mean == 0.0 or (half / loss.mean) ** 2 > BEYOND:
        return Verdict("cannot tell yet")
    more = loss.count * ((half / abs(loss.mean)) ** 2 - 1.0)
    return Verdict("cannot tell yet", max(1, math.ceil(more)))
