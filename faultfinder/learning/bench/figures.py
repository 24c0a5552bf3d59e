"""The figures of a model that are no probabilities of findings: read, and put into a model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from faultfinder.model.parts import Check, FaultModel, Move, Price, Repair

T = TypeVar("T", Check, Move, Repair)

Spot = tuple[str, ...]
"""Where a figure stands: ("checks", name, "minutes"), ("moves", from, to, "minutes"),
("repairs", name, "minutes" or "part"), ("repairs", name, "mends", cause), ("retest", "missed")."""

Values = Mapping[str, float]
"""A figure's numbers: "" where it is one, else price by low, likely, high; chance by state."""


@dataclass(frozen=True)
class BenchFigure:
    """A figure as the author believed it and as learnt, with a 90 % interval; `count` is how many
    times the log speaks on it."""

    spot: Spot
    before: Values
    after: Values
    low: Values
    high: Values
    count: float


def bench_values(model: FaultModel) -> dict[Spot, Values]:
    """All such figures of a model."""
    found: dict[Spot, Values] = {}
    for check in model.checks:
        found["checks", check.name, "minutes"] = {"": check.minutes}
    for move in model.moves:
        found["moves", move.start, move.end, "minutes"] = {"": move.minutes}
    for repair in model.repairs:
        found["repairs", repair.name, "minutes"] = {"": repair.minutes}
        if repair.part.high > 0.0:
            part = repair.part
            found["repairs", repair.name, "part"] = {
                "low": part.low, "likely": part.likely, "high": part.high
            }  # fmt: skip
        for cause, chances in repair.mends.items():
            found["repairs", repair.name, "mends", cause] = dict(chances)
    if model.retest is not None:
        found["retest", "missed"] = {"": model.retest.missed}
    return found


def with_values(model: FaultModel, values: Mapping[Spot, Values]) -> FaultModel:
    """The model with other figures; those of spots that it lacks are passed over."""

    def timed(one: T, *spot: str) -> T:
        told = values.get((*spot, "minutes"))
        return one if told is None else replace(one, minutes=told[""])

    def repair(one: Repair) -> Repair:
        price = values.get(("repairs", one.name, "part"))
        if price is not None:
            one = replace(one, part=Price(price["low"], price["likely"], price["high"]))
        mends = {
            cause: dict(values.get(("repairs", one.name, "mends", cause), chances))
            for cause, chances in one.mends.items()
        }
        return replace(timed(one, "repairs", one.name), mends=mends)

    retest, missed = model.retest, values.get(("retest", "missed"))
    if retest is not None and missed is not None:
        retest = replace(retest, missed=missed[""])
    return replace(
        model,
        checks=tuple(timed(one, "checks", one.name) for one in model.checks),
        moves=tuple(timed(one, "moves", one.start, one.end) for one in model.moves),
        repairs=tuple(map(repair, model.repairs)),
        retest=retest,
        digest="",
    )


def same_values(one: Values, other: Values) -> bool:
    """Whether two figures are the same numbers as written."""
    return one.keys() == other.keys() and all(
        abs(value - other[key]) <= 1e-9 * max(1.0, abs(value)) for key, value in one.items()
    )


def spot_words(model: FaultModel, spot: Spot) -> str:
    """What a figure is of, in the titles of the model."""
    kind, name, *rest = spot
    if kind == "checks" and name in model.checks_by_name:
        return f"{model.checks_by_name[name].title}, minutes"
    if kind == "moves":
        titles = [
            model.stages_by_name[one].title if one in model.stages_by_name else one
            for one in (name, rest[0])
        ]
        return f"From {titles[0]} to {titles[1]}, minutes"
    if kind == "repairs" and name in model.repairs_by_name:
        title = model.repairs_by_name[name].title
        if rest[0] == "mends":
            cause = model.by_name[rest[1]].title if rest[1] in model.by_name else rest[1]
            return f"{title}: cures {cause}"
        return f"{title}, {'minutes' if rest[0] == 'minutes' else 'price of the part'}"
    if spot == ("retest", "missed"):
        return "A fault still there that the look after a repair misses"
    return " ".join(spot)


def main_key(spot: Spot, values: Sequence[str]) -> str:
    """The number of a figure that is told: the likely price, the first state, or the one."""
    return "likely" if spot[-1] == "part" else values[0]
