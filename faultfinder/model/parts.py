"""What a model file says, as immutable values.

A model is a Bayesian network with a shop around it: histories, causes, hidden
conditions and findings are its variables; checks, teardown stages and moves say
what it takes to observe a finding at the bench.

State 0 of a variable is always its normal state ("no", "seated", "on").
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import field
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faultfinder.frozen import frozen


class Kind(StrEnum):
    """The role of a variable."""

    HISTORY = "history"
    CAUSE = "cause"
    CONDITION = "condition"
    COMPLAINT = "complaint"
    FINDING = "finding"


@frozen
class Basis:
    """Where a probability comes from.

    `kind` is "guess", "count" or "source"; `worth` is the equivalent sample size
    in tickets (None when the file does not say).
    """

    kind: str
    text: str
    worth: float | None = None


def worth_of_figure(default: float, *bases: Basis | None) -> float:
    """What a figure counts for, in tickets: by the first basis that says so, the nearest first."""
    for basis in bases:
        if basis is not None and basis.worth is not None:
            return basis.worth
    return default


@frozen
class Former:
    """What an entry was called before: its earlier `names`, and which share of what went by them
    is meant (below 1 where a former entry was split)."""

    names: tuple[str, ...] = ()
    share: float = 1.0


NO_FORMER = Former()


@frozen
class Row:
    """One row of a table: holds where every named parent is in one of the listed states.

    `when` maps a parent to the states that match (a parent left out matches in any
    state); `gives` has one probability per state of the child and sums to one. `key` is
    the row's key where it stands under `figures`: "default", "none", or the causes named.
    """

    when: Mapping[str, tuple[str, ...]]
    gives: tuple[float, ...]
    basis: Basis | None = None
    line: int = 0
    key: str = ""


@frozen
class Table:
    """Conditional probabilities as ordered rows; the first row that matches counts.

    Without parents it is a single row (a base rate). A deterministic rule is a
    table whose rows hold zeros and ones.
    """

    parents: tuple[str, ...]
    rows: tuple[Row, ...]


@frozen
class Link:
    """What one parent in one state does on its own: a probability per child state."""

    gives: tuple[float, ...]
    basis: Basis | None = None


@frozen
class NoisyMax:
    """Independent influences on an ordered variable; the worst one wins.

    Each parent in each faulty state, and the leak, brings the child to some state
    on its own; the child takes the highest of them. With two child states this is
    the noisy-OR (Pearl 1988); with more, the noisy-MAX (Henrion 1989, Diez 1993).
    With links of zeros and ones it is a rule ("worst of", "any of").

    `links[parent][state]` holds for the parent's states other than its first,
    which has no influence.
    """

    parents: tuple[str, ...]
    leak: Link
    links: Mapping[str, Mapping[str, Link]]


@frozen
class SimpleTest:
    """A two-state finding for one variable, by sensitivity and specificity.

    The finding is in its second state with probability `sensitivity` when `of` is
    in one of the states `shows`, and with probability 1 - `specificity` otherwise.
    """

    of: str
    shows: tuple[str, ...]
    sensitivity: float
    specificity: float
    basis: Basis | None = None

    @property
    def parents(self) -> tuple[str, ...]:
        return (self.of,)


@frozen
class FirstOf:
    """The first of several variables that is not in its normal state, and its state.

    `parents` stand in the order of hiding: the first one present speaks. The child's
    states are "none" and "parent.state" for every other state of each parent, in order.
    """

    parents: tuple[str, ...]


NONE_PRESENT = "none"
"""The first state of a variable that is the first of others: none of them is present."""


def first_of_states(parents: Iterable[tuple[str, Sequence[str]]]) -> tuple[str, ...]:
    """The states of the first of some variables, given as (name, states).

    >>> first_of_states([("lamp", ("fine", "dead")), ("panel", ("sound", "torn", "cut"))])
    ('none', 'lamp.dead', 'panel.torn', 'panel.cut')
    """
    named = (f"{name}.{state}" for name, states in parents for state in states[1:])
    return (NONE_PRESENT, *named)


@frozen
class Dense:
    """A full table: axes are the parents in order, then the child."""

    parents: tuple[str, ...]
    values: NDArray[np.float64] = field(repr=False)


Distribution = Table | NoisyMax | SimpleTest | FirstOf | Dense


@frozen
class Reading:
    """How a meter reading falls into states: `cuts` are ascending, in `unit`.

    `states` are the variable's states in ascending order of the reading: below
    cuts[0] it is states[0], from cuts[0] up to below cuts[1] states[1], and so on;
    there is one state more than there are cuts.
    """

    unit: str
    cuts: tuple[float, ...]
    states: tuple[str, ...]


@frozen
class Striking:
    """Results that people mention unasked: with probability `mentioned`, in (0, 1).

    Whoever told a result of `unless_told` has said it in other words, and was not silent.
    """

    values: tuple[str, ...]
    mentioned: float
    unless_told: tuple[str, ...] = ()


@frozen
class Variable:
    """A history, cause, hidden condition, finding, or the complaint itself.

    `states_were` maps a state to what it was called before.
    """

    name: str
    kind: Kind
    title: str
    states: tuple[str, ...]
    distribution: Distribution
    ask: str = ""
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    reading: Reading | None = None
    note: str = ""
    basis: Basis | None = None
    line: int = 0
    striking: Striking | None = None
    was: Former = NO_FORMER
    states_were: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def parents(self) -> tuple[str, ...]:
        return self.distribution.parents


@frozen
class Check:
    """Something a technician does to observe one or more findings (or histories).

    `minutes` is the time of the check itself, without reaching its stage;
    `consumables` is money in the shop's currency; `needs` names what must be there for it,
    `behind` the checks that come before it as far as they can be made, `off` that it needs no
    power in a stage that has it, `asked` that somebody is asked, so that the machine stays as it
    stands, `kits` what must be set up for it. `suggests[finding][result]` is one line on what that
    result points to, `briefly` how it is said in a few words; `said_first` puts what it suggests
    before what other checks suggest.
    """

    name: str
    title: str
    observes: tuple[str, ...]
    minutes: float
    stage: str
    consumables: float = 0.0
    intake: bool = False
    tools: tuple[str, ...] = ()
    how: tuple[str, ...] = ()
    suggests: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    caution: str = ""
    needs: tuple[str, ...] = ()
    risk: Risk | None = None
    off: bool = False
    said_first: bool = False
    asked: bool = False
    behind: tuple[str, ...] = ()
    kits: tuple[str, ...] = ()
    short: str = ""
    briefly: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    line: int = 0
    was: Former = NO_FORMER

    def place(self, here: str) -> str:
        """The stage it is made in on a machine that stands `here`."""
        return here if self.asked else self.stage


@frozen
class Kit:
    """What is set up once and then serves every check that needs it: minutes, and money used up."""

    name: str
    title: str
    minutes: float = 0.0
    consumables: float = 0.0
    line: int = 0


@frozen
class Need:
    """Something a check can need of the machine or the shop: `met` by any of these results,
    `lost` by any of those (finding -> results); `assumed` while neither is known."""

    name: str
    title: str
    met: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    lost: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    assumed: bool = True
    line: int = 0

    def there(self, known: Mapping[str, str | None]) -> bool:
        """Whether it counts as there."""
        if any(known.get(finding) in results for finding, results in self.met.items()):
            return True
        if any(known.get(finding) in results for finding, results in self.lost.items()):
            return False
        return self.assumed


@frozen
class Precaution:
    """What any of the results of `when` calls for before all else: the check `look` while its
    result is open, and the sentence `say`; not where one of the needs `unless` is there. With
    `unpowered` nothing is done with power on until it was made."""

    when: Mapping[str, tuple[str, ...]]
    look: str
    say: str
    unpowered: bool = False
    unless: tuple[str, ...] = ()
    line: int = 0


@frozen
class Suggestion:
    """What results, or likely causes, point to: the words `say` where every finding of `when`
    has one of its results, in the place of what their checks suggest for each alone; or where
    one of the causes `likely` is there, more likely than not; `briefly` is the same in a few
    words, for where a round leads."""

    name: str
    say: str
    when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    likely: tuple[str, ...] = ()
    briefly: str = ""
    line: int = 0


@frozen
class Phrase:
    """How it is `said` in suggestions that a finding has one of the results that it `means`: once
    the finding is known, what follows such words is said without them, or not at all."""

    name: str
    said: tuple[str, ...]
    means: Mapping[str, tuple[str, ...]]
    line: int = 0


Meanings = Mapping[str, Mapping[str, tuple[str, ...]]]
"""The results that words, in lower case, stand for: words -> finding -> results."""


def meanings(phrases: Iterable[Phrase]) -> Meanings:
    """What is said in phrases."""
    return {said.lower(): phrase.means for phrase in phrases for said in phrase.said}


@frozen
class Stage:
    """A state of teardown the machine can be in on the bench. In a `live` one nothing is looked
    at after a repair, since hands cannot go where they are needed."""

    name: str
    title: str
    powered: bool
    caution: str = ""
    live: bool = False
    short: str = ""
    line: int = 0


@frozen
class Move:
    """One way from a stage to the next, in minutes."""

    start: str
    end: str
    minutes: float
    how: str = ""
    caution: str = ""
    line: int = 0


@frozen
class StopRule:
    """A result that ends the diagnosis for safety: `say` is what to do instead. One found before
    a repair of `lifted_by` was made stops no more."""

    finding: str
    results: tuple[str, ...]
    say: str
    lifted_by: tuple[str, ...] = ()
    line: int = 0


@frozen
class Silence:
    """The answer "nothing else" at the counter: `finding` with the result `result`.

    When it is in evidence, no striking result of a finding without a result was mentioned.
    """

    finding: str
    result: str
    line: int = 0


@frozen
class Unlisted:
    """A cause that the model does not list: `prior` is its share of the machines.

    `flatness` in [0, 1] is how far what it shows is spread evenly over the results; the
    rest is as with the average listed cause.
    """

    prior: float
    flatness: float
    basis: Basis | None = None
    line: int = 0


@frozen
class Retest:
    """The powered look after a repair.

    `missed` is the probability that a fault still present is not noticed in it, so
    that the machine comes back within the guarantee.
    """

    minutes: float
    missed: float


@frozen
class Price:
    """A price range in the shop's currency; low <= likely <= high. `kind` is "new", "used" or "",
    `on` the day (or month, or year) on which it was asked, "" where it is the model's."""

    low: float = 0.0
    likely: float = 0.0
    high: float = 0.0
    kind: str = ""
    on: str = ""


@frozen
class Risk:
    """Harm that a check or repair can do: its probability and what it would cost."""

    chance: float
    cost: float
    says: str


@frozen
class Proof:
    """A test that proves a repair; `before_cover` ones are done with the cover still off.
    `shares` are the causes that share cable or plug with what it tests."""

    name: str
    title: str
    how: tuple[str, ...]
    passes: str
    minutes: float
    before_cover: bool = True
    line: int = 0
    shares: tuple[str, ...] = ()


@frozen
class Repair:
    """A repair: `mends[cause][state]` is the probability that it removes that cause.

    `minutes` is its own work, without the way to `stage` and without the retest.
    With `hand_over` it is done by a specialist and `part` is what that costs. `behind` are the
    checks that come before it as far as they can be made, `made_by` those in which it is made.
    """

    name: str
    title: str
    mends: Mapping[str, Mapping[str, float]]
    stage: str
    minutes: float
    part: Price = Price()
    lead_days: float = 0.0
    risk: Risk | None = None
    hand_over: bool = False
    tools: tuple[str, ...] = ()
    how: tuple[str, ...] = ()
    caution: str = ""
    proof: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    basis: Basis | None = None
    short: str = ""
    made_by: tuple[str, ...] = ()
    line: int = 0
    was: Former = NO_FORMER


@frozen
class FaultModel:
    """All that a model file says.

    `complaint` names the complaint variable, or is None for a network that has
    none; when there is one, its last state is taken as seen in every diagnosis.
    `start` is the stage in which a machine arrives; `worth` what one is worth by its age in
    years, `declined_above` the share of that above which owners usually decline a repair;
    `prices` says what its part prices are ("a guess of 2025"). `digest` identifies the
    content of the file(s) it was read from; `included` holds, for each included file,
    its path from the model file's folder and the SHA-256 of its content.
    """

    name: str
    title: str
    variables: tuple[Variable, ...]
    checks: tuple[Check, ...]
    stages: tuple[Stage, ...]
    moves: tuple[Move, ...]
    start: str
    complaint: str | None = None
    about: str = ""
    stop_rules: tuple[StopRule, ...] = ()
    faulty: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    repairs: tuple[Repair, ...] = ()
    proofs: tuple[Proof, ...] = ()
    retest: Retest | None = None
    silence: Silence | None = None
    unlisted: Unlisted | None = None
    needs: tuple[Need, ...] = ()
    kits: tuple[Kit, ...] = ()
    precautions: tuple[Precaution, ...] = ()
    suggestions: tuple[Suggestion, ...] = ()
    phrases: tuple[Phrase, ...] = ()
    worth: Mapping[float, float] = field(default_factory=dict)
    declined_above: float | None = None
    prices: str = ""
    digest: str = ""
    included: tuple[tuple[str, str], ...] = ()

    @cached_property
    def said_first(self) -> frozenset[str]:
        """The findings whose results suggest something that comes before what others do."""
        return frozenset(name for c in self.checks if c.said_first for name in c.observes)

    @cached_property
    def meanings(self) -> Meanings:
        return meanings(self.phrases)

    @cached_property
    def by_name(self) -> Mapping[str, Variable]:
        return {variable.name: variable for variable in self.variables}

    @cached_property
    def checks_by_name(self) -> Mapping[str, Check]:
        return {check.name: check for check in self.checks}

    @cached_property
    def repairs_by_name(self) -> Mapping[str, Repair]:
        return {repair.name: repair for repair in self.repairs}

    @cached_property
    def stages_by_name(self) -> Mapping[str, Stage]:
        return {stage.name: stage for stage in self.stages}

    @cached_property
    def needs_by_name(self) -> Mapping[str, Need]:
        return {need.name: need for need in self.needs}

    @cached_property
    def kits_by_name(self) -> Mapping[str, Kit]:
        return {kit.name: kit for kit in self.kits}

    def set_up(self, known: Container[str]) -> frozenset[str]:
        """The kits that were set up for what is known: a check brought some of it that needs
        them."""
        return frozenset(
            kit
            for check in self.checks
            if check.kits and any(name in known for name in check.observes)
            for kit in check.kits
        )

    def proof(self, name: str) -> Proof:
        """The proof test of that name."""
        return next(one for one in self.proofs if one.name == name)

    def of_kind(self, kind: Kind) -> tuple[Variable, ...]:
        return tuple(variable for variable in self.variables if variable.kind is kind)

    def faulty_states(self, cause: str) -> tuple[str, ...]:
        """The states of `cause` that count as the fault being present."""
        return self.faulty.get(cause) or self.by_name[cause].states[1:]
