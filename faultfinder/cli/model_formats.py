"""`faultfinder model export` and `model skeleton`: networks out of models, and back."""

from __future__ import annotations

import re
from pathlib import Path

import click

from faultfinder.cli import completing
from faultfinder.cli.options import REPLACE, replacing
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.report.wording import harmless, wrapped

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command("export", short_help="Write a model as a network in BIF or XMLBIF.")
@click.argument("model", metavar="NAME", shell_complete=completing.models)
@click.option("--bif", type=_FILE, help="Write it in BIF.")
@click.option("--xmlbif", type=_FILE, help="Write it in XMLBIF.")
@REPLACE
def export_command(model: str, bif: Path | None, xmlbif: Path | None) -> None:
    """Write the network of a model for other programs, numbers in full.

    NAME is a model's name or file. Names the formats do not allow are changed; a comment at
    the top of the file lists them.
    """
    if bif is None and xmlbif is None:
        raise MisuseError("Say where to write it: --bif FILE or --xmlbif FILE.")
    from faultfinder.cli.lines import named_model
    from faultfinder.files import write_text
    from faultfinder.interchange.formats import bif_text, safe_names, xmlbif_text

    compiled = named_model(model)
    nodes = f"{len(compiled.network.names)} nodes"
    for path, make in ((bif, bif_text), (xmlbif, xmlbif_text)):
        if path is not None:
            write_text(path, make(compiled), "network", replacing())
            click.echo(harmless(f"Network written to {path}: {nodes}."))
    changed = len(safe_names(compiled).changes())
    if changed:
        click.echo(f"{changed} names were changed; the top of the file lists them.")


@click.command("skeleton", short_help="Begin a model file from a network in BIF.")
@click.argument("network", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--output", "-o", type=_FILE, required=True, help="The model file to write.")
@click.option("--causes", metavar="NODES", default="", help="Nodes that are causes, as a,b.")
@click.option("--histories", metavar="NODES", default="", help="Nodes asked at the counter.")
@click.option("--complaint", metavar="NODE", help="The node the customer complains of.")
@click.option(
    "--normal",
    multiple=True,
    metavar="NODE=STATE",
    help="The normal state of a node. May be repeated.",
)
def skeleton_command(
    network: Path,
    output: Path,
    causes: str,
    histories: str,
    complaint: str | None,
    normal: tuple[str, ...],
) -> None:
    """Begin a model file from a network FILE in BIF or XMLBIF (also .gz).

    Roots become causes, or histories where --causes names others; leaves become findings with
    a check each. What the network cannot know is listed for the lead to fill in.
    """
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,59}", output.stem) or output.suffix != ".yaml":
        raise MisuseError(
            f"{output.name} cannot be a model file: its name holds small letters, digits and "
            "underscores, begins with a letter and ends in .yaml."
        )
    if output.exists():
        raise FaultfinderError(f"{output} is there already, and is not overwritten.")
    wanted = _pairs(normal)
    from faultfinder.files import write_text
    from faultfinder.interchange.formats import read_network
    from faultfinder.interchange.skeleton import skeleton

    made = skeleton(
        read_network(network),
        output.stem,
        network.name,
        causes=_names(causes),
        histories=_names(histories),
        complaint=complaint,
        normal=wanted,
    )
    write_text(output, made.text, "model file")
    click.echo(harmless(f"Model file written to {output}. To fill in:"))
    for sentence in made.todo:
        click.echo("\n".join(wrapped(sentence, 4, "  - ")))


def _names(typed: str) -> list[str]:
    return [name.strip() for name in typed.split(",") if name.strip()]


def _pairs(typed: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for pair in typed:
        node, sign, state = pair.partition("=")
        if not sign or not node.strip() or not state.strip():
            raise MisuseError(f'"{pair}" names no state. Type it as --normal NODE=STATE.')
        found[node.strip()] = state.strip()
    return found
