"""Where the figures of a model stood in an earlier one, in which entries were called otherwise."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence

from faultfinder.learning.beliefs import figures_of, spot, with_figures
from faultfinder.learning.bench.figures import (
    Spot,
    Values,
    bench_values,
    same_values,
    with_values,
)
from faultfinder.learning.proposal import alike
from faultfinder.model.figures import Place
from faultfinder.model.parts import Check, FaultModel, FirstOf, Repair, Variable

Figure = tuple[str, str]
"""A figure's variable and its spot there."""


class Former:
    """The names of `new` in `old`. What was merged or split has none there."""

    def __init__(self, new: FaultModel, old: FaultModel) -> None:
        self._new, self._old = new, old
        names = {one.name: _name(one, old.by_name) for one in new.variables}
        self._states: dict[str, dict[str, str]] = {}
        """By variable, its states and what each was called."""
        self._names: dict[str, str] = {}
        """Variables that are there with all their states."""
        for one in sorted(new.variables, key=lambda v: isinstance(v.distribution, FirstOf)):
            was = names[one.name]
            states = None if was is None else self._states_of(one, old.by_name[was])
            if was is not None and states is not None:
                self._names[one.name], self._states[one.name] = was, states
        self._bench = {
            "checks": {one.name: _name(one, old.checks_by_name) for one in new.checks},
            "repairs": {one.name: _name(one, old.repairs_by_name) for one in new.repairs},
        }
        all_found = len(self._names) == len(names)
        self.same_variables = all_found and sorted(self._names.values()) == sorted(old.by_name)
        every: list[Mapping[str, str | None]] = [
            self._names, *self._states.values(), *self._bench.values()
        ]  # fmt: skip
        self.renamed = any(was not in (now, None) for table in every for now, was in table.items())

    def _states_of(self, now: Variable, then: Variable) -> dict[str, str] | None:
        if isinstance(now.distribution, FirstOf):
            # Its states are named after its parents', which stand before it.
            known = {
                f"{parent}.{state}": f"{self._names[parent]}.{was}"
                for parent in now.parents
                if parent in self._names
                for state, was in self._states[parent].items()
            }
            found = {state: known.get(state, state) for state in now.states}
        else:
            found = {
                state: next(
                    (was for was in (state, *now.states_were.get(state, ())) if was in then.states),
                    state,
                )
                for state in now.states
            }
        return found if sorted(found.values()) == sorted(then.states) else None

    def figure(self, place: Place) -> Figure | None:
        """Where a figure stood; None where there was none."""
        kind, parent, state, held = json.loads(spot(self._new, place))
        parents = {*held, *([] if parent is None else [parent])}
        if place.variable not in self._names or not parents <= self._names.keys():
            return None
        if parent is not None:
            state = self._states[parent].get(state, state)
            parent = self._names[parent]
        held = {
            self._names[name]: sorted(self._states[name][one] for one in states)
            for name, states in held.items()
        }
        return self._names[place.variable], json.dumps([kind, parent, state, held], sort_keys=True)

    def in_order(self, place: Place, gives: Sequence[float]) -> tuple[float, ...]:
        """Chances that the old model `gives`, in the order of the states of today."""
        then = self._old.by_name[self._names[place.variable]].states
        by_state = dict(zip(then, gives, strict=True))
        states = self._states[place.variable]
        return tuple(by_state[states[one]] for one in self._new.by_name[place.variable].states)

    def bench_of(self, told: Mapping[Spot, Values]) -> dict[Spot, Values]:
        """The old model's figures of the bench by where they stand today."""
        found: dict[Spot, Values] = {}
        for at in bench_values(self._new):
            was = self._bench_spot(at)
            if was is None or was not in told:
                continue
            found[at] = told[was]
            if at[2:3] == ("mends",):
                states = self._states[at[3]]
                found[at] = {now: told[was][one] for now, one in states.items() if one in told[was]}
        return found

    def _bench_spot(self, at: Spot) -> Spot | None:
        if at[0] not in self._bench:
            return at
        was = self._bench[at[0]][at[1]]
        if was is None or (at[2] == "mends" and at[3] not in self._names):
            return None
        return (at[0], was, *([at[2], self._names[at[3]]] if at[2] == "mends" else at[2:]))


def _name(entry: Variable | Check | Repair, there: Collection[str]) -> str | None:
    if entry.name in there:
        return entry.name
    found = [name for name in entry.was.names if name in there]
    return found[0] if len(found) == 1 and entry.was.share == 1.0 else None


def in_todays_names(old: FaultModel, new: FaultModel) -> FaultModel:
    """The old model's figures in the new one, where that calls some things otherwise and has the
    same causes, findings and figures; else the old model as it is."""
    former = Former(new, old)
    if not (former.renamed and former.same_variables):
        return old
    then = figures_of(old)
    found: dict[Place, tuple[float, ...]] = {}

    def figure(place: Place, gives: Sequence[float]) -> Sequence[float]:
        was = former.figure(place)
        if was is not None and was in then:
            found[place] = former.in_order(place, then[was])
        return found.get(place, gives)

    told = with_figures(new, figure)
    if len(found) < len(figures_of(new)):
        return old
    return with_values(told, former.bench_of(bench_values(old)))


def merged(new: FaultModel, old: FaultModel, own: FaultModel) -> tuple[FaultModel, list[str]]:
    """The new shipped model with the beliefs of `own` where the shop changed those of `old`.

    Also the names of the variables in which both were changed: there the shop's stay.
    """
    former = Former(new, old)
    before, mine = figures_of(old), figures_of(own)
    both: set[str] = set()

    def belief(place: Place, gives: Sequence[float]) -> Sequence[float]:
        key = former.figure(place)
        if key is None or key not in before or key not in mine or alike(before[key], mine[key]):
            return gives
        if not alike(former.in_order(place, before[key]), gives):
            both.add(place.variable)
        return former.in_order(place, mine[key])

    shipped = bench_values(new)
    then, now = former.bench_of(bench_values(old)), former.bench_of(bench_values(own))
    values: dict[Spot, Values] = {}
    for at in then.keys() & now.keys():
        if not same_values(then[at], now[at]) and now[at].keys() == shipped[at].keys():
            values[at] = now[at]
            if not same_values(then[at], shipped[at]):
                both.add(at[1])
    return with_values(with_figures(new, belief), values), sorted(both)
