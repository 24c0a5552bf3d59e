"""`faultfinder prove`: how a repair is done, and what proves it before the cover goes on."""

from __future__ import annotations

import click

from faultfinder.cli import completing
from faultfinder.cli.lines import named_model
from faultfinder.cli.options import MODEL, JsonCommand, echo_json
from faultfinder.cli.typed import pick_model
from faultfinder.consultation.case import find_repair
from faultfinder.decide.shop_file import read_shop


@click.command(
    "prove",
    cls=JsonCommand,
    form="faultfinder.report.consultation.plain:REPAIR",
    short_help="A repair: how it is done, and its proof tests.",
)
@click.argument("repair", shell_complete=completing.repairs)
@MODEL
def prove_command(repair: str, model: str | None, as_json: bool) -> None:
    """How REPAIR is done, and the tests that prove it before the cover goes back on."""
    from faultfinder.report.consultation.plain import REPAIR, Chosen
    from faultfinder.report.consultation.repair import repair_page

    compiled = named_model(pick_model(model))
    found = find_repair(compiled, repair)
    shop = read_shop()
    if as_json:
        echo_json(REPAIR, Chosen(compiled.model, found, shop.currency))
    else:
        click.echo(repair_page(compiled.model, found, shop.currency))
