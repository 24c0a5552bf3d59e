"""Load a model by name or path: the kept compiled form, or read and compile it."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import read_some, refused
from faultfinder.inference.cache import load_or_compile
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.locate import find_model
from faultfinder.model.parts import FaultModel

READ_AT_MOST = 4_000_000
"""Bytes of a model file that are read; the reader refuses it well before."""


def load_model(path_or_name: str | os.PathLike[str], within: Path | None = None) -> CompiledModel:
    """The compiled model of a file, or of a name known in the models folder.

    What it includes must lie below the folder `within`, where that is given: a file that came
    from elsewhere does not choose which files are opened here.
    Raises MisuseError when there is no such model, ModelFileError when the file
    has faults (all of them are listed).
    """
    path = find_model(os.fspath(path_or_name))
    with refused(f"{path} cannot be read", MisuseError):
        # More than a model file can hold is refused, not read.
        content = read_some(path, READ_AT_MOST)

    def make() -> CompiledModel:
        # Imported only here: reading YAML is for the first run after a change.
        from faultfinder.model.reading.reader import parse_model, read_content

        def included(part: Path) -> bytes:
            if within is not None and not Path(os.path.realpath(part)).is_relative_to(within):
                raise PermissionError(errno.EACCES, "it is none of the version's own files", part)
            return read_content(part)

        return compile_model(parse_model(content, str(path), included))

    def still_good(kept: CompiledModel) -> bool:
        return all(
            _digest(path.parent / included) == digest for included, digest in kept.model.included
        )

    return load_or_compile(content, str(Path(path).resolve()), make, still_good=still_good)


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(read_some(path, READ_AT_MOST)).hexdigest()
    except OSError:
        return ""


def model_files(
    path_or_name: str | os.PathLike[str], compiled: CompiledModel
) -> tuple[tuple[str, str], ...]:
    """The files a model is read from, word for word: (path, text), the model's own first.

    Paths are below the folder that holds them all, so that includes find each other.
    """
    path = find_model(os.fspath(path_or_name)).resolve()
    places = [path, *((path.parent / name).resolve() for name, _ in compiled.model.included)]
    root = os.path.commonpath([place.parent for place in places])
    # Decoded as they stand, line ends and all: the digest is of the bytes.
    return tuple(
        (os.path.relpath(place, root), place.read_bytes().decode("utf-8")) for place in places
    )


def read_kept(files: Iterable[tuple[str, str]]) -> FaultModel:
    """The model of files in memory (see `model_files`). Raises ModelFileError."""
    from faultfinder.model.reading.reader import parse_model

    kept = {name: text.encode("utf-8", "surrogatepass") for name, text in files}
    first = next(iter(kept))

    def included(path: Path) -> bytes:
        name = os.path.normpath(path).replace(os.sep, "/")
        if name not in kept:
            raise FileNotFoundError(errno.ENOENT, "it is not among the kept files", name)
        return kept[name]

    return parse_model(kept[first], first, included)


def load_kept(digest: str, files: Iterable[tuple[str, str]]) -> CompiledModel:
    """The compiled model of files kept earlier (see `model_files`); the first one is the model.

    They are read from memory; what they include is looked up among them, and nowhere else.
    Raises FaultfinderError where they are another model than `digest` says.
    """
    kept = tuple(files)
    whole = b"\0".join(part.encode("utf-8", "surrogatepass") for pair in kept for part in pair)
    compiled = load_or_compile(whole, f"kept {digest}", lambda: compile_model(read_kept(kept)))
    if not compiled.model.digest.startswith(digest):
        raise FaultfinderError(
            f"The kept model {digest} is another one than it says, so it is not used. Restore a "
            "backup."
        )
    return compiled
