"""`faultfinder ask`: one question at a time; on a ticket each answer is written down at once."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field

import click

from faultfinder.cli.asking import Keeper, ask_at_terminal, ask_on_ticket
from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import DIGITS, case_of, open_ticket, write
from faultfinder.cli.options import BY, DB, MODEL
from faultfinder.cli.terminal import bold_allowed
from faultfinder.cli.typed import pick_model, read_case
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.events import Entry, Found, Moved, TakenBack
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket


@dataclass
class OnTicket(Keeper):
    """Writes answers on a ticket as they come; what is taken back is an entry of its own."""

    store: Store
    state: Ticket
    version: str
    by: str | None
    _written: list[range] = field(default_factory=list)

    def keep(self, name: str, result: str | None, stage: str | None) -> None:
        entries: list[Entry] = [Found(name, result, self.version)]
        if stage is not None:
            entries.append(Moved(stage))
        first = self.state.last + 1
        self.state = write(self.store, self.state, self.by, entries)
        self._written.append(range(first, self.state.last + 1))

    def undo(self) -> None:
        back = [TakenBack(number) for number in reversed(self._written.pop())]
        self.state = write(self.store, self.state, self.by, back)


@click.command("ask", short_help="One question at a time.")
@click.argument("ticket", required=False, type=click.IntRange(1), metavar="[TICKET]")
@MODEL
@DB
@BY
def ask_command(ticket: int | None, model: str | None, by: str | None) -> None:
    """Ask one thing at a time, answered by number or in words.

    On a TICKET each answer is written down at once, so that nothing is lost and anybody can go
    on; without one nothing is written.
    """
    if ticket is None:
        case = read_case(named_model(pick_model(model)), ())
        _refuse_unattended("faultfinder next")
        ask_at_terminal(case, "causes", bold_allowed())
        return
    if model:
        raise MisuseError(f"Ticket {ticket} goes by its own model.")
    from faultfinder.cli.ticket_commands import show_next

    store, state = open_ticket(ticket)
    if state.repaired:
        raise FaultfinderError(
            f'Ticket {ticket} is to be proved now: "faultfinder next {ticket}" says by which tests.'
        )
    _refuse_unattended(f"faultfinder next {ticket}")
    case = case_of(store, state)
    keeper = OnTicket(store, state, case.model.model.digest[:DIGITS], by)
    click.echo(f"Ticket {ticket}: each answer is written down at once.")
    try:
        ask_on_ticket(case, keeper)
    except (KeyboardInterrupt, EOFError):
        click.echo(f"\nTo go on from here: faultfinder ask {ticket}")
        raise
    show_next(store, keeper.state)


def _refuse_unattended(instead: str) -> None:
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise MisuseError(f'Questions need a terminal; "{instead}" prints what comes next.')
