"""A page of text: headings, paragraphs, numbered lines and small tables, 80 columns wide."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from faultfinder.report.wording import WIDTH, harmless, shortened, wrapped


class Page:
    """Lines put together in order; with `bold` the headings are bold, and nothing else is.

    All text handed in is made harmless, so that a page never holds an escape
    sequence but its own.
    """

    def __init__(self, bold: bool = False) -> None:
        self._bold = bold
        self._lines: list[str] = []

    def heading(self, text: str) -> None:
        for line in wrapped(text, 2 if len(text) > WIDTH else 0):
            self._lines.append(f"\x1b[1m{line}\x1b[0m" if self._bold else line)

    def text(self, text: str, indent: int = 0) -> None:
        self._lines += wrapped(text, indent, " " * indent)

    def item(self, first: str, text: str, indent: int = 0, hang: int | None = None) -> None:
        """`first` and the text beside it; further lines hang below the text's start."""
        begin = f"{' ' * indent}{harmless(first)} "
        self._lines += wrapped(text, len(begin) if hang is None else indent + hang, begin)

    def numbered(self, texts: Iterable[str], indent: int = 0) -> None:
        for number, text in enumerate(texts, start=1):
            self.item(f"{number}.", text, indent)

    def row(self, name: str, cells: Sequence[tuple[str, int]], indent: int = 2) -> None:
        """A name at the left and right-aligned cells, each with its width, at the right."""
        right = "".join(f" {harmless(cell):>{width}}" for cell, width in cells)
        room = WIDTH - len(right) - indent
        self._lines.append(
            f"{' ' * indent}{shortened(harmless(name), room):<{room}}{right}".rstrip()
        )

    def blank(self) -> None:
        """One empty line, never two, and none at the top."""
        if self._lines and self._lines[-1]:
            self._lines.append("")

    def page(self, other: str) -> None:
        """The lines of another page, which is harmless already."""
        self._lines += other.splitlines()

    def __str__(self) -> str:
        # Those spaces have done their work: they kept lines from breaking.
        return "\n".join(self._lines).rstrip("\n").replace("\N{NO-BREAK SPACE}", " ")
