"""`faultfinder prove`: how a repair is done, and what proves it before the cover goes on."""

from __future__ import annotations

import click

from faultfinder.cli import completing
from faultfinder.cli.lines import named_model
from faultfinder.cli.options import DB, MODEL, JsonCommand, echo_json
from faultfinder.cli.typed import pick_model, ticket_and_names
from faultfinder.consultation.case import find_repair
from faultfinder.consultation.consult import consult
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel


@click.command(
    "prove",
    cls=JsonCommand,
    form="faultfinder.report.consultation.plain:REPAIR",
    short_help="A repair: how it is done, and its proof tests.",
)
@click.argument("words", nargs=-1, metavar="[TICKET] [REPAIR]", shell_complete=completing.repairs)
@MODEL
@DB
def prove_command(words: tuple[str, ...], model: str | None, as_json: bool) -> None:
    """How REPAIR is done, and the tests that prove it before the cover goes back on.

    On a TICKET the repair made last, else the one that is advised, or the one named.
    """
    from faultfinder.report.consultation.plain import REPAIR, Chosen
    from faultfinder.report.consultation.repair import repair_page

    number, names = ticket_and_names(words)
    if len(names) > 1 or (number is not None and model) or not words:
        raise MisuseError("Type a ticket's number and a repair, or one of them.")
    if number is None:
        compiled, name = named_model(pick_model(model)), names[0]
    else:
        compiled, name = _on_ticket(number, *names)
    found = find_repair(compiled, name)
    shop = read_shop()
    if as_json:
        echo_json(REPAIR, Chosen(compiled.model, found, shop.currency))
    else:
        click.echo(repair_page(compiled.model, found, shop.currency))


def _on_ticket(number: int, named: str = "") -> tuple[CompiledModel, str]:
    """The ticket's model, and the repair that is meant."""
    from faultfinder.cli.on_ticket import case_of, the_store

    store = the_store()
    state = store.ticket(number)
    case = case_of(store, state)
    last = state.repaired or (state.tried[-1].repair if state.tried else "")
    name = named or last
    if not name:
        step = consult(case).next_step
        name = step.name if step is not None and step.kind != "check" else ""
    if not name:
        raise FaultfinderError(
            f'Ticket {number} has no repair yet: name one, as in "faultfinder prove {number} '
            f'{next(iter(case.model.model.repairs_by_name), "REPAIR")}".'
        )
    return case.model, name
