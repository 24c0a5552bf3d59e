"""A YAML file whose numbers are replaced where they stand; all else stays word for word.

A changed line ends in a comment with what it rests on and what stood there.
"""

from __future__ import annotations

import re
from typing import Any

_BREAK = re.compile("(\r\n|[\n\r\x85\u2028\u2029])")
"""The line ends of YAML."""


class MarkedText:
    """One file: `root` is its node, `mark` begins the comments."""

    def __init__(self, text: str, mark: str) -> None:
        import yaml

        pieces = _BREAK.split(text)
        self.lines, self.ends = pieces[::2], [*pieces[1::2], ""]
        self.root: Any = yaml.compose(text, Loader=yaml.SafeLoader)
        self._mark = f"  # {mark}"
        self._edits: list[tuple[int, int, int, str]] = []
        self._notes: dict[int, str] = {}

    def replace(self, node: Any, number: str) -> None:
        """Put a number in place of the one of a node."""
        start, end = node.start_mark, node.end_mark
        self._edits.append((start.line, start.column, end.column, number))

    def note(self, line: int, note: str) -> None:
        """What a changed line rests on; "" where it says no more than its author did. The first
        one that says something stands."""
        self._notes[line] = self._notes.get(line) or note

    def edited(self) -> list[str]:
        """The lines with their changes, without their ends."""
        lines = list(self.lines)
        for line, start, end, number in sorted(self._edits, reverse=True):
            lines[line] = lines[line][:start] + number + lines[line][end:]
        for line, note in self._notes.items():
            lines[line] = lines[line].partition(self._mark)[0]
            if note:
                was = self.lines[line].partition(self._mark)[0].strip().removeprefix("- ")
                lines[line] += f"{self._mark} ({note}); was {was}"
        return lines


def said(node: Any) -> dict[str, Any]:
    """What stands under each key of a node; nothing where it has no keys."""
    import yaml

    pairs = node.value if isinstance(node, yaml.MappingNode) else ()
    return {key.value: value for key, value in pairs}
