"""Figures of the bench written where they stand: same text, comments kept, other numbers.

A version holds files of its own, so that a number of an included part is changed in that part.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from faultfinder.errors import FaultfinderError
from faultfinder.learning.bench.figures import Spot, Values, same_values
from faultfinder.tickets.kept_models import Files

MARK = "  # learnt"


def put_values(
    files: Files,
    wanted: Mapping[Spot, Values],
    present: Mapping[Spot, Values],
    counts: Mapping[Spot, float],
    day: str,
) -> Files:
    """The files with the `wanted` figures in place of those `present` in them, where they differ.

    A line changed ends in a comment with how many times the log speaks on it (`counts`; none
    where an author's figure is put back) and what stood there. Raises FaultfinderError when a
    figure cannot be found.
    """
    changes = {
        spot: values
        for spot, values in wanted.items()
        if spot in present and not same_values(values, present[spot])
    }
    if not changes:
        return files
    texts = [_Text(text) for _, text in files]
    for spot, values in changes.items():
        node = next((found for text in texts if (found := text.find(spot)) is not None), None)
        if node is None:
            raise FaultfinderError(f"{' '.join(spot)} was learnt, but it is not in the file.")
        text = next(text for text in texts if text.find(spot) is not None)
        text.put(node, values, counts.get(spot), day)
    return tuple((name, text.edited()) for (name, _), text in zip(files, texts, strict=True))


class _Text:
    """One YAML file, its nodes, and what is to be changed in it."""

    def __init__(self, text: str) -> None:
        import yaml

        self._lines = text.splitlines(keepends=True)
        self._edits: dict[int, list[tuple[int, int, str]]] = {}
        self._notes: dict[int, str | None] = {}
        self._root: Any = yaml.compose(text, Loader=yaml.SafeLoader)

    def find(self, spot: Spot) -> Any:
        """The node of a figure, None where this file does not say it."""
        kind, *path = spot
        if kind == "retest":
            return _at(self._root, ("complaint", "retest", *path))
        if kind == "moves":
            start, end, key = path
            listed = _at(self._root, ("moves",))
            for node in listed.value if listed is not None else ():
                if _word(_at(node, ("from",))) == start and _word(_at(node, ("to",))) == end:
                    return _at(node, (key,))
            return None
        return _at(self._root, (kind, *path))

    def put(self, node: Any, values: Values, count: float | None, day: str) -> None:
        """Put new numbers in place of those of a node."""
        import yaml

        if isinstance(node, yaml.ScalarNode):
            # One number may stand for several states that are alike.
            self._replace(node, next(iter(values.values())))
        else:
            for key, value in node.value:
                if key.value in values:
                    self._replace(value, values[key.value])
        many = None if count is None else max(1, round(count))
        note = None if many is None else f"{many} {'time' if many == 1 else 'times'}, {day}"
        self._notes[node.start_mark.line] = note

    def _replace(self, node: Any, value: float) -> None:
        start, end = node.start_mark, node.end_mark
        number = f"{Decimal(repr(float(value))).normalize():f}"
        self._edits.setdefault(start.line, []).append((start.column, end.column, number))

    def edited(self) -> str:
        """The text with its changes."""
        lines = list(self._lines)
        for line in self._edits.keys() | self._notes.keys():
            body = lines[line].rstrip("\r\n")
            stop = lines[line][len(body) :]
            was = body.partition(MARK)[0].strip().removeprefix("- ")
            for start, end, number in sorted(self._edits.get(line, ()), reverse=True):
                body = body[:start] + number + body[end:]
            body = body.partition(MARK)[0]
            note = self._notes.get(line)
            lines[line] = body + (f"{MARK} ({note}); was {was}" if note else "") + stop
        return "".join(lines)


def _pairs(node: Any) -> Iterator[tuple[str, Any]]:
    import yaml

    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            yield key.value, value


def _at(node: Any, path: Sequence[str]) -> Any:
    for name in path:
        node = next((value for key, value in _pairs(node) if key == name), None)
    return node


def _word(node: Any) -> str:
    return "" if node is None else str(node.value)
