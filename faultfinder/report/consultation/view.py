"""What a page is about: a consultation, with the names and pieces that pages speak of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from functools import cached_property
from itertools import pairwise

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.consult import Consultation
from faultfinder.consultation.quote import Quote
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.consultation.safety import looks_first
from faultfinder.decide.belief import Tried
from faultfinder.decide.shop import Shop
from faultfinder.frozen import frozen
from faultfinder.model.answers import split_results
from faultfinder.model.parts import Check, FaultModel, StopRule, Variable
from faultfinder.model.routes import Route
from faultfinder.report.wording import joined


@frozen(eq=False)
class View:
    """A consultation, ready to be put into words.

    `ticket` is the ticket it is about, if any; `why` the check to explain instead of the next
    one. Questions for the counter are among `checks` only where one is explained: ranking them
    takes time. With `telling` the checks are those of the counter, by what they tell. `entries` are
    the ticket's log entries by the finding they hold.
    """

    told: Consultation
    ticket: int | None = None
    why: str | None = None
    telling: bool = False
    entries: Mapping[str, int] = field(default_factory=dict)

    @property
    def model(self) -> FaultModel:
        return self.told.case.model.model

    @property
    def shop(self) -> Shop:
        return self.told.case.terms

    @property
    def tried(self) -> tuple[Tried, ...]:
        """Repairs that did not cure."""
        return self.told.case.tried

    @property
    def advice(self) -> Advice | None:
        """There when the model has repairs."""
        return None if self.telling else self.told.advice

    @property
    def quote(self) -> Quote | None:
        return self.told.quote

    @property
    def checks(self) -> tuple[RankedCheck, ...]:
        """The open checks, best first."""
        if self.telling:
            return self.told.most_telling
        return self.told.order_at_bench if self.why is None else self.told.order

    @property
    def too_large(self) -> str:
        """A sentence on checks whose exact gain is too large to compute, or ""."""
        names = self.told.too_large
        if not names:
            return ""
        how = "over the likeliest joint states of the causes" if self.advice else "left out"
        return f"Too large to compute exactly, so {how}: {', '.join(names)}."

    @cached_property
    def after(self) -> Mapping[str, Mapping[str, float]]:
        """What each result of the check looked at would make of the causes."""
        best = self.told.next if self.why is None else None
        name = best.check if best is not None else self.why
        return {} if name is None or self.told.stop else self.told.after(name)

    @property
    def repair_route(self) -> Route:
        """The way to the stage of the advised repair."""
        return self.told.way

    def cause(self, name: str) -> str:
        return self.model.by_name[name].title

    def check(self, ranked: RankedCheck) -> Check:
        return self.model.checks_by_name[ranked.check]

    def still_open(self, check: Check) -> tuple[str, ...]:
        """What the check would tell that is not known yet."""
        latest = self.told.case.latest
        return tuple(name for name in check.observes if latest.get(name) is None)

    def safety_first(
        self, route: Route, but: str = "", always: bool = False
    ) -> tuple[tuple[Check, StopRule], ...]:
        """Looks that can end the work for safety and come on the way: see `looks_first`."""
        known = self.told.case.findings
        return looks_first(self.model, known, self.told.stage, route, but, always)

    def results_of(self, check: Check, label: str) -> list[tuple[str, str]]:
        """A result's label as (finding, result) pairs."""
        names = [name for name in check.observes if name not in self.told.case.latest]
        return split_results(label, names)


def step_title(model: FaultModel, name: str) -> str:
    """What a check or repair is called; handing over where it is neither."""
    step = model.checks_by_name.get(name) or model.repairs_by_name.get(name)
    return step.title if step else "handing over"


def range_of(variable: Variable, state: str) -> str:
    """The readings that fall into a state, as "under 1 V", or "" when it is no reading."""
    reading = variable.reading
    if reading is None or state not in reading.states:
        return ""
    place = reading.states.index(state)
    if place == 0:
        return f"under {reading.cuts[0]:g} {reading.unit}"
    if place == len(reading.cuts):
        return f"{reading.cuts[-1]:g} {reading.unit} or more"
    low, high = list(pairwise(reading.cuts))[place - 1]
    return f"{low:g} to {high:g} {reading.unit}"


def result_words(variable: Variable, state: str) -> str:
    """A result as shown to people: its name, and for a reading what falls into it."""
    of = range_of(variable, state)
    return f"{state} ({of})" if of else state


def answers_for(variable: Variable) -> str:
    """What may be answered, as one phrase."""
    states = [result_words(variable, state) for state in variable.states]
    return joined([*states, "unknown"], "or")
