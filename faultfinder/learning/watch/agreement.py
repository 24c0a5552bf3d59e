"""Where people and the model part ways on closed tickets, and which checks decide what is next.

The tickets are a shop's own, and who made which check was not drawn by lot: persons see
different machines, and differences between them are no measure of skill.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from faultfinder.assess.intervals import wilson
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import evidence_columns, log_probability
from faultfinder.learning.judge.forecasts import label_columns
from faultfinder.learning.records import drawn
from faultfinder.learning.steps import (
    IMPOSSIBLE,
    At,
    Known,
    Step,
    Told,
    adviser,
    check_steps,
    once,
    telling,
)
from faultfinder.model.parts import Check, FaultModel, Kind
from faultfinder.tickets.ticket import Ticket

AGREEMENT_TICKETS = 60
MOST_RESULTS = 200
"""Joint results of a check that are weighed."""
FIRST = 3
"""A check among the model's first so many counts as the model's own choice."""


@dataclass(frozen=True)
class Follower:
    """One person: how many of the checks made were among the model's first three.

    `past_worth` counts checks made when none was advised. `interval` is
    Wilson's 95 % interval of hits / checks, taking checks as independent.
    """

    who: str
    hits: int
    checks: int
    past_worth: int
    interval: tuple[float, float]


@dataclass(frozen=True)
class Decided:
    """A check: of the `made` times that the step after it was worked out, its result `changed`
    that `changed` times, against the step advised had nothing been told. `interval` is Wilson's
    95 % interval of changed / made; `minutes` is what those times took by the model."""

    check: str
    made: int
    changed: int
    minutes: float
    interval: tuple[float, float]


@dataclass(frozen=True)
class Departure:
    """A check that was made, the one the model would have named first, and how often.

    Of the `judged` times on tickets with a confirmed cause, the check that was made told more
    towards that cause for its minutes `right` times: bits by which its result raises the
    probability of what was confirmed, as recorded, else as expected of it given that cause.
    """

    made: str
    named: str
    times: int
    judged: int = 0
    right: int = 0


@dataclass(frozen=True)
class Agreement:
    """Persons by number of checks, departures, the commonest first, and whether checks changed
    what was done next, the idlest first.

    Worked out on `sampled` of `tickets`. `again` checks had been made before and
    `impossible` ones came when the model held what was found to be impossible: both
    are left out.
    """

    people: tuple[Follower, ...]
    departures: tuple[Departure, ...]
    decided: tuple[Decided, ...]
    tickets: int
    sampled: int
    again: int
    impossible: int


def agreement(
    tickets: Sequence[Ticket],
    compiled: CompiledModel,
    shop: Shop,
) -> Agreement:
    """Per person, the share of checks that were among the model's first three just then.

    The order is that of `faultfinder.consultation.consult`, from the stage in which the check
    before was made. Questions, what was written down with the intake and looks for safety are left
    out: those are always asked, and made whenever their stage is reached. At most AGREEMENT_TICKETS
    closed tickets are drawn.
    """
    closed = [ticket for ticket in tickets if not ticket.open]
    chosen = drawn(closed, AGREEMENT_TICKETS)
    weighed = _weighed(compiled.model)
    tell = telling(compiled, shop)
    ranks, advised_at = _ranks(tell, weighed), adviser(tell)
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    departures: Counter[tuple[str, str]] = Counter()
    parted: list[tuple[Step, str, Ticket]] = []
    decisions: dict[str, list[bool]] = defaultdict(list)
    again = impossible = 0
    for ticket in chosen:
        for step in check_steps(ticket, compiled.model):
            if step.at_intake or step.check not in weighed:
                continue
            ranked = ranks(step.before, step.stage)
            if ranked is None:
                impossible += 1
                continue
            names, advised = ranked
            told = compiled.model.checks_by_name[step.check].observes
            untold: Known = {**step.before, **dict.fromkeys(told)}
            without, after = (advised_at(one, step.reached) for one in (untold, step.after))
            if IMPOSSIBLE not in (without[0], after[0]):
                decisions[step.check].append(without != after)
            if step.check not in names:
                again += 1
                continue
            hit = step.check in names[:FIRST]
            count = counts[step.who]
            count[0] += hit
            count[1] += 1
            count[2] += not advised
            if not hit:
                departures[step.check, names[0]] += 1
                parted.append((step, names[0], ticket))
    judged, right = _who_was_right(compiled, parted)
    people = [
        Follower(who, hits, made, past, wilson(hits, made))
        for who, (hits, made, past) in counts.items()
    ]
    return Agreement(
        people=tuple(sorted(people, key=lambda one: (-one.checks, one.who))),
        departures=tuple(
            Departure(made, named, times, judged[made, named], right[made, named])
            for (made, named), times in sorted(
                departures.items(), key=lambda item: (-item[1], item[0])
            )
        ),
        decided=_decided(decisions, compiled.model),
        tickets=len(closed),
        sampled=len(chosen),
        again=again,
        impossible=impossible,
    )


def _decided(found: Mapping[str, Sequence[bool]], model: FaultModel) -> tuple[Decided, ...]:
    rows = [
        Decided(
            check,
            len(changes),
            sum(changes),
            len(changes) * model.checks_by_name[check].minutes,
            wilson(sum(changes), len(changes)),
        )
        for check, changes in found.items()
    ]
    return tuple(sorted(rows, key=lambda one: (one.interval[1], one.check)))


Pair = tuple[str, str]


def _who_was_right(
    compiled: CompiledModel, parted: Sequence[tuple[Step, str, Ticket]]
) -> tuple[Counter[Pair], Counter[Pair]]:
    """How often a departure can be judged by what was confirmed, and how often the check that was
    made told more for its minutes."""
    judged: Counter[Pair] = Counter()
    right: Counter[Pair] = Counter()
    model = compiled.model
    for step, named, ticket in parted:
        if not ticket.causes or not {v.name for v in model.variables}.issuperset(ticket.causes):
            continue
        rates = []
        for name in (step.check, named):
            check = model.checks_by_name[name]
            way = compiled.routes.get((step.stage, check.stage))
            bits = _bits_towards(compiled, step.before, check, ticket)
            if bits is None or way is None:
                break
            rates.append(bits / max(way.minutes + check.minutes, 0.5))
        else:
            judged[step.check, named] += 1
            right[step.check, named] += rates[0] > rates[1]
    return judged, right


def _bits_towards(
    compiled: CompiledModel, before: Known, check: Check, ticket: Ticket
) -> float | None:
    """log2 of how much likelier a check's result is given the confirmed causes than without: of
    the result on the ticket, else the mean over results given those causes."""
    network = compiled.network
    known = {n: r for n, r in before.items() if r is not None and n not in check.observes}
    states = [network.states[network.index[name]] for name in check.observes]
    rows = [dict(zip(check.observes, row, strict=True)) for row in product(*states)]
    if len(rows) > MOST_RESULTS:
        return None
    patterns = [{**known, **row} for row in (*rows, {})]
    told = evidence_columns(compiled, patterns)
    truth = label_columns(compiled, [frozenset(ticket.causes)] * len(patterns))
    free = log_probability(compiled, told)
    given = log_probability(compiled, told.with_columns(truth))
    if np.isneginf(given[-1]) or np.isneginf(free[-1]):
        return None
    chance, likely = np.exp(free[:-1] - free[-1]), np.exp(given[:-1] - given[-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        bits = np.where(likely > 0.0, np.log2(likely / chance), 0.0)
    seen = {name: ticket.findings.get(name) for name in check.observes}
    place = next((at for at, row in enumerate(rows) if row == seen), None)
    if place is not None:
        return float(bits[place]) if likely[place] > 0.0 else None
    return float(likely @ bits)


def _weighed(model: FaultModel) -> frozenset[str]:
    """The checks that are weighed: no questions at the counter, no looks for safety."""
    stopping = {rule.finding for rule in model.stop_rules}
    return frozenset(
        check.name
        for check in model.checks
        if not stopping.intersection(check.observes)
        and any(model.by_name[name].kind is Kind.FINDING for name in check.observes)
    )


def _ranks(tell: Told, weighed: frozenset[str]) -> At[tuple[list[str], bool] | None]:
    """The open checks at a moment, best first, and whether one is advised; None when the findings
    are impossible."""

    def rank(known: Known, stage: str) -> tuple[list[str], bool] | None:
        told = tell(known, stage)
        if told is None:
            return None
        return [c.check for c in told.order_at_bench if c.check in weighed], told.next is not None

    return once(rank)
