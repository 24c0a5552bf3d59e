"""Tuned figures written into a model file: the same text, comments kept, new numbers.

Numbers are replaced where they stand in the text. A figure that stands in an included
part is not changed there, since other models share it: the model gets an entry of its
own with `extends: yes` that holds the whole distribution.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import numpy as np

from faultfinder.errors import FaultfinderError
from faultfinder.learning.bench.figures import bench_values, with_values
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.marked_text import MarkedText, said
from faultfinder.model.figures import Place, figures_in
from faultfinder.model.parts import FaultModel, Table

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
    old, times the tickets in which it was in force (Kullback & Leibler, Ann. Math. Stat. 22
    (1951) 79)."""
    bits = sum(
        after * np.log2(after / before)
        for before, after in zip(figure.before, figure.after, strict=True)
        if after > 0.0 and before > 0.0
    )
    return float(max(bits, 0.0) * figure.tickets)


def propose(
    text: str,
    parts: Mapping[str, str],
    figures: Sequence[Figure],
    day: str,
    now: Callable[[Figure], Sequence[float]] | None = None,
) -> Proposed:
    """The model file `text` with the figures that moved; `parts` are its included files.

    `now` says what stands in the text where that is not what a figure was before (an earlier
    tuning): a figure that did not move is put back then. Each changed line ends in a comment with
    what it was, how many tickets speak on it and `day`. Raises FaultfinderError when a figure
    cannot be found in the files.
    """
    changed = [figure for figure in figures if moved(figure)]
    back = [
        replace(figure, after=figure.before)
        for figure in figures
        if now is not None and not moved(figure) and not alike(now(figure), figure.before)
    ]
    by_variable: dict[str, list[Figure]] = defaultdict(list)
    for figure in (*changed, *back):
        by_variable[figure.place.variable].append(figure)
    own = _File(text)
    others = [_File(part) for part in parts.values()]
    added: dict[str, list[str]] = defaultdict(list)
    inside: list[tuple[int, list[str]]] = []
    for name, ones in by_variable.items():
        home = next((other for other in others if other.holds(name)), None)
        if own.holds(name):
            there = [figure for figure in ones if own.has(name, figure)]
            own.change(name, there, day)
            ones = [figure for figure in ones if figure not in there]
            if not ones:
                continue
        if home is None:
            raise FaultfinderError(f"{ones[0].place} was tuned, but it is not in the file.")
        if home.in_figures(name):
            own.add_rows(name, ones, home, day, added["figures"], inside)
            continue
        home.change(name, ones, day)
        lines = home.distribution_lines(name)
        entry = own.entry(name)
        if entry is not None:
            inside.append((entry, lines))
        else:
            section = home.section_of(name)
            added[section] += [f"  {name}:", "    extends: yes", *lines]
    return Proposed(own.text_with(added, inside), tuple(changed))


def alike(one: Sequence[float], other: Sequence[float]) -> bool:
    """Whether two figures are the same number as written."""
    return all(abs(a - b) <= 1e-12 for a, b in zip(one, other, strict=True))


class _File(MarkedText):
    """One YAML file: where its figures stand, and their replacement."""

    def __init__(self, text: str) -> None:
        import yaml

        super().__init__(text, "tuned")
        self._end = "\r\n" if "\r\n" in text else "\n"
        self._sections: dict[str, Any] = {}
        self._figures: dict[str, tuple[Any, Any]] = {}
        self._variables: dict[str, tuple[str, Any, Any]] = {}
        for key, node in self.root.value if self.root is not None else ():
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
        """Whether the distribution of a variable that the file holds stands under `figures`."""
        return self._told(name) is None

    def section_of(self, name: str) -> str:
        return self._variables[name][0]

    def entry(self, name: str) -> int | None:
        """The line of a variable's entry here, counted from 0, if it has one."""
        return self._variables[name][1].start_mark.line if name in self._variables else None

    def has(self, name: str, figure: Figure) -> bool:
        """Whether this figure of a variable that the file holds stands in it."""
        return not self.in_figures(name) or _row_of(self._figures[name][1], figure) is not None

    def states_of(self, figure: Figure) -> frozenset[str]:
        """The states whose chances a figure that stands here gives."""
        name = figure.place.variable
        told = self._told(name)
        if told is None:
            node = _row_of(self._figures[name][1], figure)
        else:
            node = _node_of(told[0].value, told[1], figure)
        return frozenset(said(_gives(node)))

    def change(self, name: str, figures: Sequence[Figure], day: str) -> None:
        """Put new numbers in place of a variable's figures, all of which the file has."""
        told = self._told(name)
        for figure in figures:
            if told is None:
                target = _row_of(self._figures[name][1], figure)
            else:
                target = _node_of(told[0].value, told[1], figure)
            line = self._write(target, figure)
            self.note(line, "" if figure.after == figure.before else _note(figure, day))

    def add_rows(
        self,
        name: str,
        figures: Sequence[Figure],
        home: _File,
        day: str,
        added: list[str],
        inside: list[tuple[int, list[str]]],
    ) -> None:
        """Put rows of an included table of `home` into the file's own entry, which goes before
        it; with none, one is made in `added`."""
        single, given = [], []
        for figure in figures:
            key = figure.place.key
            told = _row_of(home._figures[name][1], figure)
            if told is None:
                raise FaultfinderError(f"{figure.place} was tuned, but it is not in the file.")
            row = _gives_row(figure, home._source(said(told).get("basis")))
            row = f"{row}  # tuned ({_note(figure, day)}); was {home._source(told)}"
            if key in ("default", "none"):
                single.append(f"    {key}: {row}")
            else:
                given.append(f'      "{self._own_key(name, figure)}": {row}')
        if name not in self._figures:
            added += [f"  {name}:", "    extends: yes", *single]
            added += ["    given:", *given] if given else []
            return
        word, entry = self._figures[name]
        if entry.flow_style:
            raise FaultfinderError(
                f"The figures of {name} stand in one line, {word.start_mark.line + 1}. Write them "
                "in several, so that rows can be added to them."
            )
        theirs: Any = next((key for key, _ in entry.value if key.value == "given"), None)
        cut = entry.start_mark.column
        shift = [" " * cut + line[4:] for line in single]
        if given and theirs is None:
            shift.append(" " * cut + "given:")
            shift += [" " * cut + line[4:] for line in given]
        elif given:
            node = said(entry)["given"]
            if node.flow_style:
                raise FaultfinderError(
                    f"The rows of {name} stand in one line, {node.start_mark.line + 1}. Write "
                    "them in several, so that rows can be added to them."
                )
            deep = " " * node.start_mark.column
            inside.append((theirs.start_mark.line, [deep + line[6:] for line in given]))
        inside.append((word.start_mark.line, shift))

    def _own_key(self, name: str, figure: Figure) -> str:
        """The key of an included row in this file: as there, unless it names causes that the
        model lacks, or rows of this file speak for some of its states."""
        key, held = figure.place.key, figure.place.held
        causes = {part.partition(".")[0] for part in held.split(", ")}
        known = all(part.strip().partition(".")[0] in causes for part in key.split(","))
        return key if not held or (known and name not in self._figures) else held

    def _source(self, node: Any) -> str:
        """The text of a node, in one line."""
        if node is None:
            return ""
        start, end = node.start_mark, node.end_mark
        if start.line == end.line:
            return str(self.lines[start.line][start.column : end.column])
        some = [self.lines[start.line][start.column :], *self.lines[start.line + 1 : end.line]]
        return " ".join(line.strip() for line in [*some, self.lines[end.line][: end.column]])

    def _write(self, node: Any, figure: Figure) -> int:
        import yaml

        number = _exactly if figure.after == figure.before else _number
        if isinstance(node, yaml.ScalarNode):
            place = 1 if figure.place.kind != "specificity" else 0
            self.replace(node, number(figure.after[place]))
            return int(node.start_mark.line)
        given = said(node)
        for state, after in zip(figure.states[1:], figure.after[1:], strict=True):
            if state in given:
                self.replace(given[state], number(after))
        if figure.states[0] in given:
            rest = _exactly(figure.after[0]) if number is _exactly else _rest(figure)
            self.replace(given[figure.states[0]], rest)
        return int(node.end_mark.line if node.flow_style else node.start_mark.line)

    def distribution_lines(self, name: str) -> list[str]:
        """The lines of a variable's distribution as edited, indented for an entry."""
        told = self._told(name)
        key, node = self._figures[name] if told is None else told
        first, last = key.start_mark.line, node.end_mark.line
        if node.end_mark.column == 0 or not node.flow_style:
            last -= 1
        lines = self.edited()[first : last + 1]
        while lines and not lines[-1].strip():
            lines.pop()
        cut = key.start_mark.column
        return [f"    {line[cut:]}" for line in lines]

    def text_with(
        self, added: Mapping[str, Sequence[str]], inside: Sequence[tuple[int, Sequence[str]]]
    ) -> str:
        """The edited text with entries added to its sections."""
        lines = list(zip(self.edited(), self.ends, strict=True))
        insert = [(line + 1, list(new)) for line, new in inside]
        end: list[str] = []
        for section, new in added.items():
            if section in self._sections:
                insert.append((self._sections[section].start_mark.line + 1, list(new)))
            elif new:
                end += ["", f"{section}:", *new]
        for place, new in sorted(insert, key=lambda item: item[0], reverse=True):
            lines[place:place] = [(line, self._end) for line in new]
        if end and lines[-1] == ("", ""):
            lines.pop()
        lines += [(line, self._end) for line in end]
        return "".join(line + stop for line, stop in lines)


def states_named(texts: Sequence[str]) -> Callable[[Place], frozenset[str]]:
    """What tells the states whose chances a figure gives in the first of these files that has it;
    none where it is a bare number."""
    read: list[_File] = []

    def named(place: Place) -> frozenset[str]:
        # Only few ask, and reading takes its time.
        read.extend(_File(text) for text in texts[len(read) :])
        figure = Figure(place, (), (), (), (), (), 0.0)
        for file in read:
            if file.holds(place.variable) and file.has(place.variable, figure):
                return file.states_of(figure)
        return frozenset()

    return named


def _node_of(key: str, node: Any, figure: Figure) -> Any:
    """The node whose numbers a figure group is."""
    place = figure.place
    if key == "chance":
        return node
    if key == "test":
        return said(node)[place.kind]
    if key == "table":
        assert place.row is not None
        row = said(node.value[place.row])
        return row.get("gives") or row["otherwise"]
    if place.kind == "leak":
        return _gives(said(node)["leak"])
    states = said(said(said(node)["links"])[place.parent or ""])
    return _gives(states[place.state or ""])


def _row_of(entry: Any, figure: Figure) -> Any:
    """The row of an entry under `figures`, if it is there."""
    key, rows = figure.place.key, said(entry)
    return rows.get(key) if key in ("default", "none") else said(rows.get("given")).get(key)


def _gives_row(figure: Figure, basis: str) -> str:
    """A whole row, the first state taking the rest."""
    exact = figure.after == figure.before
    numbers = [_exactly(value) if exact else _number(value) for value in figure.after]
    if not exact:
        numbers[0] = _rest(figure)
    row = [f"{state}: {number}" for state, number in zip(figure.states, numbers, strict=True)]
    return "{" + ", ".join([*row, f"basis: {basis}"] if basis else row) + "}"


def _note(figure: Figure, day: str) -> str:
    many = max(1, round(figure.tickets))
    return f"{many} {'ticket' if many == 1 else 'tickets'}, {day}"


def _rest(figure: Figure) -> str:
    rest = Decimal(1) - sum((Decimal(_number(value)) for value in figure.after[1:]), Decimal(0))
    return f"{max(rest, Decimal(0)):f}"


def _exactly(value: float) -> str:
    return f"{Decimal(repr(value)):f}"


def _gives(node: Any) -> Any:
    """A link or leak may be told as {gives: ..., basis: ...}."""
    return said(node).get("gives", node)


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
    if _shape(before) != _shape(with_values(after, bench_values(before))):
        raise FaultfinderError("The proposal came out with another structure; it was not written.")
    for figure in figures:
        told = figure_again(before, after, figure.place)
        if any(
            # The first state takes the rest: the rounding of all others, 5e-5 each at most.
            abs(a - b) > 1e-3 * b + (1e-4 if k else max(1e-4, 5e-5 * (len(told) - 1)))
            for k, (a, b) in enumerate(zip(told, figure.after, strict=True))
        ):
            raise FaultfinderError(
                f"The proposal came out with other figures at {figure.place}; it was not written."
            )


def _shape(model: FaultModel) -> object:
    variables = [(v.name, v.kind, v.states, sorted(v.parents)) for v in model.variables]
    checks = [(c.name, c.observes, c.minutes, c.stage) for c in model.checks]
    repairs = [(r.name, r.mends, r.stage, r.minutes) for r in model.repairs]
    return sorted(variables), checks, repairs, [s.name for s in model.stages]


def figure_again(before: FaultModel, after: FaultModel, place: Place) -> Sequence[float]:
    """The probabilities that a model has where another one, of the same structure, has `place`:
    rows may stand in another order."""
    told, then = (model.by_name[place.variable].distribution for model in (after, before))
    if place.row is None or not isinstance(told, Table) or not isinstance(then, Table):
        return figure_in(after, place)
    when = _held(then.rows[place.row].when)
    found = next((row.gives for row in told.rows if _held(row.when) == when), None)
    if found is None:
        raise FaultfinderError(f"The proposal came out without {place}; it was not written.")
    return found


def _held(when: Mapping[str, Sequence[str]]) -> object:
    return {name: set(states) for name, states in when.items()}


def figure_in(model: FaultModel, place: Place) -> Sequence[float]:
    """The probabilities that a model has at a place, whatever the key of its row."""
    stands = replace(place, key="", held="")
    for one in figures_in(model, model.by_name[place.variable]):
        if replace(one.place, key="", held="") == stands:
            return one.gives
    raise FaultfinderError(f"{place} is not written as figures that can be tuned.")
