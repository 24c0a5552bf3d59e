"""`faultfinder store`: upgrade, backup, restore and check of the tickets' database."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from faultfinder.cli.on_ticket import named_place, the_store
from faultfinder.cli.options import DB
from faultfinder.report.wording import counted, harmless
from faultfinder.tickets.database import store_place


@click.group("store", short_help="The tickets' database: upgrade, backup, restore, check.")
def store_group() -> None:
    """Look after the database that the tickets lie in."""


@store_group.command("upgrade", short_help="Make or upgrade the tables.")
@DB
def upgrade() -> None:
    """Make the tables on a new server, or bring those of an earlier version up to this one.

    Make a backup before. It is one transaction: it is done whole, or nothing is changed.
    """
    from faultfinder.tickets.upgrading import upgrade as bring_up

    before, after = bring_up(named_place() or store_place())
    if before == after:
        click.echo(f"The tables are at {after} already; nothing was changed.")
    elif before is None:
        click.echo(f"Tables made, version {after}.")
    else:
        click.echo(f"Tables upgraded from {before} to {after}.")


@contextmanager
def _counting(label: str) -> Iterator[Callable[[int], None]]:
    """How many rows were copied, told on a terminal while it goes on."""
    done = 0

    def told(rows: int) -> None:
        nonlocal done
        done += rows
        if sys.stderr.isatty():
            click.echo(f"\r{label}: {done:,} rows", nl=False, err=True)

    yield told
    if done and sys.stderr.isatty():
        click.echo("", err=True)


@store_group.command("backup", short_help="Write everything into one file.")
@click.argument("file")
@DB
def backup(file: str) -> None:
    """Write a backup: everything as it is at one moment, checked, into one file.

    Others may go on writing meanwhile. The backup holds all texts: keep it safe.
    """
    from faultfinder.tickets.backup import back_up

    with _counting("Backup") as progress:
        copied = back_up(the_store(), Path(file), progress)
    click.echo(
        f"{counted(copied.tickets, 'ticket')} with {counted(copied.events, 'entry', 'entries')} "
        f"backed up and read again: {harmless(file)}"
    )


@store_group.command("restore", short_help="Bring a backup into an empty place.")
@click.argument("file")
@DB
def restore(file: str) -> None:
    """Bring a backup into an empty place (--db), and check what arrived."""
    from faultfinder.tickets.backup import restore as bring_back

    place = named_place() or store_place()
    with _counting("Restore") as progress:
        copied = bring_back(Path(file), place, progress)
    click.echo(
        f"{counted(copied.tickets, 'ticket')} with {counted(copied.events, 'entry', 'entries')} "
        "restored; what arrived agrees with the backup."
    )


@store_group.command("check", short_help="Read everything and see whether it is whole.")
@DB
def check() -> None:
    """Read every ticket and compute it from its log."""
    from faultfinder.tickets.backup import check_store

    found = check_store(named_place())
    click.echo(
        f"In order: {counted(found.tickets, 'ticket')} with "
        f"{counted(found.events, 'entry', 'entries')}."
    )
