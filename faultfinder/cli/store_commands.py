"""`faultfinder store`: make, upgrade, back up, restore and check the tickets' database."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from faultfinder.cli.lines import named_place, the_shelf
from faultfinder.cli.on_ticket import the_store
from faultfinder.cli.options import DB, REPLACE, replacing
from faultfinder.cli.terminal import for_bars
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.report.wording import counted, harmless
from faultfinder.tickets.address import store_address
from faultfinder.tickets.shelf import shelf_at


@click.group("store", short_help="The tickets' database: make, upgrade, backup, restore, check.")
def store_group() -> None:
    """Look after the database that the tickets lie in."""


def _place() -> str:
    """Where --db says, however empty, or the usual place."""
    named = named_place()
    return store_address() if named is None else named


@store_group.command("new", short_help="Make an empty place for tickets.")
@DB
def new() -> None:
    """Make the tables in a new file or an empty database of a server."""
    from faultfinder.tickets.opening import make_store

    name = make_store(_place())
    click.echo(f"Tables made: {harmless(name)}")


@store_group.command("upgrade", short_help="Upgrade the tables of an earlier version.")
@DB
def upgrade() -> None:
    """Bring the tables of an earlier version up to this one.

    Make a backup before. It is one transaction: it is done whole, or nothing is changed.
    """
    from faultfinder.tickets.upgrading import upgrade as bring_up

    before, after = bring_up(_place())
    if before == after:
        click.echo(f"The tables are at {after} already; nothing was changed.")
    else:
        click.echo(f"Tables upgraded from {before} to {after}.")


@store_group.command("roles", short_help="Rights on a PostgreSQL server: bench and lead.")
@click.argument("bench")
@click.argument("lead")
@DB
def roles(bench: str, lead: str) -> None:
    """Give two roles of a PostgreSQL server their rights on the tickets.

    BENCH may read and write tickets. LEAD owns the tables: it may also erase, restore and
    upgrade. A role that is not there yet is made; give it a password before it can log in from
    elsewhere. To be run by whoever made the tables and may make roles.
    """
    from faultfinder.tickets.roles import give_roles

    made = give_roles(_place(), bench, lead)
    for name, new_one in made:
        click.echo(f"{harmless(name)}: {'made' if new_one else 'was there'}, rights given.")


@contextmanager
def _counting(label: str) -> Iterator[Callable[[int], None]]:
    """How many rows were copied, told on a terminal while it goes on."""
    done = 0

    def told(rows: int) -> None:
        nonlocal done
        done += rows
        if sys.stderr.isatty():
            for_bars().write(f"\r{label}: {done:,} rows")

    yield told
    if done and sys.stderr.isatty():
        click.echo("", err=True)


@store_group.command("backup", short_help="Write everything into one file.")
@click.argument("file")
@click.option("--empty", is_flag=True, help="Back up though there is no ticket.")
@REPLACE
@DB
def backup(file: str, empty: bool) -> None:
    """Write a backup: everything as it is at one moment, checked, into one file.

    Others may go on writing meanwhile. The backup holds all texts: keep it safe. With
    --replace it may take the place of an older backup, never of the tickets themselves.
    """
    from faultfinder.tickets.backup import back_up

    store = the_store()
    if not empty and store.empty():
        raise FaultfinderError(
            f"{store.database.name} holds no ticket. Is it the right place? Say --empty to back "
            "it up all the same."
        )
    versions = shelf_at(file)
    if versions.models() and not replacing():
        raise MisuseError(
            f"Versions of models lie beside {file} already. Name another file, or say --replace to "
            "replace them."
        )
    with _counting("Backup") as progress, versions.instead(the_shelf()) as put:
        copied = back_up(store, Path(file), replacing(), progress, put)
    click.echo(
        f"{counted(copied.tickets, 'ticket')} with {counted(copied.events, 'entry', 'entries')} "
        f"backed up and read again: {harmless(file)}"
    )


@store_group.command("restore", short_help="Bring a backup into an empty place.")
@click.argument("file")
@REPLACE
@DB
def restore(file: str) -> None:
    """Bring a backup into an empty place (--db), and check what arrived.

    With --replace tickets that are there are moved aside first, to NAME.before-DATE.
    """
    from faultfinder.tickets.backup import restore as bring_back

    place = _place()
    versions = shelf_at(place)
    also = "versions of models" if versions.models() else ""
    with _counting("Restore") as progress, versions.instead(shelf_at(file)) as put:
        copied, older = bring_back(Path(file), place, replacing(), progress, put, also)
    click.echo(
        f"{counted(copied.tickets, 'ticket')} with {counted(copied.events, 'entry', 'entries')} "
        "restored; what arrived agrees with the backup."
    )
    if older:
        click.echo(f"What was there lies in {harmless(older)}")


@store_group.command("check", short_help="Read everything and see whether it is whole.")
@DB
def check() -> None:
    """Read every ticket and compute it from its log; name each that is not in order."""
    from faultfinder.tickets.checking import check_store

    found = check_store(named_place())
    for fault in found.faults:
        click.echo(harmless(fault))
    held = f"{counted(found.tickets, 'ticket')} with {counted(found.events, 'entry', 'entries')}"
    if found.faults:
        raise FaultfinderError(f"{held}: {counted(len(found.faults), 'fault')}. All else is whole.")
    click.echo(f"In order: {held}.")
