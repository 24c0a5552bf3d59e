"""Options that several commands share, said and completed alike."""

from __future__ import annotations

from pathlib import Path

import click

from faultfinder.cli import completing
from faultfinder.files import PAGE_MARK, check_target

MODEL = click.option(
    "--model",
    "-m",
    metavar="NAME",
    shell_complete=completing.models,
    help="A model's name or file. Not needed with only one, or one named in shop.yaml.",
)
SAW = click.option(
    "--saw",
    "-s",
    multiple=True,
    metavar="NAME=RESULT",
    shell_complete=completing.findings,
    help='What was seen, as in backlight=off. May be repeated; "unknown" = could not tell.',
)
TRIED = click.option(
    "--tried",
    multiple=True,
    metavar="REPAIR",
    shell_complete=completing.repairs,
    help="A repair that was made and did not cure. May be repeated, in order.",
)
NOW = click.option(
    "--now",
    multiple=True,
    metavar="NAME=RESULT",
    shell_complete=completing.findings,
    help="What is seen since the last --tried repair; --saw is what was seen before.",
)
STAGE = click.option(
    "--stage",
    metavar="STAGE",
    shell_complete=completing.stages,
    help="The teardown stage the machine is in now.",
)


def _replace(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    ctx.find_root().meta[REPLACE_SAID] = value


REPLACE_SAID = "faultfinder.replace"
"""Where a command keeps whether --replace was said."""

REPLACE = click.option(
    "--replace",
    is_flag=True,
    expose_value=False,
    callback=_replace,
    help="Replace a file that is there, though this program did not make it.",
)


def check_page(target: str | Path | None) -> None:
    """Raise MisuseError at once where a page cannot be put, before it is worked out."""
    if target is not None:
        check_target(Path(target), PAGE_MARK, replacing())


def replacing() -> bool:
    """Whether the command that runs was told to replace a file."""
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.find_root().meta.get(REPLACE_SAID))


AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON.")


def _named_place(ctx: click.Context, _param: click.Parameter, value: str | None) -> None:
    if value is not None:
        ctx.find_root().meta[DB_NAMED] = value


DB_NAMED = "faultfinder.db"
"""Where a command keeps the place that --db names."""

DB = click.option(
    "--db",
    metavar="PLACE",
    expose_value=False,
    callback=_named_place,
    help="Where the tickets lie: a file, or postgresql+psycopg://USER@HOST/NAME.",
)
BY = click.option("--by", metavar="WHO", help="Who does it; else FAULTFINDER_WHO or the user.")
TICKET = click.argument("ticket", type=click.IntRange(1), metavar="TICKET")
