"""`faultfinder model`: check a model file, list the models, and look at one as a whole."""

from __future__ import annotations

from pathlib import Path

import click

from faultfinder.cli import completing
from faultfinder.cli.casebook_commands import case_of_command, cases_command, expectations_command
from faultfinder.cli.model_formats import export_command, skeleton_command
from faultfinder.cli.model_show import sensitivity_command, show_command
from faultfinder.errors import ModelFileError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.report.wording import counted, harmless


@click.group("model", short_help="Check a model file; list, show and export models.")
def model_group() -> None:
    """Check a model file; list, show and export models."""


model_group.add_command(show_command)
model_group.add_command(sensitivity_command)
model_group.add_command(export_command)
model_group.add_command(skeleton_command)
model_group.add_command(cases_command)
model_group.add_command(expectations_command)
model_group.add_command(case_of_command)


@model_group.command("check", short_help="Say all that is wrong in a model file.")
@click.argument("file", shell_complete=completing.models)
def check_command(file: str) -> None:
    """Say all that is wrong in a model FILE, or count what it holds.

    FILE may also be the name of a model.
    """
    from faultfinder.inference.compiled import compile_model
    from faultfinder.model.locate import find_model
    from faultfinder.model.reading.reader import read_model

    path = find_model(file)
    compiled = compile_model(read_model(path))
    click.echo(harmless(f"{path}: in order. {summary(compiled)}"))


def summary(compiled: CompiledModel) -> str:
    """What a model holds, in one line."""
    from faultfinder.report.model.words import counts

    return f"{counts(compiled.model)}; {compiled.tree.size:,} numbers in the compiled table."


@model_group.command("list", short_help="The models at hand.")
def list_command() -> None:
    """The models that can be named, with their titles."""
    from faultfinder.model.locate import available_models

    models = available_models()
    width = max(map(len, models))
    for name, path in models.items():
        click.echo(harmless(f"{name:<{width}}  {_title(path)}"))


@model_group.command("keys", short_help="The keys of model files, and what they mean.")
def keys_command() -> None:
    """The keys of model files, and what they mean."""
    from faultfinder.report.model.keys import keys_page

    click.echo(keys_page())


@model_group.command("prices", short_help="A beginning of the shop's own part prices.")
@click.argument("name")
def prices_command(name: str) -> None:
    """The part prices of a model, as lines for shop.yaml in which the shop's own are filled in."""
    from faultfinder.inference.loading import load_model

    model = load_model(name).model
    known = f" ({model.prices})" if model.prices else ""
    lines = ["parts:", f"  {model.name}:"]
    for repair in model.repairs:
        part = repair.part
        if part.high > 0.0:
            said = f"{part.low:g} to {part.high:g}, likely {part.likely:g}{known}"
            lines += [
                f"    # {repair.title}: {said}",
                f"    # {repair.name}: {{price: , on: , kind: }}",
            ]
    for line in lines:
        click.echo(harmless(line))


def _title(path: Path) -> str:
    from faultfinder.inference.loading import load_model

    try:
        return load_model(path).model.title
    except ModelFileError as error:
        found = counted(len(error.problems), "fault")
        return f"({found}; see: faultfinder model check {path})"
