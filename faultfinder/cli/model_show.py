"""`faultfinder model show` and `model sensitivity`: a model looked at as a whole."""

from __future__ import annotations

from pathlib import Path

import click

from faultfinder.cli import completing
from faultfinder.cli.options import REPLACE, STAGE, JsonCommand, check_page, echo_json, replacing
from faultfinder.errors import MisuseError

NAME = click.argument("model", metavar="NAME", shell_complete=completing.models)


@click.command(
    "show",
    cls=JsonCommand,
    form="faultfinder.report.model.plain:MODEL",
    short_help="Causes, checks, and what they tell apart.",
)
@NAME
@click.option("--dot", is_flag=True, help="Print it as a graph in the DOT language.")
@click.option(
    "--html",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write it as a page, and say so.",
)
@click.option(
    "--tolerance",
    type=click.FloatRange(0, 100),
    default=1.0,
    show_default=True,
    help="Results that differ by no more than this count as alike, in percent.",
)
@REPLACE
def show_command(model: str, dot: bool, html: Path | None, tolerance: float, as_json: bool) -> None:
    """A model as a whole: causes, checks, how they hang together, and how well they tell
    each cause from the others.

    NAME is a model's name or file.
    """
    from faultfinder.cli.lines import named_model
    from faultfinder.decide.shop_file import read_shop
    from faultfinder.files import write_page

    if not 0.0 <= tolerance <= 100.0:
        raise MisuseError("--tolerance is a percentage from 0 to 100.")
    check_page(html)
    compiled = named_model(model)
    if dot:
        from faultfinder.report.model.dot import model_dot

        click.echo(model_dot(compiled.model), nl=False)
        if html is None and not as_json:
            return
    from faultfinder.assess.testability import assess

    found = assess(compiled, tolerance=tolerance / 100, shop=read_shop())
    if html is not None:
        from faultfinder.report.model.page import model_html

        write_page(html, model_html(compiled.model, found), replacing())
        click.echo(f"Model written to {html}.", err=as_json or dot)
    if as_json:
        from faultfinder.report.model.plain import MODEL, Assessed

        echo_json(MODEL, Assessed(compiled.model, found))
    elif html is None:
        from faultfinder.cli.terminal import bold_allowed
        from faultfinder.report.model.text import model_page

        click.echo(model_page(compiled.model, found, bold_allowed()))


@click.command(
    "sensitivity",
    cls=JsonCommand,
    form="faultfinder.report.model.plain:SENSITIVITY",
    short_help="The figures the next check hangs on.",
)
@NAME
@click.option(
    "--saw",
    "-s",
    multiple=True,
    metavar="NAME=RESULT",
    shell_complete=completing.findings,
    help="What was seen, as in backlight=off. May be repeated.",
)
@click.option(
    "--sample",
    type=click.IntRange(1),
    metavar="COUNT",
    help="Move only so many figures, drawn at random: quicker, and others are missed.",
)
@STAGE
def sensitivity_command(
    model: str, saw: tuple[str, ...], sample: int | None, stage: str | None, as_json: bool
) -> None:
    """The ten figures of a model whose smallest move would make it name another check.

    NAME is a model's name or file. Each figure is moved and the case consulted anew, on all
    cores: for thousands of figures that takes many minutes, and --sample makes it short.
    """
    from faultfinder.assess.sensitivity import sensitivity
    from faultfinder.cli.cores import on_cores
    from faultfinder.cli.lines import named_model
    from faultfinder.cli.terminal import progress
    from faultfinder.cli.typed import read_case, refuse_stopped
    from faultfinder.consultation.consult import consult

    compiled = named_model(model)
    case = read_case(compiled, saw, stage=stage)
    refuse_stopped(case)
    consult(case)
    with progress("Moving figures") as tell:
        found = sensitivity(case, sample=sample, progress=tell, run=on_cores)
    if as_json:
        from faultfinder.report.model.plain import SENSITIVITY, Hanging

        echo_json(SENSITIVITY, Hanging(compiled.model, found))
    else:
        from faultfinder.cli.terminal import bold_allowed
        from faultfinder.report.model.text import sensitivity_page

        click.echo(sensitivity_page(compiled.model, found, bold_allowed()))
