"""Which file a model's name stands for: the shop's version in force, else the shipped one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultfinder.cli.options import DB_NAMED
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.model.locate import find_model
from faultfinder.report.wording import harmless
from faultfinder.tickets.address import SERVERS, store_address
from faultfinder.tickets.shelf import Shelf, shelf_at

if TYPE_CHECKING:
    from faultfinder.learning.versions import Line


def named_place() -> str | None:
    """The place of the tickets named with --db, if any."""
    context = click.get_current_context(silent=True)
    return None if context is None else context.find_root().meta.get(DB_NAMED)


def the_shelf() -> Shelf:
    """Where the shop's versions of models lie: with its tickets."""
    return shelf_at(named_place() or store_address())


def model_place(named: str) -> Path:
    """The file to load for a model's name: the version in force with the tickets, else the
    shipped one. A path stands for itself. Raises MisuseError when there is none."""
    # Asked once a command, which may look at hundreds of tickets.
    context = click.get_current_context(silent=True)
    known: dict[str, Path] = {}
    if context is not None:
        known = context.find_root().meta.setdefault("faultfinder.places", known)
    if named not in known:
        path = find_model(named)
        known[named] = path if os.path.isfile(named.strip()) else _in_force(path)
    return known[named]


def _in_force(path: Path) -> Path:
    try:
        return the_shelf().place(path.stem) or path
    except FaultfinderError as error:
        if not (named_place() or store_address()).startswith(SERVERS):
            raise
        click.echo(harmless(f"{error} The figures are those of {path}."), err=True)
        return path


def named_model(named: str) -> CompiledModel:
    """The compiled model that a name or path stands for."""
    return load_at(model_place(named))


def load_at(path: Path) -> CompiledModel:
    """The compiled model of a file; a kept version takes in its own files only."""
    return load_model(path, the_shelf().root(path))


def the_line(named: str) -> Line:
    """The versions of a model, by its name or the path of its file."""
    from faultfinder.learning.versions import Line

    path = find_model(named)
    return Line(the_shelf(), path.stem, path)
