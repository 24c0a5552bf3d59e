"""What the author believes of each figure, apart from what was counted from tickets.

A version keeps, for every figure that tuning wrote, what the author believed and how it was
written. A figure in a file that is still as tuning wrote it stands for that belief; one that
somebody changed is the new belief. So tickets are counted from the beliefs each time, once,
whatever was edited, adopted or rolled back between.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace

from faultfinder.learning.bench.figures import (
    BenchFigure,
    Spot,
    Values,
    bench_values,
    same_values,
    with_values,
)
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.em.parameters import to_learn
from faultfinder.learning.proposal import alike, figure_again
from faultfinder.model.figures import Place, restated
from faultfinder.model.parts import FaultModel, Table
from faultfinder.model.was import Was

BENCH = "(bench)"
"""What stands for the variable of a figure of the bench: no name of a variable."""
Chances = Mapping[str, float]
"""A figure: state -> probability."""


@dataclass(frozen=True)
class Learnt:
    """One tuned figure. `spot` tells figures of a variable apart; `written` is what stands in
    the file, `believed` what its author said, `tickets` how many speak on it, `low` and `high`
    bound it (90 %)."""

    variable: str
    spot: str
    written: Chances
    believed: Chances
    tickets: float
    low: Chances = field(default_factory=dict)
    high: Chances = field(default_factory=dict)


def learnt_from(
    figures: Iterable[Figure], base: FaultModel, written: FaultModel
) -> tuple[Learnt, ...]:
    """The evidence of tuned figures of the model `base`, as they stand in the model `written`."""
    return tuple(
        Learnt(
            figure.place.variable,
            spot(base, figure.place),
            dict(zip(figure.states, figure_again(base, written, figure.place), strict=True)),
            dict(zip(figure.states, figure.before, strict=True)),
            figure.tickets,
            dict(zip(figure.states, figure.low, strict=True)),
            dict(zip(figure.states, figure.high, strict=True)),
        )
        for figure in figures
    )


def figures_learnt(model: FaultModel, learnt: Iterable[Learnt]) -> list[Figure]:
    """Tuned figures as they were kept with a version, whose `model` is this."""
    places = {
        (one.place.variable, spot(model, one.place)): one.place
        for _, stated in to_learn(model)
        for one in stated
    }
    found = []
    for one in learnt:
        place = places.get((one.variable, one.spot))
        if place is not None:
            states = model.by_name[one.variable].states
            rows = (one.believed, one.written, one.low or one.written, one.high or one.written)
            before, after, low, high = (tuple(row[state] for state in states) for row in rows)
            found.append(Figure(place, states, before, after, low, high, one.tickets))
    return found


def spot(model: FaultModel, place: Place) -> str:
    """What tells a figure of a variable from its others, whatever a row's number or key is."""
    told = model.by_name[place.variable].distribution
    when: Mapping[str, Sequence[str]] = {}
    if isinstance(told, Table) and place.row is not None:
        when = told.rows[place.row].when
    held = {name: sorted(states) for name, states in when.items()}
    kind = "row" if place.kind == "chance" else place.kind
    return json.dumps([kind, place.parent, place.state, held], sort_keys=True)


def believed(
    model: FaultModel,
    learnt: Sequence[Learnt],
    named: Callable[[Place], Collection[str]] | None = None,
) -> FaultModel:
    """The model with its author's figures in place of tuned ones; of `learnt` the first counts
    that fits.

    `named` says which states a figure gives in the file. Where the first one is left to take the
    rest, each other chance stands for itself: one of them may have been edited alone.
    """
    by_variable: dict[str, list[Learnt]] = {}
    for one in learnt:
        by_variable.setdefault(one.variable, []).append(one)
    was = Was(model)

    def belief(place: Place, gives: Sequence[float]) -> Sequence[float]:
        variable = model.by_name[place.variable]
        spots = spot(model, place)
        fits: list[tuple[bool, tuple[float, ...]]] = []
        same: list[tuple[tuple[float, ...], tuple[float, ...]]] = []
        for name in (place.variable, *was.names(place.variable)):
            for one in by_variable.get(name, ()):
                written = was.chances(variable, one.written)
                author = was.chances(variable, one.believed)
                if written is None or author is None:
                    continue
                if alike(written, gives):
                    fits.append((one.spot != spots, author))
                elif one.spot == spots:
                    same.append((written, author))
        if fits:
            return min(fits, key=lambda fit: fit[0])[1]
        apart = _each_apart(gives, same) if len(gives) > 2 else None
        if apart is None or named is None or variable.states[0] in (told := named(place)):
            return gives
        return apart if told else gives

    return with_values(with_figures(model, belief), bench_beliefs(model, learnt))


def bench_learnt(figures: Iterable[BenchFigure], written: FaultModel) -> tuple[Learnt, ...]:
    """The evidence of figures of the bench, as they stand in the model `written`."""
    stands = bench_values(written)
    return tuple(
        Learnt(
            BENCH,
            json.dumps(one.spot),
            dict(stands[one.spot]),
            dict(one.before),
            one.count,
            dict(one.low),
            dict(one.high),
        )
        for one in figures
    )


def sound_spot(one: Learnt) -> bool:
    """Whether the spot of a figure is what a figure has: it may come from anywhere."""
    try:
        told = json.loads(one.spot)
    except (ValueError, RecursionError):
        return False
    return isinstance(told, list) and (
        one.variable != BENCH
        or (len(told) > 1 and bool(one.written) and all(isinstance(word, str) for word in told))
    )


def bench_figures_learnt(learnt: Iterable[Learnt]) -> list[BenchFigure]:
    """Figures of the bench as they were kept with a version."""
    return [
        BenchFigure(tuple(json.loads(one.spot)), one.believed, one.written, one.low, one.high,
                    one.tickets)
        for one in learnt
        if one.variable == BENCH
    ]  # fmt: skip


def bench_beliefs(model: FaultModel, learnt: Sequence[Learnt]) -> dict[Spot, Values]:
    """The author's figures of the bench where those in the model still stand as learning wrote
    them; of `learnt` the first counts that fits."""
    former = {check.name: check.was.names for check in model.checks}
    former |= {repair.name: repair.was.names for repair in model.repairs}
    causes = {cause.name: cause.was.names for cause in model.variables}
    kept: dict[Spot, list[BenchFigure]] = {}
    for one in bench_figures_learnt(learnt):
        kept.setdefault(one.spot, []).append(one)
    found: dict[Spot, Values] = {}
    for at, values in bench_values(model).items():
        names = [at]
        if at[0] in ("checks", "repairs"):
            for name in (at[1], *former.get(at[1], ())):
                ends = [at[2:]]
                if at[2] == "mends":
                    ends += [("mends", old) for old in causes.get(at[3], ())]
                names += [(at[0], name, *end) for end in ends]
        fits = (one for name in names for one in kept.get(name, ()))
        belief = next((one.before for one in fits if same_values(one.after, values)), None)
        if belief is not None:
            found[at] = belief
    return found


def _each_apart(
    gives: Sequence[float], learnt: Sequence[tuple[Sequence[float], Sequence[float]]]
) -> Sequence[float] | None:
    """A figure with the belief in place of each chance but the first that is still as written,
    the first one taking the rest; None where none is, or the rest would be less than none."""
    left = set(range(1, len(gives)))
    found = list(gives)
    for written, author in learnt:
        still = {k for k in left if alike(written[k : k + 1], gives[k : k + 1])}
        for k in still:
            found[k] = author[k]
        left -= still
    found[0] = 1.0 - sum(found[1:])
    return found if len(left) < len(gives) - 1 and found[0] >= 0.0 else None


def figures_of(model: FaultModel) -> dict[tuple[str, str], tuple[float, ...]]:
    """All figures that can be tuned, by variable and spot."""
    return {
        (one.place.variable, spot(model, one.place)): one.gives
        for _, stated in to_learn(model)
        for one in stated
    }


def with_figures(
    model: FaultModel, belief: Callable[[Place, Sequence[float]], Sequence[float]]
) -> FaultModel:
    """The model with what `belief` makes of each of its figures."""
    variables = list(model.variables)
    for number, stated in to_learn(model):
        rows = [belief(one.place, one.gives) for one in stated]
        variables[number] = restated(variables[number], rows)
    return replace(model, variables=tuple(variables), digest="")


_BESIDE_FIGURES = {"distribution", "basis", "line", "digest", "included"}


def same_but_figures(one: object, other: object) -> bool:
    """Whether two models say the same beside their figures."""
    if is_dataclass(one) and type(one) is type(other):
        return all(
            same_but_figures(getattr(one, f.name), getattr(other, f.name))
            for f in fields(one)
            if f.name not in _BESIDE_FIGURES
        )
    if isinstance(one, (tuple, list)) and isinstance(other, (tuple, list)):
        pairs = zip(one, other, strict=False)
        return len(one) == len(other) and all(same_but_figures(a, b) for a, b in pairs)
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(same_but_figures(one[k], other[k]) for k in one)
    return bool(one == other)
