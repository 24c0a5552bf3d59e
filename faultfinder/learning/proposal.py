"""Tuned figures written into a model file: the same text, comments kept, new numbers.

Numbers are replaced where they stand in the text. A figure that stands in an included
part is not changed there, since other models share it: the model gets an entry of its
own with `extends: yes` that holds the whole distribution.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np

from faultfinder.errors import FaultfinderError
from faultfinder.learning.em.estimates import Figure
from faultfinder.model.parts import FaultModel, NoisyMax, SimpleTest, Table

SECTIONS = ("histories", "causes", "conditions", "findings")
_KEYS = {"noisy_or", "noisy_max", "table", "chance", "test"}
SMALLEST = 2e-3
"""A figure is written anew when a probability moved by this share of itself, or more."""


@dataclass(frozen=True)
class Proposed:
    """A model file's text with new figures, and the figures that were changed in it."""

    text: str
    changed: tuple[Figure, ...]


def moved(figure: Figure) -> bool:
    """Whether a figure differs enough to be written anew."""
    return any(
        abs(after - before) > SMALLEST * max(min(before, 1.0 - before), 1e-4)
        for before, after in zip(figure.before, figure.after, strict=True)
    )


def effect(figure: Figure) -> float:
    """How much a changed figure moves beliefs: bits of relative entropy of the new figure to the
    old, times the tickets in which it was in force (Kullback & Leibler 1951, from memory)."""
    bits = sum(
        after * np.log2(after / before)
        for before, after in zip(figure.before, figure.after, strict=True)
        if after > 0.0 and before > 0.0
    )
    return float(max(bits, 0.0) * figure.tickets)


def propose(text: str, parts: Mapping[str, str], figures: Sequence[Figure], day: str) -> Proposed:
    """The model file `text` with the figures that moved; `parts` are its included files.

    Each changed line ends in a comment with what it was, how many tickets speak on it and
    `day`. Raises FaultfinderError when a figure cannot be found in the files.
    """
    changed = [figure for figure in figures if moved(figure)]
    by_variable: dict[str, list[Figure]] = defaultdict(list)
    for figure in changed:
        by_variable[figure.place.variable].append(figure)
    own = _File(text)
    others = [_File(part) for part in parts.values()]
    added: dict[str, list[str]] = defaultdict(list)
    inside: list[tuple[int, list[str]]] = []
    for name, ones in by_variable.items():
        if own.holds(name):
            own.change(name, ones, day)
            continue
        home = next((other for other in others if other.holds(name)), None)
        if home is None:
            raise FaultfinderError(f"{name} was tuned, but its figures are not in the file.")
        home.change(name, ones, day)
        lines = home.distribution_lines(name)
        entry = own.entry(name)
        if home.in_figures(name):
            # The whole of them, so that each row stands where it is tuned.
            added["figures"] += [line[2:] for line in lines]
        elif entry is not None:
            inside.append((entry, lines))
        else:
            section = home.section_of(name)
            added[section] += [f"  {name}:", "    extends: yes", *lines]
    return Proposed(own.text_with(added, inside), tuple(changed))


class _File:
    """One YAML file: where its figures stand, and their replacement."""

    def __init__(self, text: str) -> None:
        import yaml

        self._lines = text.splitlines()
        self._edits: list[tuple[int, int, int, str]] = []
        self._notes: dict[int, str] = {}
        self._sections: dict[str, Any] = {}
        self._figures: dict[str, tuple[Any, Any]] = {}
        self._variables: dict[str, tuple[str, Any, Any]] = {}
        root: Any = yaml.compose(text, Loader=yaml.SafeLoader)
        for key, node in root.value if root is not None else ():
            if key.value == "figures" and isinstance(node, yaml.MappingNode):
                self._sections["figures"] = key
                self._figures = {name.value: (name, entry) for name, entry in node.value}
            if key.value in SECTIONS and isinstance(node, yaml.MappingNode):
                self._sections[key.value] = key
                for name, entry in node.value:
                    self._variables[name.value] = (key.value, name, entry)

    def _told(self, name: str) -> tuple[Any, Any] | None:
        if name not in self._variables:
            return None
        _, _, entry = self._variables[name]
        return next(((k, v) for k, v in entry.value if k.value in _KEYS), None)

    def holds(self, name: str) -> bool:
        """Whether the distribution of a variable stands in this file."""
        return self._told(name) is not None or name in self._figures

    def in_figures(self, name: str) -> bool:
        """Whether they stand under `figures`."""
        return self._told(name) is None and name in self._figures

    def section_of(self, name: str) -> str:
        return self._variables[name][0]

    def entry(self, name: str) -> int | None:
        """The line of a variable's entry here, counted from 0, if it has one."""
        return self._variables[name][1].start_mark.line if name in self._variables else None

    def change(self, name: str, figures: Sequence[Figure], day: str) -> None:
        """Put new numbers in place of a variable's figures."""
        told = self._told(name)
        for figure in figures:
            if told is None:
                target = _row_of(self._figures[name][1], figure)
            else:
                target = _node_of(told[0].value, told[1], figure)
            line = self._write(target, figure)
            many = max(1, round(figure.tickets))
            count = f"{many} {'ticket' if many == 1 else 'tickets'}, {day}"
            self._notes.setdefault(line, count)

    def _write(self, node: Any, figure: Figure) -> int:
        import yaml

        if isinstance(node, yaml.ScalarNode):
            place = 1 if figure.place.kind != "specificity" else 0
            self._replace(node, _number(figure.after[place]))
            return int(node.start_mark.line)
        said = {key.value: value for key, value in node.value}
        for state, after in zip(figure.states[1:], figure.after[1:], strict=True):
            if state in said:
                self._replace(said[state], _number(after))
        if figure.states[0] in said:
            rest = Decimal(1) - sum(
                (Decimal(_number(after)) for after in figure.after[1:]), Decimal(0)
            )
            self._replace(said[figure.states[0]], f"{max(rest, Decimal(0)):f}")
        return int(node.end_mark.line if node.flow_style else node.start_mark.line)

    def _replace(self, node: Any, number: str) -> None:
        start, end = node.start_mark, node.end_mark
        self._edits.append((start.line, start.column, end.column, number))

    def _edited(self) -> list[str]:
        lines = list(self._lines)
        before = list(self._lines)
        for line, start, end, number in sorted(self._edits, reverse=True):
            lines[line] = lines[line][:start] + number + lines[line][end:]
        for line, note in self._notes.items():
            told = before[line].partition("  # tuned")[0].strip().removeprefix("- ")
            lines[line] = f"{lines[line].partition('  # tuned')[0]}  # tuned ({note}); was {told}"
        return lines

    def distribution_lines(self, name: str) -> list[str]:
        """The lines of a variable's distribution as edited, indented for an entry."""
        told = self._told(name)
        key, node = self._figures[name] if told is None else told
        first, last = key.start_mark.line, node.end_mark.line
        if node.end_mark.column == 0 or not node.flow_style:
            last -= 1
        lines = self._edited()[first : last + 1]
        while lines and not lines[-1].strip():
            lines.pop()
        cut = key.start_mark.column
        return [f"    {line[cut:]}" for line in lines]

    def text_with(
        self, added: Mapping[str, Sequence[str]], inside: Sequence[tuple[int, Sequence[str]]]
    ) -> str:
        """The edited text with entries added to its sections."""
        lines = self._edited()
        insert = [(line + 1, list(new)) for line, new in inside]
        end: list[str] = []
        for section, new in added.items():
            if section in self._sections:
                insert.append((self._sections[section].start_mark.line + 1, list(new)))
            else:
                end += ["", f"{section}:", *new]
        for line, new in sorted(insert, key=lambda item: item[0], reverse=True):
            lines[line:line] = new
        return "\n".join([*lines, *end]) + "\n"


def _node_of(key: str, node: Any, figure: Figure) -> Any:
    """The node whose numbers a figure group is."""
    place = figure.place
    if key == "chance":
        return node
    said = {k.value: v for k, v in node.value} if key != "table" else {}
    if key == "test":
        return said[place.kind]
    if key == "table":
        assert place.row is not None
        row = {k.value: v for k, v in node.value[place.row].value}
        return row.get("gives") or row["otherwise"]
    if place.kind == "leak":
        return _gives(said["leak"])
    links = {k.value: v for k, v in said["links"].value}
    states = {k.value: v for k, v in links[place.parent or ""].value}
    return _gives(states[place.state or ""])


def _row_of(entry: Any, figure: Figure) -> Any:
    """The row of an entry under `figures`."""
    said = {key.value: value for key, value in entry.value}
    rows = {key.value: value for key, value in said["given"].value} if "given" in said else {}
    key = figure.place.key
    found = said.get(key) if key in ("default", "none") else rows.get(key)
    if found is None:
        raise FaultfinderError(f"{figure.place} was tuned, but that row is not in the file.")
    return found


def _gives(node: Any) -> Any:
    """A link or leak may be told as {gives: ..., basis: ...}."""
    import yaml

    if isinstance(node, yaml.MappingNode):
        said = {key.value: value for key, value in node.value}
        return said.get("gives", node)
    return node


def _number(value: float) -> str:
    """Four significant digits, never 0 or 1 for what is neither."""
    if value <= 0.0:
        return "0"
    number = Decimal(f"{value:.4g}")
    if number >= 1:
        number = Decimal("0.9999") if value < 1.0 else Decimal(1)
    return f"{number:f}"


def check_same(before: FaultModel, after: FaultModel, figures: Sequence[Figure]) -> None:
    """Raise FaultfinderError unless the structure is as before and the figures as tuned."""
    if _shape(before) != _shape(after):
        raise FaultfinderError("The proposal came out with another structure; it was not written.")
    for figure in figures:
        told = figure_in(after, figure)
        if any(abs(a - b) > 1e-3 * b + 1e-4 for a, b in zip(told, figure.after, strict=True)):
            raise FaultfinderError(
                f"The proposal came out with other figures at {figure.place}; it was not written."
            )


def _shape(model: FaultModel) -> object:
    variables = [(v.name, v.kind, v.states, sorted(v.parents)) for v in model.variables]
    checks = [(c.name, c.observes, c.minutes, c.stage) for c in model.checks]
    repairs = [(r.name, r.mends, r.stage, r.minutes) for r in model.repairs]
    return sorted(variables), checks, repairs, [s.name for s in model.stages]


def figure_in(model: FaultModel, figure: Figure) -> Sequence[float]:
    """The probabilities that a model has where a figure stands."""
    place, told = figure.place, model.by_name[figure.place.variable].distribution
    if isinstance(told, NoisyMax):
        if place.kind == "leak":
            return told.leak.gives
        return told.links[place.parent or ""][place.state or ""].gives
    if isinstance(told, SimpleTest):
        if place.kind == "sensitivity":
            return (1.0 - told.sensitivity, told.sensitivity)
        return (told.specificity, 1.0 - told.specificity)
    if isinstance(told, Table):
        return told.rows[place.row or 0].gives
    raise FaultfinderError(f"{place} is not written as figures that can be tuned.")
