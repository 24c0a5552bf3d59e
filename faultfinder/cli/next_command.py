"""`faultfinder next`: likely causes and the next check, from what has been seen."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from faultfinder.cli import completing
from faultfinder.cli.lines import named_model
from faultfinder.cli.options import (
    AGE,
    AMOUNT,
    BY,
    DB,
    MODEL,
    NOW,
    SAW,
    STAGE,
    TRIED,
    WORTH,
    JsonCommand,
)
from faultfinder.cli.terminal import bold_allowed, columns, echo_screens, watched
from faultfinder.cli.typed import command_of, pick_model, read_case, read_target
from faultfinder.consultation.consult import consult
from faultfinder.decide.naming import Naming
from faultfinder.errors import MisuseError
from faultfinder.inference.target import ALL_CAUSES
from faultfinder.report.consultation.view import View

if TYPE_CHECKING:
    from faultfinder.tickets.ticket import Ticket

_TARGET_HELP = (
    'What the gain is about: "causes" (all of them, the default), some of them as "a,b", '
    'groups that one repair would mend as "a+b,c", or "each" for the sum of single-cause gains.'
)


@click.command(
    "next",
    cls=JsonCommand,
    form="faultfinder.consultation.plain:NEXT",
    short_help="Likely causes and the next check.",
)
@MODEL
@SAW
@TRIED
@NOW
@STAGE
@WORTH
@AGE
@click.option("--target", default="causes", metavar="CAUSES", help=_TARGET_HELP)
@click.option(
    "--why", metavar="CHECK", shell_complete=completing.checks, help="Explain one check's rank."
)
@click.option(
    "--instead",
    metavar="REPAIR",
    shell_complete=completing.repairs,
    help="What it costs on average to make that repair now.",
)
@click.option(
    "--wrong",
    type=AMOUNT,
    metavar="AMOUNT",
    help="End with a name for what is wrong instead of a repair; a wrong one costs so much.",
)
@click.option(
    "--sure",
    type=click.FloatRange(0.0, 1.0, min_open=True),
    metavar="P",
    help="End with a name once it is that likely, whatever it takes.",
)
@click.option("--keep", is_flag=True, help="Make a ticket of it, and print the page of that.")
@click.option("--full", is_flag=True, help="The whole page: all causes, how, what results do.")
@click.option(
    "--briefly", is_flag=True, help="Only the step, in 45 words or less, as said to a colleague."
)
@DB
@BY
@click.argument("ticket", required=False, type=click.IntRange(1), metavar="[TICKET]")
def next_command(
    model: str | None,
    target: str,
    why: str | None,
    instead: str | None,
    wrong: float | None,
    sure: float | None,
    keep: bool,
    full: bool,
    briefly: bool,
    by: str | None,
    ticket: int | None,
    as_json: bool,
    **known: Any,
) -> None:
    """Likely causes and the next check, from what has been seen.

    With the number of a TICKET, from what is written on it; else nothing is written, unless
    --keep makes a ticket of it. With nothing to go by, on a terminal, it asks one thing at a time.
    """
    state, asking = None, False
    aside = any((why, instead, full, briefly, as_json, wrong is not None, sure is not None))
    if keep and (ticket is not None or aside):
        raise MisuseError(
            "--keep makes a new ticket of what is known: --saw, --tried, --now, --stage, --worth "
            "and --age."
        )
    if ticket is not None:
        if model or any(one not in (None, (), "") for one in known.values()):
            raise MisuseError(
                f"What ticket {ticket} holds counts. Add to it with "
                f'"faultfinder found {ticket} NAME=RESULT".'
            )
        from faultfinder.cli.on_ticket import case_of, found_by, open_ticket

        store, state = open_ticket(ticket)
        case = case_of(store, state)
    else:
        asking = not (known["saw"] or known["tried"] or aside or keep) and watched()
        if asking:
            from faultfinder.cli.talking import family_of, talk

            name = family_of(model)
        else:
            name = pick_model(model)
        case = read_case(named_model(name), **known)
    if case.tried and target.strip() != ALL_CAUSES:
        raise MisuseError("--target goes with what was seen before any repair, not with --tried.")
    if asking:
        talk(case, name, by, read_target(target))
        return
    if briefly and (why is not None or instead or full or as_json):
        raise MisuseError(
            "--briefly prints one thing: leave out --why, --instead, --full and --json (whose key "
            "in_words says the same)."
        )
    if wrong is not None or sure is not None:
        if why is not None or instead or full or briefly or ticket is not None:
            raise MisuseError("--wrong and --sure go with --saw and --json alone.")
        case = replace(case, naming=Naming(wrong, sure))
    told = consult(case, target=read_target(target))
    if keep:
        from faultfinder.cli.talking import keep_as_ticket
        from faultfinder.cli.ticket_commands import show_next

        # What the model holds impossible is refused before it is written.
        _ = told.causes
        store, state = keep_as_ticket(case, name, by)
        show_next(store, state, f"Kept as ticket {state.number}.")
        return
    if case.naming is not None and not as_json:
        from faultfinder.report.consultation.naming import naming_page

        click.echo(naming_page(told, bold_allowed()))
        return
    if why is not None and not told.stop:
        told.open_check(why)
    entries = {} if state is None else found_by(state)
    view = View(told, ticket, why, entries=entries)
    if instead is not None:
        _print_instead(view, why, instead, as_json)
    elif as_json:
        from faultfinder.plain import json_text

        click.echo(json_text(told.as_plain(why)))
    elif briefly:
        from faultfinder.consultation.in_words import step_in_words

        click.echo(step_in_words(told))
    elif why is not None:
        from faultfinder.report.consultation.why import why_page

        click.echo(why_page(view, bold_allowed()))
    elif full:
        _print_whole(view, state)
    elif state is not None:
        from faultfinder.cli.on_ticket import now as present
        from faultfinder.cli.on_ticket import remember
        from faultfinder.report.ticket.text import ticket_screens

        width, bold = columns(), bold_allowed()
        echo_screens(ticket_screens(state, view, present(), width=width, bold=bold))
        if target == ALL_CAUSES:
            remember(store, state, view)
    else:
        from faultfinder.report.consultation.short import no_ticket_head, screens

        width = columns()
        echo_screens(screens(view, [no_ticket_head(width)], width, bold=bold_allowed()))
        if not sys.stdout.isatty():
            click.echo(f"\nTo keep it as a ticket:\n{command_of(case, name)} --keep")


def _print_instead(view: View, why: str | None, instead: str, as_json: bool) -> None:
    """The price of a repair made now."""
    from faultfinder.consultation import habit, plain
    from faultfinder.plain import json_text
    from faultfinder.report.consultation.instead import instead_page

    price = habit.instead(view.told, instead)
    asked = plain.Asked(view.told, why, price)
    click.echo(json_text(plain.NEXT.plain(asked)) if as_json else instead_page(view, price))


def _print_whole(view: View, state: Ticket | None) -> None:
    """The whole page, of a ticket or without one."""
    from faultfinder.report.consultation.short import NO_TICKET
    from faultfinder.report.consultation.text import next_page
    from faultfinder.report.ticket.text import ticket_next_page

    if state is not None:
        click.echo(ticket_next_page(state, view, bold_allowed()))
        return
    if not view.told.stop:
        click.echo(f"{NO_TICKET}\n")
    click.echo(next_page(view, bold_allowed()))
