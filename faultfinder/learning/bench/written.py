"""Figures of the bench written where they stand: same text, comments kept, other numbers.

A version holds files of its own, so that a number of an included part is changed in that part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from faultfinder.errors import FaultfinderError
from faultfinder.learning.bench.figures import Spot, Values, same_values
from faultfinder.learning.marked_text import MarkedText, said
from faultfinder.tickets.kept_models import Files


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
    texts = [MarkedText(text, "learnt") for _, text in files]
    for spot, values in changes.items():
        there = ((text, _find(text.root, spot)) for text in texts)
        text, node = next((one for one in there if one[1] is not None), (None, None))
        if text is None:
            raise FaultfinderError(f"{' '.join(spot)} was learnt, but it is not in the file.")
        _put(text, node, values, counts.get(spot), day)
    return tuple(
        (name, "".join(line + end for line, end in zip(text.edited(), text.ends, strict=True)))
        for (name, _), text in zip(files, texts, strict=True)
    )


def _find(root: Any, spot: Spot) -> Any:
    """The node of a figure, None where this file does not say it."""
    kind, *path = spot
    if kind == "retest":
        return _at(root, ("complaint", "retest", *path))
    if kind == "moves":
        start, end, key = path
        listed = said(root).get("moves")
        for node in listed.value if listed is not None else ():
            move = said(node)
            if [getattr(move.get(one), "value", "") for one in ("from", "to")] == [start, end]:
                return move.get(key)
        return None
    return _at(root, (kind, *path))


def _at(node: Any, path: Sequence[str]) -> Any:
    for name in path:
        node = said(node).get(name)
    return node


def _put(text: MarkedText, node: Any, values: Values, count: float | None, day: str) -> None:
    """Put new numbers in place of those of a node."""
    # One number may stand for several states that are alike.
    alone = next(iter(values.values()))
    for key, value in said(node).items() or [("", node)]:
        number = values.get(key) if key else alone
        if number is not None:
            text.replace(value, f"{Decimal(repr(float(number))).normalize():f}")
    many = None if count is None else max(1, round(count))
    times = "time" if many == 1 else "times"
    text.note(node.start_mark.line, "" if many is None else f"{many} {times}, {day}")
