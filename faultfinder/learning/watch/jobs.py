"""What became of jobs: machines that came back, minutes against the model's, bill against quote.

All of it is read from logs, entries taken back left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from faultfinder.assess.intervals import bootstrap, wilson
from faultfinder.consultation.quote import Quote
from faultfinder.consultation.ranking import questions
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.records import drawn
from faultfinder.learning.steps import Known, check_steps, once, telling
from faultfinder.learning.watch.timed import STEP, Item, JobTime, Span, file_minutes, job_time
from faultfinder.model.network import Array
from faultfinder.tickets.events import Outcome, Repaired, Tried
from faultfinder.tickets.ticket import Ticket

JOBS = 200
"""Closed jobs whose quote is worked out, at most; those with a bill first, drawn at random."""

PAUSE = 4.0
"""A time is a pause in so far as it is longer than so many times the model's minutes for what was
done in it, and than HOUR (a choice, no source)."""
HOUR = 60.0


@dataclass(frozen=True)
class Comeback:
    """A machine that came back `days` after its ticket `first` was closed as repaired. `causes`
    were confirmed then, `causes_again` on ticket `again` (() while it is open, or where that was
    not established)."""

    first: int
    again: int
    days: float
    causes: tuple[str, ...]
    causes_again: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether a cause of then was found again."""
        return bool(set(self.causes) & set(self.causes_again))


@dataclass(frozen=True)
class Comebacks:
    """Of `repaired` tickets closed at least `days` before the newest entry, `hits` came back in
    that time; `young` were closed later and can still come. `found` are all comebacks in time."""

    days: float
    repaired: int
    hits: int
    young: int
    found: tuple[Comeback, ...]

    @property
    def interval(self) -> tuple[float, float]:
        """Wilson's 95 % interval of the share."""
        return wilson(self.hits, self.repaired)


@dataclass(frozen=True)
class Minutes:
    """Minutes of `jobs` as said at closing (`said` of them) or else by the log, pauses cut, against
    the model's for the same work; `ratio` is their quotient with a 95 % interval. `timed` is the
    share of the model's minutes whose time is known, `pauses` the minutes that were cut."""

    jobs: int
    log: float
    model: float
    ratio: float
    interval: tuple[float, float]
    timed: float
    pauses: float
    said: int = 0


@dataclass(frozen=True)
class Plans:
    """Minutes of `jobs` against what was to be planned for them when they came to the bench: means
    of what they took, of the model's minutes for what was done (`work`) and of the `plan`; `ratio`
    is the first over the last with a 95 % interval. `numbers` are the longest against their plan:
    (ticket, minutes, planned)."""

    jobs: int
    took: float
    work: float
    plan: float
    ratio: float
    interval: tuple[float, float]
    numbers: tuple[tuple[int, float, float], ...]


@dataclass(frozen=True)
class Bills:
    """What jobs came to against what was to be quoted when they came to the bench: how many
    `below`, `within` and `above` the range, and medians of the bill and of the likely quote.
    `numbers` are the dearest against their quote: (ticket, bill, quote's high)."""

    jobs: int
    below: int
    within: int
    above: int
    bill: float
    quote: float
    numbers: tuple[tuple[int, float, float], ...]

    @property
    def interval(self) -> tuple[float, float]:
        """Wilson's 95 % interval of the share above."""
        return wilson(self.above, self.jobs)


@dataclass(frozen=True)
class Quotes:
    """Quotes against bills: those `billed` at closing, and of repaired jobs without a bill what
    their logs tell (`reckoned`)."""

    billed: Bills
    reckoned: Bills


def comebacks(tickets: Sequence[Ticket], days: float) -> Comebacks:
    """Machines that came back within `days`; open tickets count as well."""
    by_number = {ticket.number: ticket for ticket in tickets}
    if not tickets:
        return Comebacks(days, 0, 0, 0, ())
    newest = max(_time(ticket.events[-1].at) for ticket in tickets if ticket.events)
    old = {
        ticket.number
        for ticket in tickets
        if ticket.outcome == Outcome.REPAIRED
        and ticket.closed_at is not None
        and _time(ticket.closed_at) + timedelta(days=days) <= newest
    }
    repaired = sum(ticket.outcome == Outcome.REPAIRED for ticket in tickets)
    found = []
    for ticket in tickets:
        first = by_number.get(ticket.first_ticket or 0)
        if first is None or first.closed_at is None or first.outcome != Outcome.REPAIRED:
            continue
        after = (_time(ticket.opened_at) - _time(first.closed_at)).total_seconds() / 86400.0
        if 0.0 <= after <= days:
            found.append(Comeback(first.number, ticket.number, after, first.causes, ticket.causes))
    hits = len({one.first for one in found} & old)
    return Comebacks(days, len(old), hits, repaired - len(old), tuple(found))


def minutes_of_jobs(tickets: Sequence[Ticket], compiled: CompiledModel, shop: Shop) -> Minutes:
    """Minutes of closed jobs by their logs against the model's for the same work."""
    planned = file_minutes(compiled, shop.handling_minutes)
    by_job = []
    everything = pauses = 0.0
    told = 0
    for ticket in tickets:
        if ticket.open:
            continue
        time = job_time(ticket, compiled)
        log, model = 0.0, 0.0
        for span in time.spans:
            said = sum(planned[item] for item in span.items)
            worked = _worked(span, said)
            pauses += span.minutes - worked
            told += span.said
            log, model = log + worked, model + said
        everything += model + sum(planned[item] for item in time.untimed)
        if time.spans:
            by_job.append((log, model))
    if not by_job:
        nothing = float("nan")
        return Minutes(0, nothing, nothing, nothing, (nothing, nothing), 0.0, 0.0)
    table = np.array(by_job)
    log, model = table.mean(axis=0).tolist()
    return Minutes(
        len(table),
        log,
        model,
        log / model,
        bootstrap(table, _ratio),
        float(table[:, 1].sum() / everything),
        pauses / len(table),
        told,
    )


def _ratio(tables: Array, axis: int) -> Array:
    """The sum of the first column over that of the last."""
    sums = tables.sum(axis=axis)
    ratio: Array = sums[:, 0] / sums[:, -1]
    return ratio


Quoted = Callable[[Ticket], Quote | None]
"""What a ticket was to be quoted and planned at the bench's door; None where the model holds its
findings to be impossible, and after a stop."""


def quoted(compiled: CompiledModel, shop: Shop) -> Quoted:
    """By what was known before the first check at the bench; tickets alike are worked out once."""
    tell = telling(compiled, shop)

    def quote(known: Known, stage: str) -> Quote | None:
        told = tell(known, stage)
        return None if told is None else told.quote

    ask = once(quote)
    return lambda ticket: ask(_at_the_door(ticket, compiled), compiled.model.start)


def minutes_and_plans(
    tickets: Sequence[Ticket], compiled: CompiledModel, shop: Shop, quote: Quoted
) -> Plans:
    """Minutes of closed jobs against the expected minutes of the plan at the bench's door, for at
    most JOBS of those that the customer did not decline.

    What a job took is what was said at closing, else the log's minutes (pauses cut), the model's
    where it tells none and for closing up. A plan knows neither proof tests nor what a step takes
    besides its work: both are added to it as often as they were made, at the model's minutes.
    """
    closed = [one for one in tickets if not one.open and one.outcome != Outcome.DECLINED]
    planned = file_minutes(compiled, shop.handling_minutes)
    numbers: list[int] = []
    rows: list[tuple[float, float, float]] = []
    for ticket in drawn(closed, JOBS):
        told, time = quote(ticket), job_time(ticket, compiled)
        if told is None or not (time.spans or ticket.bench_minutes):
            continue
        items = [*(item for span in time.spans for item in span.items), *time.untimed]
        # What a specialist does tells no times in the log.
        other = sum(planned["repair", name] for name in _handed_over(ticket, compiled))
        way = compiled.routes.get((time.left, compiled.model.start))
        other += 0.0 if way is None else way.minutes
        work = sum(planned[item] for item in items) + other
        took = ticket.bench_minutes or _worked_in(time, planned) + other
        besides = sum(planned[item] for item in items if item == STEP or item[0] == "proof")
        numbers.append(ticket.number)
        rows.append((took, work, told.minutes + besides))
    if not rows:
        nothing = float("nan")
        return Plans(0, nothing, nothing, nothing, nothing, (nothing, nothing), ())
    table = np.array(rows)
    took, work, plan = table.mean(axis=0).tolist()
    longest = np.argsort(table[:, 2] - table[:, 0], kind="stable")[:5]
    over = [(numbers[n], *table[n, [0, 2]].tolist()) for n in longest if table[n, 0] > table[n, 2]]
    return Plans(len(rows), took, work, plan, took / plan, bootstrap(table, _ratio), tuple(over))


def _handed_over(ticket: Ticket, compiled: CompiledModel) -> list[str]:
    by_name = compiled.model.repairs_by_name
    made = (e.entry.repair for e in ticket.counting() if isinstance(e.entry, Tried | Repaired))
    return [name for name in made if name in by_name and by_name[name].hand_over]


def _worked(span: Span, planned: float) -> float:
    """Minutes of work in a span for which the model has `planned`: a pause is cut, but not out of
    what somebody said."""
    return span.minutes if span.said else min(span.minutes, max(PAUSE * planned, HOUR))


def bills_and_quotes(
    tickets: Sequence[Ticket], compiled: CompiledModel, shop: Shop, quote: Quoted
) -> Quotes:
    """Bills against the quote at the bench's door.

    Where what was billed is written down, jobs count however they ended, as in the quote, but
    for those that the customer declined. Of repaired jobs without a bill it is the minutes said
    at closing or of the log (pauses cut; where no time is told, the model's) at the shop's rate,
    and the prices on order entries (where there is none, the model's likely one).
    """
    closed = [one for one in tickets if not one.open and one.outcome != Outcome.DECLINED]
    billed = drawn([one for one in closed if one.billed is not None], JOBS)
    rest = [one for one in closed if one.billed is None and one.outcome == Outcome.REPAIRED]
    rest = drawn(rest, JOBS - len(billed))
    planned = file_minutes(compiled, shop.handling_minutes)

    def against(some: Sequence[Ticket], bill: Callable[[Ticket], float]) -> Bills:
        told = ((ticket, quote(ticket)) for ticket in some)
        return _sums([(one.number, bill(one), said) for one, said in told if said is not None])

    return Quotes(
        against(billed, lambda ticket: ticket.billed or 0.0),
        against(rest, lambda ticket: _bill(ticket, compiled, shop, planned)),
    )


def _sums(rows: Sequence[tuple[int, float, Quote]]) -> Bills:
    if not rows:
        return Bills(0, 0, 0, 0, float("nan"), float("nan"), ())
    over = sorted(
        ((number, bill, told.high) for number, bill, told in rows if bill > told.high),
        key=lambda row: row[2] - row[1],
    )
    return Bills(
        len(rows),
        sum(bill < told.low for _, bill, told in rows),
        sum(told.low <= bill <= told.high for _, bill, told in rows),
        len(over),
        float(np.median([bill for _, bill, _ in rows])),
        float(np.median([told.likely for _, _, told in rows])),
        tuple(over[:5]),
    )


def _at_the_door(ticket: Ticket, compiled: CompiledModel) -> Known:
    """What was known before the first check at the bench."""
    asked = questions(compiled.model)
    known: Known = {}
    for step in check_steps(ticket, compiled.model):
        if step.check not in asked and not step.at_intake:
            break
        known = step.after
    return known


def _bill(
    ticket: Ticket, compiled: CompiledModel, shop: Shop, planned: Mapping[Item, float]
) -> float:
    minutes = _worked_in(job_time(ticket, compiled), planned)
    paid = {part.repair: part.price for part in ticket.parts if part.price is not None}
    money = 0.0
    for event in ticket.counting():
        if isinstance(event.entry, Tried | Repaired):
            repair = compiled.model.repairs_by_name.get(event.entry.repair)
            if repair is not None:
                money += paid.pop(repair.name, repair.part.likely)
    return shop.cost(minutes, money + sum(price for price in paid.values()))


def _worked_in(time: JobTime, planned: Mapping[Item, float]) -> float:
    """Minutes of a job by its log, the model's where no time is told."""
    timed = (_worked(span, sum(planned[item] for item in span.items)) for span in time.spans)
    return sum(timed) + sum(planned[item] for item in time.untimed)


def _time(at: str) -> datetime:
    return datetime.fromisoformat(at)
