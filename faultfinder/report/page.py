"""What a page says, block by block: headings, paragraphs, numbered lines and small tables.

As text it is 80 columns wide. The templates of HTML pages set the same blocks
(`templates/blocks.html`), so that both say the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from faultfinder.report.wording import WIDTH, harmless, shortened, wrapped


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of a page; `kind` says which fields it has."""

    kind: str
    text: str = ""
    first: str = ""
    indent: int = 0
    hang: int | None = None
    texts: tuple[str, ...] = ()
    cells: tuple[tuple[str, int], ...] = ()
    rows: tuple[Sequence[str], ...] = ()

    def lines(self, bold: bool) -> list[str]:
        """As text; all of it is made harmless, so that it holds no escape sequence of its own."""
        text, indent = self.text, self.indent
        match self.kind:
            case "heading":
                lines = wrapped(text, 2 if len(text) > WIDTH else 0)
                return [f"\x1b[1m{line}\x1b[0m" if bold else line for line in lines]
            case "text":
                return wrapped(text, indent, " " * indent)
            case "item":
                begin = f"{' ' * indent}{harmless(self.first)} "
                return wrapped(text, len(begin) if self.hang is None else indent + self.hang, begin)
            case "numbered":
                items = enumerate(self.texts, start=1)
                return [
                    line
                    for number, one in items
                    for line in Block("item", one, f"{number}.", indent).lines(bold)
                ]
            case "row":
                right = "".join(f" {harmless(cell):>{width}}" for cell, width in self.cells)
                room = WIDTH - len(right) - indent
                name = shortened(harmless(text), room)
                return [f"{' ' * indent}{name:<{room}}{right}".rstrip()]
            case _:
                return text.splitlines()


class Page:
    """Blocks put together in order; with `bold` the headings are bold, and nothing else is."""

    def __init__(self, bold: bool = False) -> None:
        self._bold = bold
        self.blocks: list[Block] = []

    def heading(self, text: str) -> None:
        """In text an empty line stands above it."""
        self.blocks.append(Block("heading", text))

    def text(self, text: str, indent: int = 0) -> None:
        self.blocks.append(Block("text", text, indent=indent))

    def item(self, first: str, text: str, indent: int = 0, hang: int | None = None) -> None:
        """`first` and the text beside it; further lines hang below the text's start."""
        self.blocks.append(Block("item", text, first, indent, hang))

    def numbered(self, texts: Iterable[str], indent: int = 0) -> None:
        self.blocks.append(Block("numbered", indent=indent, texts=tuple(texts)))

    def row(self, name: str, cells: Sequence[tuple[str, int]], indent: int = 2) -> None:
        """A name at the left and right-aligned cells, each with its width, at the right."""
        self.blocks.append(Block("row", name, indent=indent, cells=tuple(cells)))

    def blank(self) -> None:
        """One empty line, never two, and none at the top."""
        self.blocks.append(Block("blank"))

    def page(self, other: str) -> None:
        """The lines of another page, which is harmless already."""
        self.blocks.append(Block("page", other))

    # What only HTML pages hold

    def section(self, text: str) -> None:
        """A heading above those of `heading`."""
        self.blocks.append(Block("section", text))

    def answer(self, text: str) -> None:
        """The answer to a section's question, which stands out."""
        self.blocks.append(Block("answer", text))

    def figure(self, svg: str, caption: str) -> None:
        """A drawing, markup that stands as it is, with its caption."""
        self.blocks.append(Block("figure", caption, svg))

    def table(self, heads: Sequence[str], rows: Iterable[Sequence[str]], words: int = 1) -> None:
        """The first `words` columns hold words, all others figures."""
        self.blocks.append(Block("table", indent=words, texts=tuple(heads), rows=tuple(rows)))

    def pieces(self) -> list[str]:
        """The page in pieces between which a screen may end: a caution stays with the step it
        belongs to, and what hangs together stays whole."""
        made: list[list[Block]] = []
        for block in self.blocks:
            if made and (block.first == "Caution:" or made[-1][-1].kind == "blank"):
                made[-1].append(block)
            else:
                made.append([block])
        return ["\n".join(self._lines(blocks)) for blocks in made]

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def lines(self) -> Iterator[str]:
        """Line by line; a long page need not be in memory as a whole."""
        return self._lines(self.blocks)

    def _lines(self, blocks: Iterable[Block]) -> Iterator[str]:
        empty, begun = 0, False
        for block in blocks:
            if block.kind in ("blank", "heading"):
                empty = max(empty, int(begun))
            for line in block.lines(self._bold):
                begun = True
                if not line:
                    empty += 1
                    continue
                yield from [""] * empty
                empty = 0
                # Those spaces have done their work: they kept lines from breaking.
                yield line.replace("\N{NO-BREAK SPACE}", " ")
