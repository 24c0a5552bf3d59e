"""Files that are written whole or not at all: aside first, then moved into place."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from faultfinder.errors import FaultfinderError


@contextlib.contextmanager
def whole_file(place: Path, private: bool = False) -> Iterator[BinaryIO]:
    """A stream whose content stands at `place` once the block is left without an error.

    What was there stays until then. With `private` only the owner can read it. A device or
    pipe is written straight into. Raises OSError when it cannot be written.
    """
    # A link is followed, so that what it points to is replaced.
    target = Path(os.path.realpath(place))
    if target.exists() and not target.is_file() and not target.is_dir():
        with open(target, "wb") as stream:
            yield stream
        return
    aside = target.parent / f".{os.urandom(8).hex()}.part"
    mode = 0o600 if private else 0o666
    try:
        with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(aside, target)
    finally:
        with contextlib.suppress(OSError):
            aside.unlink()


def write_text(place: Path, text: str, what: str = "") -> None:
    """Write a whole text; `what` it is, as in "page", stands in the sentence of a refusal.

    Raises FaultfinderError when it cannot be written.
    """
    try:
        with whole_file(place) as stream:
            stream.write(text.encode("utf-8"))
    except OSError as error:
        named = f"The {what} {place}" if what else str(place)
        raise FaultfinderError(f"{named} cannot be written: {error.strerror}.") from error
