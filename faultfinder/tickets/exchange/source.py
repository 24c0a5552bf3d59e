"""A text file read line by line, whatever is in it, without holding more than a line."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import open_plain, reading, refused

LINE_LIMIT = 32_000_000
"""Bytes of one line at most: a ticket with several of the longest texts stays below."""

_BOM = b"\xef\xbb\xbf"


class Source:
    """Lines of an open file. `name` is what messages call it, `line` the last one read
    (from 1), `done` how many bytes were read of `size` (0 when that is not known)."""

    def __init__(self, file: BinaryIO, name: str, size: int = 0) -> None:
        self._file = file
        self.name = name
        self.size = size
        self.line = 0
        self.done = 0

    def lines(self) -> Iterator[str]:
        """Each line with its end. Raises FaultfinderError for what is no text."""
        while True:
            with refused(f"{self.name} cannot be read"):
                raw = self._file.readline(LINE_LIMIT + 1)
            if not raw:
                return
            self.line += 1
            self.done += len(raw)
            yield self._decoded(raw)

    def _decoded(self, raw: bytes) -> str:
        if len(raw) > LINE_LIMIT:
            raise self.refusal(f"is longer than {LINE_LIMIT:,} bytes")
        if b"\0" in raw:
            raise self.refusal("holds a zero byte: this is no text in UTF-8")
        if self.line == 1:
            raw = raw.removeprefix(_BOM)
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError as error:
            byte = raw[error.start]
            raise self.refusal(
                f"holds the byte 0x{byte:02x}, which is not UTF-8. Save the file as UTF-8"
            ) from None

    def refusal(self, what: str) -> FaultfinderError:
        """The error for the present line."""
        return FaultfinderError(f"Line {self.line} of {self.name} {what}. Nothing was written.")


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Source]:
    """A file to read. Raises MisuseError when there is none, or it is a folder."""
    with reading(path):
        file = open_plain(path)
        size = os.fstat(file.fileno()).st_size
    with file:
        yield Source(file, str(path), size)


def read_whole(path: Path, limit: int) -> bytes:
    """A small file's content. Raises MisuseError as `opened` does, or when it is too long."""
    with opened(path) as source, refused(f"{path} cannot be read", MisuseError):
        content = source._file.read(limit + 1)
    if len(content) > limit:
        raise MisuseError(f"{path} holds more than {limit:,} bytes.")
    return content
