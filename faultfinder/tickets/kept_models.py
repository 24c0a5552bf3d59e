"""The files of a model, word for word, as they are kept beside the tickets that go by it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from faultfinder.errors import FaultfinderError

if TYPE_CHECKING:
    from faultfinder.model.parts import FaultModel

FILES = 200
"""Files of one model at most."""

Files = tuple[tuple[str, str], ...]


def version_of(model: FaultModel) -> str:
    """What tickets carry of a model's digest."""
    return model.digest[:12]


def plain_path(name: str) -> bool:
    """Whether a name is a plain relative path below one folder, on any system.

    >>> [plain_path(name) for name in ("a.yaml", "common/b.yaml", "../a", "/a", "C:a", "a//b")]
    [True, True, False, False, False, False]
    """
    if not name.isprintable() or len(name) > 1_000 or any(sign in name for sign in '\\:*?"<>|'):
        return False
    return all(part and part.strip(". ") for part in name.split("/"))


def as_text(files: Iterable[tuple[str, str]]) -> str:
    """Files as they are kept."""
    import json  # most commands keep and read none

    return json.dumps([list(pair) for pair in files])


def read_files(digest: str, kept: object) -> Files:
    """The files as (path, text), the model's own first.

    Raises FaultfinderError for anything that is not a few texts with plain paths, all different.
    """
    import json

    try:
        read: object = json.loads(kept) if isinstance(kept, str) else None
    except (ValueError, RecursionError):
        read = None
    files = checked_files(read)
    if files is None:
        raise FaultfinderError(
            f"The kept model {str(digest)[:60]} is damaged or not ours; nothing of it was used. "
            'Tickets that go by it need a backup, or "faultfinder remodel TICKET".'
        )
    return files


def checked_files(read: object) -> Files | None:
    """A list of [path, text] as files; None for anything else, or for paths that are not plain
    or not all different."""
    files: list[tuple[str, str]] = []
    for pair in read if isinstance(read, list | tuple) else ():
        match pair:
            case [str(name), str(text)] if plain_path(name):
                files.append((name, text))
            case _:
                return None
    # Upper and lower case are the same file on some systems.
    if not 0 < len(files) <= FILES or len({name.casefold() for name, _ in files}) < len(files):
        return None
    return tuple(files)
