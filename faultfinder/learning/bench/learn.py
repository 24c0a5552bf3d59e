"""Minutes, prices and success of repairs, counted from closed tickets.

Minutes come from the log's times and prices from its orders, as factors on what the file says
(see `robust`); chances from counts, with the file's figure as so many tickets more (a beta prior).
Like probabilities they are counted from the author's beliefs each time.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.bench.figures import BenchFigure, Spot, Values, same_values
from faultfinder.learning.bench.robust import factors
from faultfinder.learning.steps import repairs_made
from faultfinder.learning.watch.jobs import comebacks
from faultfinder.learning.watch.timed import STEP, Item, Span, file_minutes, job_time
from faultfinder.tickets.events import Ordered, Outcome, Repaired, Tried
from faultfinder.tickets.ticket import Ticket

LEAST = 3.0
"""Times that the log must speak on a figure before it is changed (a choice)."""
REPAIR_WORTH, MISSED_WORTH = 5.0, 20.0
"""For how many repairs the file's chance of a cure counts where it does not say, and its chance
that a fault is missed (a choice, no source)."""
SOON = 21.0
"""Days within which a fault that the look after a repair missed brings the machine back: common
practice, no source. Later it may have struck anew."""
SURE = 0.99
"""What a chance of 1 is taken for once a repair has failed."""
MOST_TICKETS, MOST_SPANS = 10_000, 50_000
"""Tickets and times that are looked at, the last ones: more tell nothing new, and logs take
room."""


@dataclass(frozen=True, eq=False)
class BenchLearnt:
    """`figures` that the log speaks on, changed or not. `step` is what a step takes besides its
    work, before and after, with its 90 % interval: a setting of the shop. `spans` times were read,
    of which the share `cut` was let go as pauses; `worth` times is what the file counts for."""

    figures: tuple[BenchFigure, ...]
    step: tuple[float, float, float, float]
    spans: int
    cut: float
    worth: float

    @property
    def changed(self) -> tuple[BenchFigure, ...]:
        """Those that come out as other numbers."""
        return tuple(one for one in self.figures if not same_values(one.before, one.after))


def learn_bench(tickets: Iterable[Ticket], compiled: CompiledModel, shop: Shop) -> BenchLearnt:
    """What closed tickets, under the names of today, say on the figures of the bench. `compiled`
    holds the author's beliefs."""
    closed = [ticket for ticket in tickets if not ticket.open]
    spans = [span for ticket in closed for span in job_time(ticket, compiled).spans][-MOST_SPANS:]
    minutes, step, cut, worth = _minutes(spans, compiled, shop)
    found = (
        *minutes,
        *_prices(closed, compiled),
        *_cures(closed, compiled),
        *_missed(closed, compiled),
    )
    return BenchLearnt(found, step, len(spans), cut, worth)


def _spot(item: Item) -> Spot | None:
    match item:
        case ("check", name):
            return "checks", name, "minutes"
        case ("repair", name):
            return "repairs", name, "minutes"
        case ("move", start, end):
            return "moves", start, end, "minutes"
        case _:
            return None


def _minutes(
    spans: Sequence[Span], compiled: CompiledModel, shop: Shop
) -> tuple[list[BenchFigure], tuple[float, float, float, float], float, float]:
    planned = file_minutes(compiled, shop.handling_minutes)
    items = list(planned)
    place = {item: at for at, item in enumerate(items)}
    sizes = np.array([planned[item] for item in items])
    free = [
        at for at, item in enumerate(items)
        if sizes[at] > 0.0 and (item == STEP or _spot(item) is not None)
    ]  # fmt: skip
    parts = [[place[item] for item in span.items] for span in spans]
    whole = [sum(sizes[at] for at in one) for one in parts]
    kept = [at for at, size in enumerate(whole) if size > 0.0]
    same = shop.handling_minutes
    if not kept:
        return [], (same, same, same, same), 0.0, 0.0
    told = factors(
        np.array([spans[at].minutes for at in kept]), [parts[at] for at in kept], sizes, free
    )

    ends = {
        at: tuple(float(sizes[at] * math.exp(log[at])) for log in (told.log, told.low, told.high))
        for at in free
    }
    found = []
    for at in free:
        spot = _spot(items[at])
        if spot is not None and told.count[at] >= LEAST:
            after, low, high = ({"": _three(value)} for value in ends[at])
            before = {"": float(sizes[at])}
            found.append(BenchFigure(spot, before, after, low, high, float(told.count[at])))
    mean, least, most = ends.get(place[STEP], (same, same, same))
    step = same, mean, least, most
    return found, step, told.cut, told.worth


def _prices(tickets: Sequence[Ticket], compiled: CompiledModel) -> list[BenchFigure]:
    repairs = [one for one in compiled.model.repairs if one.part.likely > 0.0]
    place = {repair.name: at for at, repair in enumerate(repairs)}
    paid: list[float] = []
    parts: list[list[int]] = []
    for ticket in tickets:
        for event in ticket.counting():
            entry = event.entry
            if isinstance(entry, Ordered) and entry.repair in place and entry.price:
                paid.append(entry.price)
                parts.append([place[entry.repair]])
    if not paid:
        return []
    sizes = np.array([repair.part.likely for repair in repairs])
    told = factors(np.array(paid), parts, sizes, range(len(sizes)))
    found = []
    for at, repair in enumerate(repairs):
        if told.count[at] >= LEAST:
            part = repair.part
            before = {"low": part.low, "likely": part.likely, "high": part.high}
            after, low, high = (
                {key: _three(value * math.exp(log[at])) for key, value in before.items()}
                for log in (told.log, told.low, told.high)
            )  # fmt: skip
            spot = "repairs", repair.name, "part"
            found.append(BenchFigure(spot, before, after, low, high, float(told.count[at])))
    return found


def _cures(tickets: Sequence[Ticket], compiled: CompiledModel) -> list[BenchFigure]:
    """How often a repair removes a cause: where one cause alone was confirmed, so that the look
    after the repair speaks of it."""
    repairs = compiled.model.repairs_by_name
    made: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    for ticket in tickets:
        if ticket.outcome != Outcome.REPAIRED or len(ticket.causes) != 1:
            continue
        cause = ticket.causes[0]
        for name, cure in repairs_made(ticket):
            if name in repairs and max(repairs[name].mends.get(cause, {"": 0.0}).values()) > 0.0:
                count = made[name, cause]
                count[0] += cure
                count[1] += 1
    found = []
    for (name, cause), (hits, times) in sorted(made.items()):
        if times < LEAST:
            continue
        repair = repairs[name]
        worth = repair.basis.worth if repair.basis is not None and repair.basis.worth else None
        before = dict(repair.mends[cause])
        found.append(
            _chance(("repairs", name, "mends", cause), before, hits, times, worth or REPAIR_WORTH)
        )
    return found


def _missed(tickets: Sequence[Ticket], compiled: CompiledModel) -> list[BenchFigure]:
    """How often the look after a repair misses a fault that is still there: machines that came
    back SOON with the same cause, and pictures that went again on the bench, over these and the
    faults that it saw. A cause that struck twice so soon counts as missed, which makes it too high
    rather than too low."""
    if compiled.model.retest is None:
        return []
    told = comebacks(tickets, SOON)
    missed = len({one.first for one in told.found if one.same})
    seen = 0
    for ticket in tickets:
        last: tuple[str, bool] | None = None
        for event in ticket.counting():
            if isinstance(event.entry, Tried | Repaired):
                now = event.entry.repair, isinstance(event.entry, Repaired)
                if not now[1] and last == (now[0], True):
                    missed += 1
                elif not now[1]:
                    seen += 1
                last = now
    if missed + seen < LEAST:
        return []
    before = {"": compiled.model.retest.missed}
    return [_chance(("retest", "missed"), before, missed, missed + seen, MISSED_WORTH)]


def _chance(spot: Spot, before: Values, hits: int, times: int, worth: float) -> BenchFigure:
    """A chance from counts; where it is told by state, all move by the same odds."""
    # Imported here: no everyday command needs it.
    from scipy.stats import beta

    some = [value for value in before.values() if value > 0.0]
    level = sum(some) / len(some)
    if level >= SURE:
        if hits == times:
            same = dict(before)
            return BenchFigure(spot, before, same, same, same, float(times))
        level = SURE
    a, b = hits + worth * level, times - hits + worth * (1.0 - level)
    ends = (a / (a + b), float(beta.ppf(0.05, a, b)), float(beta.ppf(0.95, a, b)))
    after, low, high = ({key: _moved(value, level, end) for key, value in before.items()}
                        for end in ends)  # fmt: skip
    return BenchFigure(spot, before, after, low, high, float(times))


def _moved(value: float, level: float, end: float) -> float:
    if value <= 0.0:
        return value
    odds = min(value, SURE) / (1.0 - min(value, SURE))
    odds *= end / (1.0 - end) * (1.0 - level) / level
    return min(_three(odds / (1.0 + odds)), 0.999)


def _three(value: float) -> float:
    """Three significant digits: no more is known."""
    return float(f"{value:.3g}")
