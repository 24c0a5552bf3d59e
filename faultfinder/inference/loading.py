"""Load a model by name or path: the kept compiled form, or read and compile it."""

from __future__ import annotations

import os
from pathlib import Path

from faultfinder.errors import MisuseError
from faultfinder.inference.cache import load_or_compile
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.locate import find_model


def load_model(path_or_name: str | os.PathLike[str]) -> CompiledModel:
    """The compiled model of a file, or of a name known in the models folder.

    Raises MisuseError when there is no such model, ModelFileError when the file
    has faults (all of them are listed).
    """
    path = find_model(os.fspath(path_or_name))
    try:
        content = path.read_bytes()
    except OSError as error:
        raise MisuseError(f"{path} cannot be read: {error.strerror}.") from error

    def make() -> CompiledModel:
        # Imported only here: reading YAML is for the first run after a change.
        from faultfinder.model.reader import parse_model

        return compile_model(parse_model(content, str(path)))

    return load_or_compile(content, str(Path(path).resolve()), make)
