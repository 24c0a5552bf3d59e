"""Tickets and figures under the names of today: what entries of a model were called before.

A former entry that was split counts by share: what names it is several readings, each with its
share.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import product

from faultfinder.model.parts import Check, FaultModel, Repair, Variable

MOST_READINGS = 64
"""Readings of one ticket at most; the likeliest heirs count alone above it."""


class Was:
    """The earlier names in a model."""

    def __init__(self, model: FaultModel) -> None:
        self._variables = {variable.name: variable for variable in model.variables}
        self._heirs = _heirs(model.variables)
        self._repairs = _heirs(model.repairs)
        self._states = {
            variable.name: {old: new for new, olds in variable.states_were.items() for old in olds}
            for variable in model.variables
            if variable.states_were
        }

    @property
    def nothing(self) -> bool:
        """Whether all is called as ever."""
        return not (self._heirs or self._repairs or self._states)

    def names(self, variable: str) -> tuple[str, ...]:
        """What a variable was called before."""
        return self._variables[variable].was.names

    def chances(self, variable: Variable, told: Mapping[str, float]) -> tuple[float, ...] | None:
        """Probabilities by state, as they were called, in the order of the variable's states;
        None when they are not of these states."""
        now: dict[str, float] = {}
        for old, chance in told.items():
            state = self._state(variable.name, old)
            now[state] = now.get(state, 0.0) + chance
        if set(now) != set(variable.states):
            return None
        return tuple(now[state] for state in variable.states)

    def finding(self, name: str, result: str | None) -> tuple[str, str | None]:
        """A finding and its result; of a split one that with the greatest share."""
        now = self._likeliest(self._heirs, name)
        return now, None if result is None else self._state(now, result)

    def findings(self, told: Mapping[str, str | None]) -> dict[str, str | None]:
        """Findings and results; where merged ones disagree it could not be told."""
        found: dict[str, str | None] = {}
        for old, result in told.items():
            name, now = self.finding(old, result)
            if name in found and now is not None and found[name] not in (None, now):
                now = None
            elif name in found and now is None:
                continue
            found[name] = now
        return found

    def repair(self, name: str) -> str:
        """A repair; of a split one that with the greatest share."""
        return self._likeliest(self._repairs, name)

    def causes(self, told: Iterable[str]) -> tuple[str, ...]:
        """Causes, each once; of a split one that with the greatest share."""
        return tuple(dict.fromkeys(self._likeliest(self._heirs, name) for name in told))

    def readings(
        self, findings: Mapping[str, str], causes: Sequence[str] | None
    ) -> list[tuple[float, dict[str, str], tuple[str, ...] | None]]:
        """What a ticket can mean today: (share, findings, causes), shares adding up to one."""
        split = [
            name
            for name in dict.fromkeys([*findings, *(causes or ())])
            if len(self._heirs.get(name, ())) > 1
        ]
        choices = [self._heirs[name] for name in split]
        count = 1
        for heirs in choices:
            count *= len(heirs)
        if count > MOST_READINGS:
            choices = [[max(heirs, key=lambda heir: heir[1])] for heirs in choices]
        found = []
        for chosen in product(*choices):
            now = {old: heir for old, (heir, _) in zip(split, chosen, strict=True)}
            share = 1.0
            for _, part in chosen:
                share *= part if count <= MOST_READINGS else 1.0
            renamed = {now.get(name, name): result for name, result in findings.items()}
            known = {n: r for n, r in self.findings(renamed).items() if r is not None}
            labels = None if causes is None else self.causes(now.get(c, c) for c in causes)
            found.append((share, known, labels))
        return found

    def _likeliest(self, heirs: Mapping[str, list[tuple[str, float]]], name: str) -> str:
        return max(heirs[name], key=lambda heir: heir[1])[0] if name in heirs else name

    def _state(self, variable: str, state: str) -> str:
        return self._states.get(variable, {}).get(state, state)


def _heirs(entries: Sequence[Variable | Check | Repair]) -> dict[str, list[tuple[str, float]]]:
    found: dict[str, list[tuple[str, float]]] = {}
    for entry in entries:
        for name in entry.was.names:
            found.setdefault(name, []).append((entry.name, entry.was.share))
    return found
