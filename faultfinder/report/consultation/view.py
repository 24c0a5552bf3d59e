"""What a page is about: one diagnosis with the model and the shop it was made for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.next_check import Diagnosis, RankedCheck
from faultfinder.decide.belief import Tried
from faultfinder.decide.shop import Shop
from faultfinder.model.parts import Check, FaultModel, StopRule, Variable
from faultfinder.model.routes import Route
from faultfinder.report.wording import joined


@dataclass(frozen=True)
class View:
    """A diagnosis, ready to be put into words.

    `before` are the causes' probabilities without the last answer, `last` that
    answer as "finding=result" (both empty when nothing has been answered).
    `after` is what each result of the check looked at would make of the causes:
    result label -> cause -> probability. `tried` are repairs that did not cure;
    `ticket` is the ticket it is about, if any. `advice` is there when the model has
    repairs, `repair_route` is the way to the stage of the advised one.
    """

    model: FaultModel
    diagnosis: Diagnosis
    shop: Shop
    before: Mapping[str, float] = field(default_factory=dict)
    last: str = ""
    after: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    tried: tuple[Tried, ...] = ()
    advice: Advice | None = None
    ticket: int | None = None
    repair_route: Route = field(default=Route(0.0, ()))

    def cause(self, name: str) -> str:
        return self.model.by_name[name].title

    def check(self, ranked: RankedCheck) -> Check:
        return self.model.checks_by_name[ranked.check]

    def still_open(self, check: Check) -> tuple[str, ...]:
        """What the check would tell that is not known yet."""
        known = self.tried[-1].findings if self.tried else self.diagnosis.findings
        return tuple(name for name in check.observes if name not in known)

    def safety_first(
        self, route: Route, but: str = "", always: bool = False
    ) -> tuple[tuple[Check, StopRule], ...]:
        """Looks that can end the diagnosis for safety, not made yet and on the way (not `but`).

        Such a look tells little about the causes, so that it would never come up by itself.
        Those of the stage in which machines arrive come before the machine is opened.
        """
        if route.moves:
            places = [route.moves[0].start, *(move.end for move in route.moves)]
        elif always or self.diagnosis.stage != self.model.start:
            places = [self.diagnosis.stage]
        else:
            places = []
        return tuple(
            (check, rule)
            for place in places
            for rule in self.model.stop_rules
            if rule.finding not in self.diagnosis.findings
            for check in self.model.checks
            if check.stage == place and rule.finding in check.observes and check.name != but
        )

    def results_of(self, check: Check, label: str) -> list[tuple[str, str]]:
        """A result's label as (finding, result) pairs."""
        names = self.still_open(check)
        if len(names) == 1:
            return [(names[0], label)]
        return [(name, state) for name, _, state in (p.partition("=") for p in label.split(", "))]


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
