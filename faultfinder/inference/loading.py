"""Load a model by name or path: the kept compiled form, or read and compile it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

from faultfinder.errors import MisuseError
from faultfinder.files import write_text
from faultfinder.inference.cache import cache_folder, load_or_compile
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.locate import find_model

READ_AT_MOST = 4_000_000
"""Bytes of a model file that are read; the reader refuses it well before."""


def load_model(path_or_name: str | os.PathLike[str]) -> CompiledModel:
    """The compiled model of a file, or of a name known in the models folder.

    Raises MisuseError when there is no such model, ModelFileError when the file
    has faults (all of them are listed).
    """
    path = find_model(os.fspath(path_or_name))
    try:
        with path.open("rb") as file:
            # More than a model file can hold is refused, not read.
            content = file.read(READ_AT_MOST)
    except OSError as error:
        raise MisuseError(f"{path} cannot be read: {error.strerror}.") from error

    def make() -> CompiledModel:
        # Imported only here: reading YAML is for the first run after a change.
        from faultfinder.model.reading.reader import parse_model

        return compile_model(parse_model(content, str(path)))

    def still_good(kept: CompiledModel) -> bool:
        return all(
            _digest(path.parent / included) == digest for included, digest in kept.model.included
        )

    return load_or_compile(content, str(Path(path).resolve()), make, still_good=still_good)


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.sha256(file.read(READ_AT_MOST)).hexdigest()
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
    return tuple(
        (os.path.relpath(place, root), place.read_text(encoding="utf-8")) for place in places
    )


def load_kept(digest: str, files: Iterable[tuple[str, str]]) -> CompiledModel:
    """The compiled model of files kept earlier (see `model_files`); the first one is the model.

    They are laid out below the cache folder, so that they are compiled once like any other.
    """
    folder = cache_folder() / "versions" / digest
    paths = []
    for name, text in files:
        place = folder / name
        paths.append(place)
        if not place.exists():
            place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_text(place, text)
    return load_model(paths[0])
