"""`faultfinder ask`: one question at a time; on a ticket each answer is written down at once."""

from __future__ import annotations

import click

from faultfinder.cli.lines import named_model
from faultfinder.cli.options import BY, DB, MODEL, SAW
from faultfinder.cli.typed import read_case
from faultfinder.errors import MisuseError


@click.command("ask", short_help="One question at a time.")
@click.argument("ticket", required=False, type=click.IntRange(1), metavar="[TICKET]")
@MODEL
@SAW
@DB
@BY
def ask_command(
    ticket: int | None, model: str | None, saw: tuple[str, ...], by: str | None
) -> None:
    """Ask one thing at a time, answered by number or in words.

    On a TICKET each answer is written down at once, so that nothing is lost and anybody can go
    on; without one nothing is written.
    """
    from faultfinder.cli.on_ticket import open_ticket
    from faultfinder.cli.talking import family_of, talk, talk_on

    if ticket is None:
        name = family_of(model)
        talk(read_case(named_model(name), saw), name, by)
        return
    if model or saw:
        raise MisuseError(f"Ticket {ticket} goes by its own model and what is written on it.")
    store, state = open_ticket(ticket)
    talk_on(store, state, by)
