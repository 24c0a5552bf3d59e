"""What closed tickets say of the work at the bench: checks, departures, parts in vain.

All of it is read from the logs, entries taken back left out. Findings after a first repair
judge another machine than those before it, so checks are followed up to there.

The tickets are a shop's own, and who made which check was not drawn by lot: persons see
different machines, and differences between them are no measure of skill.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, product

import numpy as np

from faultfinder.assess.intervals import wilson
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel, entropy_bits
from faultfinder.inference.posterior import beliefs, log_probability
from faultfinder.learning.judge.forecasts import batches, evidence_columns, label_columns
from faultfinder.model.parts import Check, FaultModel, Kind
from faultfinder.tickets.events import Event, Found, Moved, Repaired, Tried
from faultfinder.tickets.ticket import Ticket

USAGE_TICKETS = 200
AGREEMENT_TICKETS = 60
MOST_RESULTS = 200
"""Joint results of a check that are weighed."""
FIRST = 3
"""A check among the model's first so many counts as the model's own choice."""

Known = dict[str, str]


@dataclass(frozen=True)
class CheckUse:
    """How often a check was made, and what it told.

    `made` counts over all tickets, `minutes` is `made` times the model's minutes of the
    check, the way to its stage left out. The rest is of the `followed` times on tickets
    whose beliefs were worked out: `leader_changed` counts how often another cause led
    afterwards, `bits` is the mean fall of the entropies of all causes added up (an upper
    bound of the entropy of their joint state; a single result can raise it, the mean is
    then below zero for chance or for figures that are off). NaN when never followed.
    """

    check: str
    made: int
    minutes: float
    followed: int
    leader_changed: int
    bits: float
    bits_per_minute: float


@dataclass(frozen=True)
class Usage:
    """The checks, most bits per minute first, those never made last.

    Beliefs were worked out on `sampled` of `tickets` closed tickets; `impossible` results
    were left out there since the model holds them so. `unknown` counts findings that are
    not the model's, or belong to no check of it.
    """

    checks: tuple[CheckUse, ...]
    tickets: int
    sampled: int
    impossible: int
    unknown: int


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


@dataclass(frozen=True)
class WrongParts:
    """Parts put in that did not cure, of all put in, on tickets closed in a month (YYYY-MM).

    `interval` is Wilson's 95 % interval of wrong / fitted.
    """

    month: str
    wrong: int
    fitted: int
    interval: tuple[float, float]


@dataclass(frozen=True)
class Step:
    """A check as the log has it: what was known before and after, what could not be told, in
    which `stage` the machine was and which one was `reached` for it; `at_intake` tells that it
    was written down with the intake."""

    ticket: int
    check: str
    who: str
    before: Known
    unclear: frozenset[str]
    after: Known
    unclear_after: frozenset[str]
    stage: str
    reached: str
    at_intake: bool


def check_usage(
    tickets: Sequence[Ticket], model: CompiledModel, *, most: int = USAGE_TICKETS, seed: int = 0
) -> Usage:
    """How often each check was made, and what it told in bits per minute.

    Open tickets are left out. Beliefs are worked out on at most `most` tickets drawn by
    `seed`. Results of one check without another check's between them are one making of it.
    """
    closed = [ticket for ticket in tickets if not ticket.open]
    chosen = {ticket.number for ticket in drawn(closed, most, seed)}
    homes = _homes(model.model)
    made: Counter[str] = Counter()
    followed: list[Step] = []
    unknown = 0
    for ticket in closed:
        unknown += sum(_check_of(made, homes, model.model) is None for made in _early(ticket))
        for step in check_steps(ticket, model.model):
            made[step.check] += 1
            if ticket.number in chosen:
                followed.append(step)
    bits, leading = _beliefs(model, followed)
    falls: dict[str, list[float]] = defaultdict(list)
    moved: Counter[str] = Counter()
    for step in followed:
        before, after = _key(step.before), _key(step.after)
        if before in bits and after in bits:
            falls[step.check].append(bits[before] - bits[after])
            moved[step.check] += leading[before] != leading[after]
    uses = []
    for check in model.model.checks:
        found = falls[check.name]
        mean = float(np.mean(found)) if found else float("nan")
        uses.append(
            CheckUse(
                check=check.name,
                made=made[check.name],
                minutes=made[check.name] * check.minutes,
                followed=len(found),
                leader_changed=moved[check.name],
                bits=mean,
                bits_per_minute=mean / check.minutes if check.minutes > 0.0 else float("nan"),
            )
        )
    uses.sort(key=lambda use: (_last(use.bits_per_minute), -use.made, use.check))
    return Usage(
        checks=tuple(uses),
        tickets=len(closed),
        sampled=len(chosen),
        impossible=len(followed) - sum(map(len, falls.values())),
        unknown=unknown,
    )


def agreement(
    tickets: Sequence[Ticket],
    compiled: CompiledModel,
    shop: Shop,
    *,
    most: int = AGREEMENT_TICKETS,
    seed: int = 0,
) -> Agreement:
    """Per person, the share of checks that were among the model's first three just then.

    The order is that of `faultfinder.consultation.consult`, from the stage in which the check
    before was made. Questions, what was written down with the intake and looks for safety are left
    out: those are always asked, and made whenever their stage is reached. At most `most` closed
    tickets are drawn by `seed`.
    """
    closed = [ticket for ticket in tickets if not ticket.open]
    chosen = drawn(closed, most, seed)
    ranks = _Ranks(compiled, shop)
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    departures: Counter[tuple[str, str]] = Counter()
    parted: list[tuple[Step, str, Ticket]] = []
    decisions: dict[str, list[bool]] = defaultdict(list)
    again = impossible = 0
    for ticket in chosen:
        for step in check_steps(ticket, compiled.model):
            if step.at_intake or step.check not in ranks.weighed:
                continue
            ranked = ranks.at(step)
            if ranked is None:
                impossible += 1
                continue
            names, advised = ranked
            changed = ranks.changed(step)
            if changed is not None:
                decisions[step.check].append(changed)
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
    known = {name: result for name, result in before.items() if name not in check.observes}
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


def repairs_made(ticket: Ticket) -> list[tuple[str, bool]]:
    """Each repair of a job in turn, and whether it cured."""
    made: list[tuple[str, bool]] = []
    for event in ticket.counting():
        if isinstance(event.entry, Tried | Repaired):
            name, cured = event.entry.repair, isinstance(event.entry, Repaired)
            if made and made[-1] == (name, True):
                # The picture came back and went again, or was entered twice.
                made.pop()
            made.append((name, cured))
    return made


def wrong_parts(tickets: Iterable[Ticket], model: FaultModel) -> tuple[WrongParts, ...]:
    """Repairs with a part that did not cure, over all with a part, by month of closing (UTC).

    A repair has a part when its likely price is above zero and it is not handed to a
    specialist. One entered as made and then, with no other repair between, as not having
    cured is one part, and a wrong one. Months without a part are left out.
    """
    with_part = {
        repair.name for repair in model.repairs if repair.part.likely > 0.0 and not repair.hand_over
    }
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for ticket in tickets:
        if ticket.open or ticket.closed_at is None:
            continue
        for name, cured in repairs_made(ticket):
            if name in with_part:
                count = counts[ticket.closed_at[:7]]
                count[0] += not cured
                count[1] += 1
    return tuple(
        WrongParts(month, wrong, fitted, wilson(wrong, fitted))
        for month, (wrong, fitted) in sorted(counts.items())
    )


# Reading the log


def drawn(tickets: Sequence[Ticket], most: int, seed: int) -> list[Ticket]:
    """At most so many tickets, in their order."""
    if len(tickets) <= most:
        return list(tickets)
    places = np.random.default_rng(seed).choice(len(tickets), size=most, replace=False)
    return [tickets[place] for place in np.sort(places).tolist()]


def _homes(model: FaultModel) -> dict[str, str]:
    """The check that observes each finding: the first that the model lists."""
    homes: dict[str, str] = {}
    for check in model.checks:
        for name in check.observes:
            homes.setdefault(name, check.name)
    return homes


def _before_repair(ticket: Ticket) -> Iterator[Event]:
    for event in ticket.counting():
        if isinstance(event.entry, Tried | Repaired):
            return
        yield event


def _early(ticket: Ticket) -> Iterator[Found]:
    for event in _before_repair(ticket):
        if isinstance(event.entry, Found):
            yield event.entry


def _check_of(made: Found, homes: Mapping[str, str], model: FaultModel) -> str | None:
    """The check a result belongs to; None when the name or the result is not the model's."""
    name, result = made.finding, made.result
    if name not in homes or (result is not None and result not in model.by_name[name].states):
        return None
    return homes[name]


def check_steps(ticket: Ticket, model: FaultModel) -> Iterator[Step]:
    """The checks of a ticket in turn, up to the first repair."""
    homes = _homes(model)
    stage = here = model.start
    rows: list[tuple[str, Found, str, str, bool]] = []
    for event in _before_repair(ticket):
        if isinstance(event.entry, Moved):
            here = event.entry.stage
        elif isinstance(event.entry, Found):
            check = _check_of(event.entry, homes, model)
            if check is not None:
                at_intake = event.at == ticket.opened_at
                rows.append((check, event.entry, event.who, here, at_intake))
    known: Known = {}
    unclear: set[str] = set()
    for check, run in groupby(rows, key=lambda row: row[0]):
        before, untold = dict(known), frozenset(unclear)
        who, reached, counter = "", stage, True
        for _, made, by, place, at_intake in run:
            counter &= at_intake
            name, result = made.finding, made.result
            known.pop(name, None)
            unclear.discard(name)
            if result is None:
                unclear.add(name)
            else:
                known[name] = result
            who, reached = who or by, place
        yield Step(ticket.number, check, who, before, untold, dict(known), frozenset(unclear),
                   stage, reached, counter)  # fmt: skip
        stage = reached


# Beliefs


def _key(known: Mapping[str, str]) -> frozenset[tuple[str, str]]:
    return frozenset(known.items())


Key = frozenset[tuple[str, str]]


def _beliefs(
    compiled: CompiledModel, steps: Sequence[Step]
) -> tuple[dict[Key, float], dict[Key, int]]:
    """Entropy of the causes in bits, added up, and the leading cause, per set of findings.

    Sets of findings that the model holds impossible are left out.
    """
    keys = list(dict.fromkeys(_key(known) for step in steps for known in (step.before, step.after)))
    patterns = [dict(sorted(key)) for key in keys]
    network = compiled.network
    bits: dict[Key, float] = {}
    leading: dict[Key, int] = {}
    for part in batches(compiled, patterns):
        # At least one column, also where nothing but the complaint is known.
        calibrated = beliefs(compiled, evidence_columns(compiled, [patterns[i] for i in part]))
        width = len(part)
        total = np.zeros(width)
        present = np.zeros((len(compiled.causes), width))
        for place, cause in enumerate(compiled.causes):
            states = np.broadcast_to(
                calibrated.marginal((cause,)), (network.cards[cause], width)
            ).clip(0.0, 1.0)
            total += entropy_bits(states)
            name = network.names[cause]
            faulty = [network.states[cause].index(s) for s in compiled.model.faulty_states(name)]
            present[place] = states[faulty].sum(axis=0)
        possible = ~np.isneginf(np.broadcast_to(calibrated.log_evidence, (width,)))
        # Rounded, so that causes that are alike to the last digit keep their order.
        leaders = present.round(9).argmax(axis=0)
        for column, number in enumerate(part.tolist()):
            if possible[column]:
                bits[keys[number]] = float(total[column])
                leading[keys[number]] = int(leaders[column])
    return bits, leading


class _Ranks:
    """The order of checks at a step, kept by what was known and where."""

    def __init__(self, compiled: CompiledModel, shop: Shop) -> None:
        self.compiled, self.shop = compiled, shop
        model = compiled.model
        stopping = {rule.finding for rule in model.stop_rules}
        self.weighed = {
            check.name
            for check in model.checks
            if not stopping.intersection(check.observes)
            and any(model.by_name[name].kind is Kind.FINDING for name in check.observes)
        }
        self.model_checks = model.checks_by_name
        self._steps: dict[tuple[Key, frozenset[str], str], tuple[str, str] | None] = {}
        self._kept: dict[tuple[Key, frozenset[str], str], tuple[list[str], bool] | None] = {}

    def at(self, step: Step) -> tuple[list[str], bool] | None:
        """The open checks, best first, and whether one is advised; None when the findings are
        impossible."""
        model = self.compiled.model
        stage = step.stage if step.stage in model.stages_by_name else model.start
        key = (_key(step.before), step.unclear, stage)
        if key not in self._kept:
            self._kept[key] = self._rank(step.before, step.unclear, stage)
        return self._kept[key]

    def changed(self, step: Step) -> bool | None:
        """Whether a check's results changed what is advised next, against the same machine with
        nothing told by it; None when findings are impossible."""
        told = self.model_checks[step.check].observes
        bare = {name: result for name, result in step.before.items() if name not in told}
        open_ones = step.unclear | frozenset(told)
        without = self._next(bare, open_ones, step.reached)
        after = self._next(step.after, step.unclear_after, step.reached)
        return None if without is None or after is None else without != after

    def _next(self, known: Known, unclear: frozenset[str], stage: str) -> tuple[str, str] | None:
        stage = stage if stage in self.compiled.model.stages_by_name else self.compiled.model.start
        key = (_key(known), unclear, stage)
        if key not in self._steps:
            seen = {**dict(sorted(known.items())), **dict.fromkeys(sorted(unclear))}
            try:
                step = consult(Case(self.compiled, seen, stage, shop=self.shop)).next_step
                self._steps[key] = ("stop", "") if step is None else (step.kind, step.name)
            except ImpossibleEvidence:
                self._steps[key] = None
        return self._steps[key]

    def _rank(
        self, known: Known, unclear: frozenset[str], stage: str
    ) -> tuple[list[str], bool] | None:
        seen = {**dict(sorted(known.items())), **dict.fromkeys(sorted(unclear))}
        try:
            told = consult(Case(self.compiled, seen, stage, shop=self.shop))
        except ImpossibleEvidence:
            return None
        names = [one.check for one in told.order_at_bench if one.check in self.weighed]
        return names, told.next is not None


def _last(value: float) -> float:
    """For sorting: the highest first, NaN last."""
    return float("inf") if np.isnan(value) else -value
