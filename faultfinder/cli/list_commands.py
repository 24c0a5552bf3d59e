"""Commands that look: one ticket, lists, the morning's work, the bench sheet."""

from __future__ import annotations

from pathlib import Path

import click

from faultfinder.cli.on_ticket import the_store, view_of
from faultfinder.cli.options import (
    DAY,
    DB,
    REPLACE,
    TICKET,
    JsonCommand,
    check_page,
    echo_json,
    replacing,
)
from faultfinder.cli.standings import each_briefly, standings, standings_and_minutes
from faultfinder.cli.terminal import echo_lines, echo_screens
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import write_page
from faultfinder.plain import json_text
from faultfinder.report.consultation.short import HEIGHT
from faultfinder.report.ticket.standing import Row, Standing, blocked_by
from faultfinder.report.wording import harmless
from faultfinder.tickets.events import Outcome
from faultfinder.tickets.searching import Wanted, find_numbers, find_tickets
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket

SHOWN = 50


@click.command(
    "ticket",
    cls=JsonCommand,
    form="faultfinder.report.ticket.plain:TICKET",
    short_help="One ticket with its log.",
)
@TICKET
@DB
def show(ticket: int, as_json: bool) -> None:
    """One ticket: where it stands, and its log with numbers to take entries back by."""
    from faultfinder.report.ticket.plain import TICKET as FORM
    from faultfinder.report.ticket.plain import Kept
    from faultfinder.report.ticket.text import ticket_page

    store = the_store()
    state = store.ticket(ticket)
    comebacks = store.comebacks(ticket)
    if as_json:
        echo_json(FORM, Kept(state, comebacks))
    else:
        lines = ticket_page(state, comebacks, read_shop().currency).splitlines()
        echo_screens(["\n".join(lines[at : at + HEIGHT]) for at in range(0, len(lines), HEIGHT)])


@click.command(
    "tickets",
    cls=JsonCommand,
    form="faultfinder.report.ticket.plain:ROW",
    short_help="Tickets: where each stands.",
)
@click.option("--closed", is_flag=True, help="Closed ones instead of open ones.")
@click.option("--all", "everything", is_flag=True, help="Open and closed ones.")
@click.option("--blocked/--free", default=None, help="Only what has to wait, or what can go on.")
@click.option("--words", "-w", multiple=True, metavar="TEXT",
              help="Only those with this in their texts. May be repeated.")  # fmt: skip
@click.option("--model", "-m", metavar="NAME", help="Only this model.")
@click.option("--cause", metavar="CAUSE", help="Only this cause: most likely, or confirmed.")
@click.option("--outcome", type=click.Choice([str(o) for o in Outcome]))
@click.option("--stage", metavar="STAGE", help="Only those in this teardown stage.")
@click.option("--who", metavar="WHO", help="Only those somebody wrote on.")
@click.option("--since", type=DAY, metavar="DAY", help="Opened on this day or later: YYYY-MM-DD.")
@click.option("--until", type=DAY, metavar="DAY", help="Opened on this day or before.")
@click.option("--limit", type=click.IntRange(1, 1_000_000), default=SHOWN, show_default=True)
@DB
def listing(
    closed: bool,
    everything: bool,
    blocked: bool | None,
    words: tuple[str, ...],
    model: str | None,
    cause: str | None,
    outcome: str | None,
    stage: str | None,
    who: str | None,
    since: str | None,
    until: str | None,
    limit: int,
    as_json: bool,
) -> None:
    """Tickets: where each stands, what blocks it, how sure the diagnosis is, what comes next."""
    from faultfinder.report.ticket.lists import tickets_page
    from faultfinder.report.ticket.plain import ROW

    store = the_store()
    closed = closed or outcome is not None
    wanted = Wanted(
        open=None if everything else not closed,
        model=model,
        outcome=outcome,
        cause=cause if closed else None,
        who=who,
        since=since,
        until=until,
        words=words,
    )
    # Where it stands is computed, so what is filtered by that is cut afterwards.
    later = (not closed and (cause is not None or blocked is not None)) or stage is not None
    found, count = find_tickets(store, wanted, 100_000 if later else limit)
    rows = _with_standing(store, found)
    if later:
        rows = [row for row in rows if _fits(row, cause, blocked, stage)]
        count = len(rows)
    shown = rows[:limit]
    if as_json:
        click.echo(json_text([ROW.plain(row) for row in shown]))
    else:
        page = tickets_page(shown, count - len(shown))
        usual = not (shown or closed or everything)
        click.echo(f"{page} Closed ones: --closed, both: --all." if usual else page)


def _with_standing(store: Store, tickets: list[Ticket]) -> list[tuple[Ticket, Standing | None]]:
    going = [ticket for ticket in tickets if ticket.open]
    by_number = dict(zip((ticket.number for ticket in going), standings(store, going), strict=True))
    return [(ticket, by_number.get(ticket.number)) for ticket in tickets]


def _fits(
    row: tuple[Ticket, Standing | None], cause: str | None, blocked: bool | None, stage: str | None
) -> bool:
    ticket, standing = row
    if stage is not None and ticket.stage != stage:
        return False
    if cause is not None and (standing.cause if standing else "") != cause:
        return cause in ticket.causes
    stop = standing.stop if standing else ""
    return blocked is None or bool(blocked_by(ticket, stop)) == blocked


@click.command(
    "triage",
    cls=JsonCommand,
    form="faultfinder.report.ticket.plain:MORNING",
    short_help="The morning's work, dealt out.",
)
@click.option("--benches", type=click.IntRange(1, 100), default=1, show_default=True,
              help="How many benches are free.")  # fmt: skip
@click.option("--without", multiple=True, metavar="TOOL",
              help="A tool that is not here now, by its words. May be repeated.")  # fmt: skip
@DB
def triage(benches: int, without: tuple[str, ...], as_json: bool) -> None:
    """Open tickets by expected minutes to a decision, dealt out to the benches.

    What is blocked comes last, and what is unsafe first.
    """
    from faultfinder.consultation.triage import deal
    from faultfinder.report.ticket.lists import triage_page
    from faultfinder.report.ticket.plain import MORNING, Morning

    store = the_store()
    numbers, _ = find_numbers(store, Wanted(), 100_000)
    found = standings_and_minutes(store, each_briefly(store, numbers), without)
    rows: list[Row] = []
    free: dict[int, Row] = {}
    blocked: list[Row] = []
    jobs: list[tuple[int, float]] = []
    for ticket, standing, minutes in found:
        rows.append((ticket, standing))
        if standing.trouble or blocked_by(ticket, standing.stop):
            blocked.append(rows[-1])
        else:
            free[ticket.number] = rows[-1]
            jobs.append((ticket.number, minutes))
    del found
    turns = deal(jobs, benches)
    if as_json:
        echo_json(MORNING, Morning(turns, rows))
    else:
        echo_lines(triage_page(turns, free, blocked, benches).lines())


@click.command("sheet", short_help="A ticket as a page to print.")
@TICKET
@click.option("--html", "target", required=True, metavar="FILE", help="Where to write it.")
@REPLACE
@DB
def sheet(ticket: int, target: str) -> None:
    """One ticket as a page to print, or to open on a tablet at the bench."""
    from faultfinder.report.ticket.sheet import sheet_page

    store = the_store()
    state = store.ticket(ticket)
    try:
        view = view_of(store, state)
        page = sheet_page(state, view)
    except MisuseError:
        raise
    except FaultfinderError as error:
        page = sheet_page(state, str(error))
    write_page(Path(target), page, replacing())
    click.echo(f"Written: {harmless(target)}")


@click.command("slip", short_help="What was taken down at the counter, to hand out.")
@TICKET
@click.option("--html", "target", metavar="FILE", help="Write it as a page to print.")
@REPLACE
@DB
def slip(ticket: int, target: str | None) -> None:
    """The intake slip of a ticket: what was said and found at the counter, and what it may cost."""
    from faultfinder.report.ticket.slip import slip_lines, slip_page

    check_page(target)
    store = the_store()
    state = store.ticket(ticket)
    view = view_of(store, state)
    if target is None:
        click.echo("\n".join(slip_lines(state, view)))
        return
    write_page(Path(target), slip_page(state, view), replacing())
    click.echo(f"Written: {harmless(target)}")
