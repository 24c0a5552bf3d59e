"""Tuning a model's figures to closed tickets: MAP estimates by EM.

Dempster, Laird & Rubin (1977); for Bayesian networks Lauritzen (1995). What is kept
fixed and what the prior is: see `expected_counts` (machines that never complained) and
`maximise` (the file's figures as pseudo-counts).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import Evidence, certain, log_probability
from faultfinder.learning.em.acceleration import extrapolate
from faultfinder.learning.em.contradictions import SetAside, set_aside
from faultfinder.learning.em.engine import At, Engine, build_engine, with_parts
from faultfinder.learning.em.expected_counts import Expected, expect
from faultfinder.learning.em.intervals import intervals
from faultfinder.learning.em.maximise import log_prior, maximise
from faultfinder.learning.em.parameters import (
    DEFAULT_WORTH,
    Family,
    read_families,
    rewritten,
)
from faultfinder.learning.em.patterns import Patterns, gather
from faultfinder.learning.em.pieces import cut
from faultfinder.learning.em.unwritten import BEFORE, most_probable, shares
from faultfinder.learning.em.unwritten import log_prior as log_prior_of_written
from faultfinder.learning.em.worth import KEPT, Weighed, group_of, weigh
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.figures import Place
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel, Kind

LEAST = 20
"""Closed tickets below which figures are not touched (a choice, no source)."""

ROUNDING = 1e-7
"""Relative fall of the log posterior that rounding may bring about."""


@dataclass(frozen=True)
class Figure:
    """One figure group before and after, as probabilities of `states`.

    `low` and `high` bound the 90 % credible interval of each. `tickets` is the expected
    number of tickets that speak on it: those in which its row or link was in force and
    its finding or history was recorded (with a half-life, in tickets of today's weight).
    """

    place: Place
    states: tuple[str, ...]
    before: tuple[float, ...]
    after: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    tickets: float


@dataclass(frozen=True, eq=False)
class Tuned:
    """The outcome of `tune`.

    `tables` are conditional tables by the network's variable names, axes (parents in the network's
    order..., own states). `log_posterior` has one value per round, without its constant;
    `log_likelihood` is the natural log of P(tickets) of the last round, unseen machines included.
    `weighed` tells what the file's figures are worth where the tickets chose it. `model` is the
    model with the new figures; the basis of each is as it was. `written` tells of each finding
    learnt as `unwritten` which share of its normal results, and of its others, is written down.
    """

    tables: Mapping[str, Array] = field(repr=False)
    log_posterior: tuple[float, ...]
    rounds: int
    converged: bool
    log_likelihood: float
    warnings: tuple[str, ...]
    tickets: int
    patterns: int
    set_aside: tuple[SetAside, ...]
    weighed: tuple[Weighed, ...]
    written: Mapping[str, tuple[float, float]]
    model: FaultModel = field(repr=False)
    work_out: Callable[[], tuple[Figure, ...]] = field(repr=False)

    @cached_property
    def figures(self) -> tuple[Figure, ...]:
        """The figures before and after with their intervals, worked out when asked for."""
        return self.work_out()


Progress = Callable[[int, float], None]
"""Called after each round with its number and the log posterior."""


def complaint_share(compiled: CompiledModel) -> float:
    """P(complaint) under the file's figures; 1 where the model has no complaint."""
    name = compiled.model.complaint
    if name is None:
        return 1.0
    number = compiled.network.index[name]
    card = compiled.network.cards[number]
    share = float(np.exp(log_probability(compiled, Evidence({number: certain(card, card - 1)}))[0]))
    if share <= 0.0:
        raise FaultfinderError("The model holds its own complaint to be impossible.")
    return min(share, 1.0)


@dataclass(frozen=True)
class Options:
    """How tickets are counted, and when the search ends.

    `label_error` e is the chance that a confirmed cause is wrong: the label is right with
    probability 1 - e, and else names each of its causes at random, q = (1/causes)^named.
    `half_life_days`: see `patterns.gather`. Rounds end when the log posterior
    rises by less than `tolerance` of its size (and 1); `least` tickets
    are needed, one of them with a confirmed cause unless `allow_unlabelled`. With
    `leave_out_impossible` tickets that the model holds impossible are left out and listed.
    `default_worth` is for figures without a basis. `accelerate=False` gives EM's own steps only.
    Of the findings `unwritten` what is missing is taken to be normal more often than not (see
    `faultfinder.learning.em.unwritten`); how often is learnt.

    Raises MisuseError for a label error that is no such chance.
    """

    label_error: float = 0.0
    half_life_days: float | None = None
    tolerance: float = 1e-9
    least: int = LEAST
    allow_unlabelled: bool = False
    leave_out_impossible: bool = False
    default_worth: float = DEFAULT_WORTH
    accelerate: bool = True
    unwritten: Collection[str] = ()

    def __post_init__(self) -> None:
        if not 0.0 <= self.label_error < 1.0:
            raise MisuseError(
                f"The label error is {self.label_error}; it must be from 0 to below 1."
            )


def tune(
    compiled: CompiledModel,
    tickets: Iterable[ClosedTicket],
    *,
    max_rounds: int = 200,
    progress: Progress | None = None,
    weigh_belief: bool = False,
    **how: Any,
) -> Tuned:
    """The most probable figures of a model given closed tickets and the file's figures.

    `how` are fields of `Options`. An interrupt (Ctrl-C) between or within rounds returns what
    there is. With `weigh_belief` the tickets
    choose what the file's figures are worth (see `faultfinder.learning.em.worth`).

    Raises MisuseError for unknown names (with the ticket's number), FaultfinderError for too few
    tickets, for tickets none of which says what was faulty, and for tickets the model holds
    impossible, unless `Options` let them pass.
    """
    run = begin(compiled, tickets, Options(**how))
    if weigh_belief:
        run.weigh()
    return finish(run, max_rounds, progress)


def begin(compiled: CompiledModel, tickets: Iterable[ClosedTicket], options: Options) -> Run:
    """A tuning up to its first E-step; raises as `tune` does."""
    unwritten = options.unwritten
    patterns = gather(compiled, tickets, options.half_life_days, unwritten)
    _check(patterns, options.least, options.allow_unlabelled)
    share = complaint_share(compiled)
    families = read_families(compiled, share, options.default_worth)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(compiled, patterns.codec, families, used, share)
    index, cards = compiled.network.index, compiled.network.cards
    written = {index[name]: shares(*BEFORE, cards[index[name]]) for name in unwritten}
    engine = with_parts(replace(engine, written=written), patterns)
    figures = {family.number: family.file for family in families}
    run = Run(engine, patterns, options, figures)
    run.first(options.leave_out_impossible)
    return run


def finish(run: Run, max_rounds: int = 200, progress: Progress | None = None) -> Tuned:
    """A tuning that was begun, to its end or to an interrupt (Ctrl-C)."""
    try:
        while run.rounds < max_rounds and not run.converged:
            run.round()
            if progress is not None:
                progress(run.rounds, run.trace[-1])
    except KeyboardInterrupt:
        run.stopped = True
    return _result(run)


def _check(patterns: Patterns, least: int, allow_unlabelled: bool) -> None:
    count = int(patterns.tickets.sum())
    least = max(least, 1)
    if count < least:
        was = "is 1 closed ticket" if count == 1 else f"are {count} closed tickets"
        raise FaultfinderError(
            f"There {was} to learn from; at least {least} are needed before figures are changed."
        )
    if not allow_unlabelled and not patterns.labelled.any():
        raise FaultfinderError(
            f"None of the {count} closed tickets says which cause was confirmed, so the rates of "
            "the causes would rest on the model's own opinion. Close tickets with their causes."
        )


class Run:
    """EM in progress."""

    def __init__(
        self,
        engine: Engine,
        patterns: Patterns,
        options: Options,
        figures: dict[int, Array],
    ) -> None:
        self.engine = engine
        self.file_families = engine.families
        self.patterns = patterns
        self.label_error = options.label_error
        self.tolerance = options.tolerance
        self.accelerate = options.accelerate
        self.point = figures
        self.plain = figures
        self.cycle: list[dict[int, Array]] = []
        self.jumped = False
        self.rounds = 0
        self.trace: list[float] = []
        self.expected: Expected | None = None
        self.converged = False
        self.stopped = False
        self.aside: tuple[SetAside, ...] = ()
        self.weighed: tuple[Weighed, ...] = ()
        self.kept: dict[int, Array] = {}
        self.pieces = cut(engine, patterns, self.label_error)
        self._known: Expected | None = None

    def e_step(self) -> Expected:
        """What is to be expected at the present figures."""
        at = self.engine.at(self.point)
        if self.pieces is not None:
            return self.pieces.expect(at, self.patterns)
        return expect(at, self.patterns, self.label_error)

    def first(self, leave_out: bool) -> None:
        """The first E-step, in which impossible tickets are found."""
        found = self.e_step()
        if found.impossible.any():
            few = found.impossible.copy()
            if not leave_out:
                few[np.flatnonzero(few)[1:]] = False
            self.aside = set_aside(self.engine.compiled, self.patterns, few)
            if not leave_out:
                others = int(self.patterns.tickets[found.impossible].sum()) - 1
                raise FaultfinderError(
                    f"{self.aside[0]} Correct the ticket or the model, or leave such tickets out"
                    + (f" ({others} more are impossible)." if others else ".")
                )
            self.patterns = self.patterns.without(found.impossible)
            self.pieces = cut(self.engine, self.patterns, self.label_error)
            if not len(self.patterns.codes):
                raise FaultfinderError(f"The model holds every ticket impossible. {self.aside[0]}")
        self._known = found

    def weigh(self) -> None:
        """Let the tickets choose what the file's figures are worth."""
        families, self.weighed = weigh(self.engine, self.patterns, self.label_error)
        self.engine = replace(self.engine, families=families)
        kept = {one.group for one in self.weighed if one.factor == KEPT}
        model = self.engine.compiled.model
        self.kept = {f.number: f.file for f in families if group_of(model, f) in kept}

    def take(self, families: tuple[Family, ...]) -> None:
        """Go on with another prior, from the figures there are."""
        self.engine = replace(self.engine, families=families)
        self.trace, self.cycle, self.jumped, self.converged = [], [], False, False
        self.point = self.plain
        self._known = None

    def round(self) -> None:
        """One E-step and one M-step."""
        families = self.engine.families
        found = self._known
        self._known = None
        if found is None:
            found = self.e_step()
        value = found.log_likelihood + log_prior(families, self.point)
        value += log_prior_of_written(self.engine.written)
        self.rounds += 1
        last = self.trace[-1] if self.trace else -np.inf
        if self.jumped and not value >= last:
            # The long step led down: back to EM's own.
            self.point, self.jumped, self.cycle = self.plain, False, []
            self.trace.append(last)
            return
        slack = ROUNDING * max(1.0, abs(last)) if self.trace else 0.0
        if not value >= last - slack:
            raise AssertionError(
                f"the log posterior fell from {last!r} to {value!r} in round {self.rounds}"
            )
        self.trace.append(value)
        self.expected = found
        new = maximise(families, found.counts, self.point) | self.kept
        if found.written:
            self.engine = replace(self.engine, written=most_probable(found.written))
        close = value - last <= self.tolerance * (1.0 + abs(value))
        self.converged = len(self.trace) > 1 and not self.jumped and close
        self.cycle.append(self.point)
        self.plain, self.point, self.jumped = new, new, False
        if self.accelerate and len(self.cycle) == 2:
            far = extrapolate(self.cycle[0], self.cycle[1], new)
            if far is not None:
                self.point, self.jumped = far, True
            self.cycle = []


def _result(run: Run) -> Tuned:
    engine, patterns = run.engine, run.patterns
    model, compiled = engine.compiled.model, engine.compiled
    at = At(engine, run.plain)
    found = run.expected or expect(at, patterns, run.label_error)
    return Tuned(
        tables={name: at.tables[n] for n, name in enumerate(compiled.network.names)},
        log_posterior=tuple(run.trace),
        rounds=run.rounds,
        converged=run.converged,
        log_likelihood=found.log_likelihood,
        warnings=_warnings(run),
        tickets=int(patterns.tickets.sum()),
        patterns=len(patterns.codes),
        set_aside=run.aside,
        weighed=run.weighed,
        written={
            compiled.network.names[number]: (float(share[0]), float(share[1]))
            for number, share in engine.written.items()
        },
        model=rewritten(model, engine.families, run.plain),
        work_out=lambda: _figures(at, patterns, run.label_error, found),
    )


def _figures(at: At, patterns: Patterns, label_error: float, found: Expected) -> tuple[Figure, ...]:
    engine, model = at.engine, at.engine.compiled.model
    bounds = intervals(at, patterns, label_error)
    recorded = _recorded_share(engine, patterns)
    figures = []
    for family in engine.families:
        variable = model.variables[family.number]
        spoken = found.spoken.get(family.number, np.zeros_like(family.file)).sum(axis=1)
        spoken = spoken * recorded.get(family.number, 1.0)
        low, high = bounds[family.number]
        for group in np.flatnonzero(family.free).tolist():
            figures.append(
                Figure(
                    family.places[group],
                    variable.states,
                    tuple(family.file[group].tolist()),
                    tuple(at.figures[family.number][group].tolist()),
                    tuple(low[group].tolist()),
                    tuple(high[group].tolist()),
                    float(spoken[group]),
                )
            )
    return tuple(figures)


def _recorded_share(engine: Engine, patterns: Patterns) -> dict[int, float]:
    """Share of the tickets in which a history or an inner finding was recorded."""
    shares = {}
    whole = float(patterns.weights.sum())
    leaves = {leaf for read in engine.reads for leaf, _ in read.leaves}
    for place, number in enumerate(patterns.codec.columns[: patterns.codec.findings]):
        if number not in leaves and whole > 0.0:
            known = patterns.codes[:, place] > 0
            shares[number] = float(patterns.weights[known].sum()) / whole
    return shares


def _warnings(run: Run) -> tuple[str, ...]:
    said = []
    patterns, model = run.patterns, run.engine.compiled.model
    if run.stopped:
        said.append(f"Stopped after {run.rounds} rounds; the figures are not final.")
    elif not run.converged:
        said.append(f"Not settled after {run.rounds} rounds; the figures are not final.")
    if run.aside:
        count = sum(item.tickets for item in run.aside)
        said.append(f"{count} tickets were left out: the model holds them impossible.")
    bare = int(patterns.tickets[~patterns.labelled].sum())
    if bare:
        whole = int(patterns.tickets.sum())
        said.append(f"{bare} of {whole} tickets do not say which cause was confirmed.")
    silent = [
        model.variables[number].name
        for place, number in enumerate(patterns.codec.columns[: patterns.codec.findings])
        if not patterns.codes[:, place].any()
    ]
    if silent:
        listed = ", ".join(silent[:5]) + (f" and {len(silent) - 5} more" if silent[5:] else "")
        said.append(f"No ticket records {listed}: figures there stay as in the file.")
    above = run.engine.above_complaint
    if any(
        model.variables[f.number].kind is Kind.HISTORY and f.number in above
        for f in run.engine.families
    ):
        said.append(
            "How common a history is among machines that never come cannot be told from tickets: "
            "there the file's figures carry most of the weight."
        )
    return tuple(said)
