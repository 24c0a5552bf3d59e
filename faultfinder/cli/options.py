"""Options that several commands share, said and completed alike."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar

import click

from faultfinder.cli import completing
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import PAGE_MARK, check_target
from faultfinder.plain import Form, T, json_text
from faultfinder.tickets.as_typed import amount_of, minutes_of, years_of

S = TypeVar("S")

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


class _Typed(click.ParamType[S]):
    """A value as people write it; `reader` raises MisuseError."""

    def __init__(self, name: str, reader: Callable[[str], S]) -> None:
        self.name, self._reader = name, reader

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> S:
        try:
            return self._reader(value)
        except MisuseError as error:
            self.fail(str(error), param, ctx)


def _day_of(typed: str) -> str:
    from datetime import date  # few commands take a day

    try:
        return date.fromisoformat(typed).isoformat()
    except ValueError:
        raise MisuseError(f'"{typed}" is no day. Type it as YYYY-MM-DD.') from None


DAY = _Typed("day", _day_of)
"""A day as YYYY-MM-DD."""

SINCE = click.option(
    "--since", type=DAY, metavar="DAY", help="Closed on this day or later: YYYY-MM-DD."
)
UNTIL = click.option("--until", type=DAY, metavar="DAY", help="Closed on this day or before.")


AMOUNT = _Typed("amount", lambda typed: amount_of(typed, read_shop().currency))
"""Money: 12.50, 12,50, 1.200,50, 80 EUR."""

TIME = _Typed("time", minutes_of)
"""A time of work: 45, 1h20, 0:45."""

WORTH = click.option(
    "--worth",
    type=AMOUNT,
    metavar="AMOUNT",
    help="What the owner loses if it goes back unrepaired.",
)
AGE = click.option(
    "--age",
    type=_Typed("age", years_of),
    metavar="YEARS",
    help="Its age (3, 18 months), where nobody says its worth: the family's value then, a guess.",
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
        place = Path(target)
        check_target(place, PAGE_MARK, replacing())
        if not os.path.isdir(os.path.dirname(os.path.realpath(place))):
            reason = os.strerror(errno.ENOENT)
            raise FaultfinderError(f"The page {place} cannot be written: {reason}.")


def replacing() -> bool:
    """Whether the command that runs was told to replace a file."""
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.find_root().meta.get(REPLACE_SAID))


class JsonCommand(click.Command):
    """A command with --json. `form` says where the form it prints is declared, as
    "module:NAME"; `--json --help` prints what its keys mean, in either order."""

    def __init__(self, *args: Any, form: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._form = form
        said = "Print all of it as JSON. With --help: what its keys mean."
        self.params.append(click.Option(["--json", "as_json"], is_flag=True, help=said))

    @property
    def form(self) -> Form[Any]:
        module, _, name = self._form.partition(":")
        form = getattr(import_module(module), name)
        assert isinstance(form, Form)
        return form

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not ctx.resilient_parsing and "--json" in args and {"--help", "-h"} & set(args):
            from faultfinder.report.forms import form_page

            click.echo(form_page(self.form, ctx.command_path))
            ctx.exit()
        return super().parse_args(ctx, args)


def echo_json(form: Form[T], value: T) -> None:
    """Print the plain form of a result."""
    click.echo(json_text(form.plain(value)))


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
