"""Cells and rows of a CSV file: written so that no spreadsheet runs them, and read back.

Quoting follows RFC 4180, with LF at the end of a line.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence

from faultfinder.errors import FaultfinderError
from faultfinder.tickets.exchange.source import Source

CELL_LIMIT = 16_000_000
"""Characters of a cell at which the reading stops: a quote is not closed, or it is no CSV."""

COLUMN_LIMIT = 2_000
"""Columns of a table at most."""

DELIMITERS = ",;\t"

# What a spreadsheet may take for a formula, with the apostrophes we put before it.
_SIGN = r"(?:[\t\r\n]|\s*[=+\-@\uff1d\uff0b\uff0d\uff20])"
_RUN = re.compile(rf"'*{_SIGN}")
_SHIELDED = re.compile(rf"'+{_SIGN}")
_QUOTED = re.compile(r'[,;\t\r\n"]|^\s|\s$')


def shielded(text: str) -> str:
    """The text with an apostrophe before it when a spreadsheet would run it.

    >>> shielded("=1+1"), shielded("'=1+1"), shielded("dark"), shielded("'s")
    ("'=1+1", "''=1+1", 'dark', "'s")
    """
    return f"'{text}" if _RUN.match(text) else text


def unshielded(cell: str) -> str:
    """What `shielded` was given."""
    return cell[1:] if _SHIELDED.match(cell) else cell


def to_row(texts: Iterable[str]) -> str:
    """A line of the file, with its end."""
    return ",".join(_cell(text) for text in texts) + "\n"


def _cell(text: str) -> str:
    safe = shielded(text)
    return '"' + safe.replace('"', '""') + '"' if _QUOTED.search(safe) else safe


def delimiter_of(header: str) -> str:
    """The delimiter of a file, told from its first line; quoted parts do not count.

    >>> delimiter_of('key;"a,b,c";x'), delimiter_of("key")
    (';', ',')
    """
    bare = re.sub(r'"[^"]*"', "", header)
    return max(DELIMITERS, key=bare.count)


def read_rows(source: Source) -> Iterator[tuple[int, Sequence[str]]]:
    """Rows with the line each begins on, shields taken off; the first is the header.

    Empty lines are passed over. Raises FaultfinderError where it is no CSV.
    """
    lines = source.lines()
    header = next((line for line in lines if line.strip()), "")
    if not header:
        raise FaultfinderError(f"{source.name} is empty. A table begins with a line of names.")
    if header.count(delimiter_of(header)) >= COLUMN_LIMIT and len(header) > COLUMN_LIMIT:
        raise FaultfinderError(
            f"The first line of {source.name} names more than {COLUMN_LIMIT:,} columns. A table "
            "begins with a line of names."
        )
    before = source.line - 1

    def all_lines() -> Iterator[str]:
        yield header
        yield from lines

    csv.field_size_limit(CELL_LIMIT)
    reader = csv.reader(all_lines(), delimiter=delimiter_of(header), strict=True)
    while True:
        begin = before + reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise FaultfinderError(
                f"Line {begin} of {source.name} cannot be read as a row of a table: {_said(error)} "
                "Nothing was written."
            ) from None
        if cells:
            yield begin, [unshielded(cell) if cell[:1] == "'" else cell for cell in cells]


def _said(error: csv.Error) -> str:
    told = str(error)
    if "field larger" in told:
        return f"a cell is longer than {CELL_LIMIT:,} characters. Is a quote not closed?"
    if "unexpected end" in told:
        return "a quote is opened and never closed."
    if "new-line" in told:
        return "it ends with a lone carriage return. Save the file with plain line ends."
    if "expected after" in told:
        return "something stands after a closing quote. Quotes within a cell are doubled."
    return f"{told}."
