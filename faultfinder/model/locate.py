"""Where model files lie: a path, or a name looked up in the model folders.

Kept to `os` and `pathlib`: every command comes through here.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.files import read_some

FOLDER_VARIABLE = "FAULTFINDER_MODELS"
"""Environment variable naming a folder of one's own, looked in before the others."""

_PACKAGE = Path(__file__).resolve().parent.parent
_SUFFIXES = (".yaml", ".yml")


def model_folders() -> tuple[Path, ...]:
    """The folders a name is looked up in, first one first.

    Raises MisuseError when FAULTFINDER_MODELS names no folder, or one without models:
    whoever sets it means it.
    """
    folders: list[Path] = []
    own = os.environ.get(FOLDER_VARIABLE, "").strip()
    if own:
        if not os.path.isdir(own):
            raise MisuseError(
                f"{FOLDER_VARIABLE} is set to {own}, which is not a folder. "
                "Set it to a folder of model files, or unset it."
            )
        if not models_in(Path(own)):
            raise MisuseError(
                f"{FOLDER_VARIABLE} is set to {own}, and that folder holds no readable model "
                "file (*.yaml). Put a model file there, or unset it."
            )
        folders.append(Path(own))
    folders += [_PACKAGE.parent / "models", _PACKAGE / "_models"]
    return tuple(folder for folder in folders if os.path.isdir(folder))


def models_in(folder: Path) -> dict[str, Path]:
    """The model files of one folder by name, in order of name; none when it is unreadable.

    Part files, which models include, are not among them.
    """
    try:
        found = sorted(os.listdir(folder))
    except OSError:
        return {}
    files = (folder / name for name in found if not name.startswith("."))
    return {
        path.stem: path
        for path in files
        if path.suffix in _SUFFIXES and os.path.isfile(path) and not _is_part_file(path)
    }


def _is_part_file(path: Path) -> bool:
    """Whether the file's beginning says so; told without reading YAML."""
    try:
        head = read_some(path, 1 << 16)
    except OSError:
        return False
    # The pattern is slow, and every command looks at a dozen files that do not hold the word.
    return b"faultfinder_parts" in head and bool(
        re.search(rb"^\s*faultfinder_parts\s*:", head, re.M)
    )


def available_models() -> dict[str, Path]:
    """Every model that can be named, by name; a folder looked in earlier wins.

    Raises MisuseError when there is none at all.
    """
    models: dict[str, Path] = {}
    folders = model_folders()
    for folder in folders:
        for name, path in models_in(folder).items():
            models.setdefault(name, path)
    if not models:
        looked = " and ".join(map(str, folders)) or str(_PACKAGE.parent / "models")
        raise MisuseError(
            f"There is no model file (*.yaml) in {looked}. Put one there, name a file, "
            f"or set {FOLDER_VARIABLE} to a folder of model files."
        )
    return models


def find_model(name_or_path: str) -> Path:
    """The file meant by a path, or by the name of a model.

    Raises MisuseError when there is no such file or model, or it is a folder.
    """
    given = name_or_path.strip()
    if not given:
        raise MisuseError("No model was named. Name a model or a model file.")
    if os.path.isfile(given):
        return Path(given)
    is_folder = os.path.isdir(given)
    bare = os.path.basename(given) == given and given not in (os.curdir, os.pardir)
    if not bare:
        if is_folder:
            raise MisuseError(_folder_named(given))
        raise MisuseError(_no_such_file(given))
    name = given
    for suffix in _SUFFIXES:
        name = name.removesuffix(suffix)
    models = available_models()
    if name in models:
        return models[name]
    if is_folder:
        raise MisuseError(_folder_named(given))
    raise MisuseError(f"There is no model called {given}. {did_you_mean(name, models)}")


def _folder_named(given: str) -> str:
    inside = models_in(Path(given))
    if not inside:
        return f"{given} is a folder that holds no model file (*.yaml). Name a model file."
    listed = ", ".join(path.name for path in inside.values())
    return f"{given} is a folder. Name one file in it: {listed}."


def _no_such_file(given: str) -> str:
    path = Path(given)
    siblings = models_in(path.parent)
    sentence = f"There is no file {given}."
    if siblings:
        return f"{sentence} {did_you_mean(path.name, [p.name for p in siblings.values()])}"
    return f"{sentence} Name a model file (*.yaml), or a model by its name."
