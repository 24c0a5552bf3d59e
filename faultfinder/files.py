"""Files that are read and written: only plain ones are read, and they are written whole.

What may be overwritten is decided here, for pages, exports, backups and all else.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.written import lasting

PAGE_MARK = "<!-- Made by faultfinder -->"
"""In the first line of a page of ours."""

DATABASE_MARK = b"SQLite format 3\0"

BESIDE_A_DATABASE = ("-wal", "-shm", "-journal")
"""Ends of the names of files that SQLite keeps beside a database, and that are part of it."""

HEAD = 4_096
"""Bytes in which a file's first line is looked for."""


@contextlib.contextmanager
def refused(
    what: str, kind: type[FaultfinderError] = FaultfinderError, after: str = ""
) -> Iterator[None]:
    """What the system refuses, also a path that can be none, as a sentence: `what` ("FILE cannot be
    read"), and why; `after` is said then. Raises `kind`."""
    try:
        yield
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise kind(f"{what}: {reason}. {after}".rstrip()) from error


@contextlib.contextmanager
def reading(
    place: str | os.PathLike[str], hint: str = "", wanted: str = "a file"
) -> Iterator[None]:
    """The same for a file that is to be read: where there is none (`hint` is said then), and where
    it is a folder, in which `wanted` is to be named. Raises MisuseError."""
    with refused(f"{place} cannot be read", MisuseError):
        try:
            yield
        except FileNotFoundError:
            raise MisuseError(f"There is no file {place}. {hint}".rstrip()) from None
        except IsADirectoryError:
            raise MisuseError(f"{place} is a folder. Name {wanted} in it.") from None


def open_plain(place: str | os.PathLike[str]) -> BinaryIO:
    """A plain file to read. Raises OSError, also for a pipe or device, which could hang."""
    handle = os.open(place, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        mode = os.fstat(handle).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(place))
        if not stat.S_ISREG(mode):
            raise OSError(errno.ENOTSUP, "it is no regular file", str(place))
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_some(place: str | os.PathLike[str], most: int) -> bytes:
    """The beginning of a plain file, of so many bytes at most. Raises OSError as `open_plain`."""
    with open_plain(place) as stream:
        return stream.read(most)


def private_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing; only their owner can enter them.

    Raises OSError.
    """
    if folder.is_dir():
        return
    private_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
        folder.chmod(0o700)


def check_target(
    place: Path, mark: str = "", replace: bool = False, sources: Iterable[Path] = ()
) -> None:
    """Raise MisuseError unless a file may be put there: the one place that decides.

    A file with `mark` in its first line is ours and may be rewritten; any other one takes
    `replace`. A database is never replaced, nor one of `sources`, from which it would be made.
    """
    for end in BESIDE_A_DATABASE:
        base = Path(str(place).removesuffix(end))
        if base != place and base.is_file() and _head(base).startswith(DATABASE_MARK):
            raise MisuseError(f"{place} belongs to the database {base}. Name another file.")
    with refused(f"{place} cannot be written", MisuseError):
        try:
            found = os.stat(place)
        except FileNotFoundError:
            return
    if stat.S_ISDIR(found.st_mode):
        raise MisuseError(f"{place} is a folder. Name a file in it.")
    if not stat.S_ISREG(found.st_mode):
        _check_stream(place, found.st_mode)
        return
    for source in sources:
        if source.exists() and os.path.samestat(found, os.stat(source)):
            raise MisuseError(f"{place} is what this would be made from. Name another file.")
    head = _head(place)
    if head.startswith(DATABASE_MARK):
        raise MisuseError(f"{place} is a database, which nothing replaces. Name another file.")
    if not replace and (not mark or mark.encode() not in head.partition(b"\n")[0]):
        raise MisuseError(
            f"{place} is there already. Name another file, or say --replace to replace it."
        )


def _head(place: Path) -> bytes:
    with refused(f"{place} cannot be looked at", MisuseError):
        return read_some(place, HEAD)


def _check_stream(place: Path, mode: int) -> None:
    if stat.S_ISCHR(mode):
        return
    if stat.S_ISFIFO(mode):
        with contextlib.suppress(OSError):
            os.close(os.open(place, os.O_WRONLY | os.O_NONBLOCK))
            return
        raise MisuseError(f"Nobody reads from the pipe {place}. Name another file.")
    raise MisuseError(f"{place} is no plain file. Name another.")


@contextlib.contextmanager
def whole_file(place: Path, private: bool = False, says: str = "") -> Iterator[BinaryIO]:
    """A stream whose content stands at `place` once the block is left without an error.

    What was there stays until then. With `private` only the owner can read it. A device or
    pipe is written straight into. `says` is what stands then, for somebody who stops it.
    Raises OSError when it cannot be written.
    """
    if place.exists() and not place.is_file() and not place.is_dir():
        # Opened without waiting for a reader, then written as usual.
        handle = os.open(place, os.O_WRONLY | os.O_NONBLOCK)
        os.set_blocking(handle, True)
        with os.fdopen(handle, "wb") as stream:
            yield stream
        return
    # A link is followed, so that what it points to is replaced.
    target = Path(os.path.realpath(place))
    aside = target.parent / f".{os.urandom(8).hex()}.part"
    try:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
        with os.fdopen(os.open(aside, flags, 0o600 if private else 0o666), "wb") as stream:
            if private:
                os.fchmod(stream.fileno(), 0o600)
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        if says:
            with lasting(says):
                os.replace(aside, target)
        else:
            os.replace(aside, target)
    finally:
        with contextlib.suppress(OSError):
            aside.unlink()


def write_lines(
    place: Path,
    lines: Iterable[bytes],
    what: str = "",
    mark: str = "",
    replace: bool = False,
    sources: Iterable[Path] = (),
    private: bool = False,
) -> None:
    """Write a file whole, where `check_target` lets it; `what` it is, as in "page", stands in the
    sentence of a refusal.

    Raises MisuseError as `check_target` does, FaultfinderError when it cannot be written.
    """
    named = f"The {what} {place}" if what else str(place)
    sources = tuple(sources)
    check_target(place, mark, replace, sources)
    try:
        with whole_file(place, private, f"{named} is written.") as stream:
            for line in lines:
                stream.write(line)
            # Something may have come to be there while we wrote.
            check_target(place, mark, replace, sources)
    except OSError as error:
        kept = "Nothing of it was kept." if not _is_stream(place) else ""
        raise FaultfinderError(
            f"{named} cannot be written: {error.strerror}. {kept}".rstrip()
        ) from error


def _is_stream(place: Path) -> bool:
    return place.exists() and not place.is_file() and not place.is_dir()


def write_text(place: Path, text: str, what: str = "", replace: bool = False) -> None:
    """Write a whole text as `write_lines` does."""
    write_lines(place, [text.encode("utf-8")], what, replace=replace)


def write_page(place: Path, page: str, replace: bool = False, sources: Iterable[Path] = ()) -> None:
    """Write a page, marked as ours so that it may be written again."""
    begin = "<!DOCTYPE html>"
    marked = begin + PAGE_MARK + page.removeprefix(begin)
    write_lines(place, [marked.encode("utf-8")], "page", PAGE_MARK, replace, sources)
