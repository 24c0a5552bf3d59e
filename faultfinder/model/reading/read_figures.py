"""The section `figures`: one readable table for each finding or condition that gives no
distribution itself.

    figures:
      screen_light:
        default: {dark: 0.60, lit: 0.40}          # whatever is not named below
        given:
          panel_light: {dark: 0.80, lit: 0.20}    # every way of that cause
          panel_light.reddish: {dark: 0.1, lit: 0.9}
          "lamp, panel_light": {...}              # several alike
        none: {...}                               # no fault present
        basis: {guess: "...", worth: 4}

A table hangs on the condition that says which cause speaks (`first_of`), or, with
`of: [a, b]`, on those alone: the first of them that is present. It becomes an ordinary
Table on one parent, a row a printed row, so that all who know tables know it.

A condition with such a table is what several reports have in common: they hang on it by
`of: [condition]` instead of each on the cause, so that they are not counted as if each
witness had seen another machine.

Common parts are written for all families: what a row or list of an included file names and
this model does not have is passed over; in the model's own file it is a problem.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from faultfinder.errors import did_you_mean
from faultfinder.model.parts import (
    Basis,
    FirstOf,
    Kind,
    Row,
    Table,
    Variable,
    first_of_states,
)
from faultfinder.model.reading import keys
from faultfinder.model.reading.family_names import FamilyNames, Gives
from faultfinder.model.reading.faults import Faults, figure, shown
from faultfinder.model.reading.fields import Fields
from faultfinder.model.reading.read_variables import FORMS, UNREAD, Head, is_own, read_basis
from faultfinder.model.reading.yaml_nodes import Node, Text

PRINT_TOLERANCE = 0.02
"""How far the printed chances of a row may miss one; they are scaled to it."""

_PARENTS = (Kind.HISTORY, Kind.CAUSE, Kind.CONDITION)


@dataclass(frozen=True)
class Figures:
    """Tables by finding or condition, the conditions they need beside those of the file, and
    those whose figures were read with problems."""

    tables: Mapping[str, Table]
    bases: Mapping[str, Basis]
    conditions: tuple[Variable, ...] = ()
    unsound: frozenset[str] = frozenset()


def read_figures(root: Fields, heads: Mapping[str, Head]) -> Figures:
    """All that stands under `figures`."""
    faults = root.faults
    tables: dict[str, Table] = {}
    bases: dict[str, Basis] = {}
    conditions: dict[str, Variable] = {}
    unsound: set[str] = set()
    for word, node in root.entries("figures"):
        head = heads.get(word.value)
        if not _wanted(faults, word, head, heads) or head is None:
            continue
        label = f"the figures of {word.value}"
        fields = Fields(faults, node, word.line, label, keys.FIGURES)
        before = faults.told
        reader = _Reader(head, heads, fields, conditions)
        table = reader.read() if fields.usable else None
        if table is None or faults.told > before or not reader.sound:
            unsound.add(word.value)
        tables[word.value] = table or UNREAD
        if reader.basis is not None:
            bases[word.value] = reader.basis
    return Figures(tables, bases, tuple(conditions.values()), frozenset(unsound))


def _wanted(faults: Faults, word: Text, head: Head | None, heads: Mapping[str, Head]) -> bool:
    """Whether a finding or condition takes its figures from this entry."""
    own = is_own(faults, word.line)
    if head is None or not _can_take(head):
        if own:
            takers = [name for name, other in heads.items() if _can_take(other)]
            faults.add(
                word.line,
                f"figures names {shown(word.value)}, which is no finding and no condition "
                "without first_of.",
                did_you_mean(word.value, takers),
            )
        return False
    given = [form for form in head.fields.keys if form in FORMS]
    if given and own:
        faults.add(
            word.line,
            f"{head.label} says its probabilities twice: by {given[0]} "
            f"({faults.place(head.fields.line_of(given[0]), word.line)}) and under figures.",
            "Keep one of the two.",
        )
    return not given


def _can_take(head: Head) -> bool:
    return head.kind is Kind.FINDING or (head.kind is Kind.CONDITION and head.first_of is None)


@dataclass(frozen=True)
class _Printed:
    """One printed row, and the states of the parent that it speaks for."""

    key: str
    gives: Gives
    basis: Basis | None
    line: int


class _Reader(FamilyNames):
    def __init__(
        self,
        head: Head,
        heads: Mapping[str, Head],
        fields: Fields,
        conditions: dict[str, Variable],
    ) -> None:
        super().__init__(head, heads)
        self.fields = fields
        self.conditions = conditions
        self.basis = read_basis(fields)

    def read(self) -> Table | None:
        parent = self._hangs_on()
        if parent is None or not self.head.states:
            return None
        name, states, members = parent
        printed = self._given(members, states)
        default = self._single("default")
        none = self._single("none")
        row_of: dict[str, _Printed] = {}
        for state in states:
            row = none if state == states[0] and none is not None else printed.get(state, default)
            if row is not None:
                row_of[state] = row
        missing = [state for state in states if state not in row_of]
        if missing:
            if "default" not in self.fields:
                more = f" (and {len(missing) - 1} more)" if len(missing) > 1 else ""
                self.faults.add(
                    self.fields.line,
                    f"{self.fields.label} have no row for {missing[0]}{more}.",
                    "Give a row for all others: default: {...}.",
                )
            return None
        taken: dict[int, tuple[_Printed, list[str]]] = {}
        for state in states:
            taken.setdefault(id(row_of[state]), (row_of[state], []))[1].append(state)
        rows = [
            Row({name: tuple(held)}, row.gives, row.basis, row.line, row.key)
            for row, held in taken.values()
        ]
        return Table((name,), tuple(sorted(rows, key=lambda row: row.line)))

    # --- what the table hangs on

    def _hangs_on(self) -> tuple[str, tuple[str, ...], list[Head]] | None:
        """The parent's name and states, and the variables that a row can name."""
        if "of" in self.fields:
            if "on" in self.fields:
                self.faults.add(
                    self.fields.line_of("on"),
                    f"{self.fields.label} hang on two things: of and on.",
                    "Keep one of the two.",
                )
            return self._of()
        conditions = [name for name, head in self.heads.items() if head.first_of is not None]
        word = self.fields.word("on") if "on" in self.fields else None
        if "on" in self.fields and (word is None or word.value not in conditions):
            if word is not None:
                self.faults.add(
                    word.line,
                    f"{self.fields.label} hang on {shown(word.value)}, which is no condition "
                    "with first_of.",
                    did_you_mean(word.value, conditions),
                )
            return None
        if word is None and len(conditions) != 1:
            many = "several conditions have" if conditions else "no condition has"
            self.faults.add(
                self.fields.line,
                f"{self.fields.label} do not say what they hang on, and {many} first_of.",
                "Say on: and the condition, or of: and a list of causes.",
            )
            return None
        head = self.heads[conditions[0] if word is None else word.value]
        if not head.states:
            self.sound = False
            return None
        return head.name, head.states, [self.heads[name] for name in head.first_of or ()]

    def _of(self) -> tuple[str, tuple[str, ...], list[Head]] | None:
        members: list[Head] = []
        for word in self.fields.words("of", "Name the causes: of: [cause, cause]."):
            found = named_member(self.faults, self.heads, word, self.fields.label)
            if found is not None and not found.states:
                self.sound = False
            elif found is not None:
                members.append(found)
        if not members:
            if self.sound:
                self.faults.add(
                    self.fields.line_of("of"),
                    f"{self.fields.label} hang on nothing that this model has.",
                    "Name a cause that is there, or give the finding another distribution.",
                )
            return None
        if len(members) == 1:
            return members[0].name, members[0].states, members
        name = "_or_".join(head.name for head in members)
        states = first_of_states((head.name, head.states) for head in members)
        if name not in self.conditions:
            self.conditions[name] = Variable(
                name=name,
                kind=Kind.CONDITION,
                title="The first of: " + ", ".join(head.variable.title for head in members),
                states=states,
                distribution=FirstOf(tuple(head.name for head in members)),
                line=self.fields.line_of("of"),
            )
        return name, states, members

    # --- rows

    def _given(self, members: Sequence[Head], states: Sequence[str]) -> dict[str, _Printed]:
        """The printed row of each state; a row that names the state goes before one that names
        the cause, and a row of the model's own file before an included one."""
        general: dict[str, _Printed] = {}
        special: dict[str, _Printed] = {}
        single = members[0] if len(members) == 1 and states == members[0].states else None
        by_name = {head.name: head for head in members}
        for key, node in self.fields.entries("given"):
            row = self._printed(key.value, key.line, node)
            for name in (part.strip() for part in key.value.split(",")):
                cause, _, state = name.partition(".")
                head = by_name.get(cause)
                if head is None:
                    self._unknown(key, name, cause, by_name)
                    continue
                if state and state not in head.states[1:]:
                    self.faults.add(
                        key.line,
                        f"{self.fields.label} name {shown(name)}, and {cause} has no such fault.",
                        did_you_mean(state, head.states[1:]),
                    )
                    continue
                if row is None:
                    continue
                into = special if state else general
                for one in (state,) if state else head.states[1:]:
                    full = one if single is not None else f"{cause}.{one}"
                    self._place(into, full, row, name)
        return {**general, **special}

    def _place(self, into: dict[str, _Printed], state: str, row: _Printed, name: str) -> None:
        before = into.get(state)
        if before is None:
            into[state] = row
        elif self.faults.file_of(before.line) == self.faults.file_of(row.line):
            self.faults.add(
                row.line,
                f"{self.fields.label} name {shown(name)} twice: also on line {before.line}.",
                "Keep one of the two rows.",
            )

    def _unknown(self, key: Text, name: str, cause: str, by_name: Mapping[str, Head]) -> None:
        if not is_own(self.faults, key.line):
            return
        there = cause in self.heads
        self.faults.add(
            key.line,
            f"{self.fields.label} name {shown(name)}, "
            + ("on which they do not hang." if there else "which is no cause of this model."),
            did_you_mean(cause, list(by_name)),
        )

    def _single(self, key: str) -> _Printed | None:
        node = self.fields.node(key)
        return None if node is None else self._printed(key, self.fields.line_of(key), node)

    def _printed(self, key: str, line: int, node: Node) -> _Printed | None:
        label = f"{self.fields.label}, {key}"
        gives, basis = self._gives(node, line, label)
        return None if gives is None else _Printed(key, gives, basis or self.basis, line)

    def _complete(self, given: Mapping[int, float], line: int, label: str) -> Gives | None:
        total = math.fsum(given.values())
        if 0 not in given or total <= 0.0:
            return super()._complete(given, line, label)
        if abs(total - 1.0) > PRINT_TOLERANCE + 1e-9:
            self.faults.add(
                line,
                f"{label}: the chances add up to {figure(total)}.",
                "They must add up to 1; up to 0.02 more or less is put down to rounding.",
            )
            return None
        return tuple(given.get(index, 0.0) / total for index in range(len(self.head.states)))


def named_member(faults: Faults, heads: Mapping[str, Head], word: Text, label: str) -> Head | None:
    """The variable a list of causes names; None when it is not there or cannot stand in one."""
    head = heads.get(word.value)
    if head is not None and head.kind in _PARENTS and head.first_of is None:
        return head
    if head is not None:
        what = "another first of" if head.first_of is not None else f"a {head.kind}"
        faults.add(
            word.line,
            f"{label} names {shown(word.value)}, which is {what}.",
            "Name causes, histories or conditions.",
        )
    elif is_own(faults, word.line):
        names = [name for name, other in heads.items() if other.kind in _PARENTS]
        faults.add(
            word.line,
            f"{label} names {shown(word.value)}, which is no variable.",
            did_you_mean(word.value, names),
        )
    return None


def with_first_of(heads: Mapping[str, Head]) -> dict[str, Head]:
    """The heads with the states of those that are the first of others."""
    done = dict(heads)
    for name, head in heads.items():
        if head.first_of is None:
            continue
        members = []
        for word in head.fields.words("first_of", "Name the causes in the order of hiding."):
            found = named_member(head.fields.faults, heads, word, f"first_of of {head.name}")
            if found is not None:
                members.append(found)
        states: tuple[str, ...] = ()
        if members and all(member.states for member in members):
            states = first_of_states((member.name, member.states) for member in members)
        variable = replace(head.variable, states=states)
        names = tuple(member.name for member in members)
        done[name] = replace(head, variable=variable, first_of=names)
    return done
