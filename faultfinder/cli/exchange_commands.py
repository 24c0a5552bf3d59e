"""Tickets in and out of the store as files: JSON Lines and CSV."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache, partial
from itertools import chain
from pathlib import Path

import click
from sqlalchemy import Connection

from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import present_model, the_store, who
from faultfinder.cli.options import BY, DB, MODEL
from faultfinder.cli.terminal import progress
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.files import check_target, write_lines
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.parts import FaultModel
from faultfinder.report.wording import counted, harmless, harmless_lines, joined
from faultfinder.tickets.exchange import csv_rows, json_lines
from faultfinder.tickets.exchange.arriving import Arrival, BadRow, RowError
from faultfinder.tickets.exchange.bring_in import Account
from faultfinder.tickets.exchange.bring_in import bring_in as write_all
from faultfinder.tickets.exchange.column_map import own_map, parse_map
from faultfinder.tickets.exchange.csv_cells import read_rows
from faultfinder.tickets.exchange.hand_out import (
    Which,
    count_of,
    models_of,
    tickets_of,
    to_bytes,
)
from faultfinder.tickets.exchange.source import Source, opened, read_whole
from faultfinder.tickets.limits import NAME_LIMIT
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket

MAP_LIMIT = 1_000_000
"""Bytes of a map of columns."""

_FORM = click.option("--format", "form", type=click.Choice(["jsonl", "csv"]),
                     help="Not needed for a file that ends in .csv or .jsonl.")  # fmt: skip
_MARKS = {"jsonl": '"faultfinder_ticket"', "csv": "key,model,opened_at,"}
"""What the first line of an export holds."""

Rows = Iterator[Arrival | tuple[BadRow, ...]]


def _form_of(name: str, form: str | None) -> str:
    return form or ("csv" if name.lower().endswith((".csv", ".tsv")) else "jsonl")


@click.command("export", short_help="Tickets into a file.")
@click.argument("file", metavar="FILE")
@_FORM
@MODEL
@click.option("--open", "state", flag_value="open", help="Open tickets only.")
@click.option("--closed", "state", flag_value="closed", help="Closed tickets only.")
@click.option("--with-texts", is_flag=True,
              help="Also complaints, notes and the names of staff.")  # fmt: skip
@click.option("--with-person", is_flag=True,
              help="Also customer, contact and serial number (JSON Lines).")  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace a file that is there.")
@DB
def hand_out(
    file: str,
    form: str | None,
    model: str | None,
    state: str | None,
    with_texts: bool,
    with_person: bool,
    replace: bool,
) -> None:
    """Write tickets to FILE ("-": to the screen): their whole log as JSON Lines, or a table.

    What people wrote and the names of staff and customers stay here unless asked for.
    """
    form = _form_of(file, form)
    if form == "csv" and with_person:
        raise MisuseError("A table holds nothing about persons; --with-person is for JSON Lines.")
    if file != "-":
        check_target(Path(file), _MARKS[form], replace)
    store = the_store()
    which = Which(None if state is None else state == "open", model)
    told = json_lines.Told(with_texts, with_person)
    went = _Went()
    if file == "-":
        out = sys.stdout.buffer
        shown = harmless_lines if sys.stdout.isatty() else str
        for line in _lines(store, which, form, told, went):
            out.write(to_bytes(shown(line)))
        out.flush()
    else:
        lines = (to_bytes(line) for line in _lines(store, which, form, told, went))
        write_lines(Path(file), lines, mark=_MARKS[form], replace=replace, private=True)
        click.echo(f"{counted(went.tickets, 'ticket')} written to {harmless(file)}.")
    if went.cut:
        click.echo(
            f"{counted(went.cut, 'ticket')} with results of findings that the model has no "
            "longer;\nthose are not in the table. JSON Lines holds them. The first one: "
            f"{harmless(went.first_cut)}.",
            err=True,
        )
    if went.damaged:
        raise FaultfinderError(
            f"{counted(len(went.damaged), 'ticket')} left out, whose log cannot be read: "
            f'{joined(map(str, went.damaged[:20]))}. All others are written. "faultfinder store '
            'check" says what is wrong.'
        )


@dataclass
class _Went:
    """What went out: `cut` tickets have results that no column of the table takes; the logs of
    `damaged` ones cannot be read."""

    tickets: int = 0
    cut: int = 0
    first_cut: str = ""
    damaged: list[int] = field(default_factory=list)


def _watched(
    connection: Connection, which: Which, went: _Went
) -> Iterator[tuple[Ticket, str | None]]:
    """The tickets whose log could be read, with a bar when somebody looks on."""
    count = count_of(connection, which)
    with progress("Writing") as tell:
        for number, (ticket, first_key) in enumerate(tickets_of(connection, which), start=1):
            if ticket.whole:
                yield ticket, first_key
            else:
                went.damaged.append(ticket.number)
            tell(number, count)


def _lines(
    store: Store, which: Which, form: str, told: json_lines.Told, went: _Went
) -> Iterator[str]:
    """Lines of the file, counted in `went`."""
    with store.database.transaction(write=False) as connection:
        names = models_of(connection, which)
        if which.model is not None and not names:
            others = models_of(connection, Which())
            raise MisuseError(
                f"There are no such tickets of {which.model}. {did_you_mean('', others)}"
            )
        if form == "jsonl":
            staff = json_lines.StaffNames()
            for ticket, first_key in _watched(connection, which, went):
                went.tickets += 1
                yield json_lines.to_line(ticket, first_key, told, staff)
            return
        if len(names) > 1:
            raise MisuseError(
                f"These tickets go by {joined(map(harmless, names))}. A table holds those of one: "
                "name it with --model."
            )
        if not names:
            raise FaultfinderError("There are no such tickets, so no table can be made of them.")
        model = present_model(names[0]).model
        yield csv_rows.header_row(model, told.texts)
        for ticket, _ in _watched(connection, which, went):
            row, missing = csv_rows.ticket_row(ticket, model, told.texts)
            went.tickets += 1
            if missing:
                went.cut += 1
                went.first_cut = went.first_cut or ticket.key
            yield row


@click.command("import", short_help="Tickets from a file.")
@click.argument("file", metavar="FILE")
@_FORM
@click.option("--map", "map_file", metavar="COLUMNS.YAML",
              help="What the columns of another program's table mean.")  # fmt: skip
@MODEL
@click.option("--skip-bad", is_flag=True, help="Leave bad rows out and take the others.")
@click.option("--dry-run", is_flag=True, help="Say what would happen, and write nothing.")
@DB
@BY
def bring_in(
    file: str,
    form: str | None,
    map_file: str | None,
    model: str | None,
    skip_bad: bool,
    dry_run: bool,
    by: str | None,
) -> None:
    """Bring in the tickets of FILE, JSON Lines or a table; those there already stay as they are.

    One bad row, and nothing is written, unless --skip-bad is said.
    """
    form = "csv" if map_file is not None and form is None else _form_of(file, form)
    if form == "jsonl" and map_file is not None:
        raise MisuseError("--map is for tables (CSV).")
    if model is not None and (form == "jsonl" or map_file is not None):
        raise MisuseError("--model is for tables of this program; other files name it themselves.")
    with contextlib.ExitStack() as stack:
        if file == "-":
            source = Source(sys.stdin.buffer, "the input")
        else:
            source = stack.enter_context(opened(Path(file)))
        rows = _rows(source, form, map_file, model, who(by))
        store = the_store(make=not dry_run)
        tell = stack.enter_context(progress("Reading")) if source.size else None
        on_batch = None if tell is None else lambda: tell(source.done, source.size)
        account = write_all(store, rows, _say_bad, skip_bad, dry_run, on_batch)
    _say(account, dry_run, skip_bad)


def _rows(source: Source, form: str, map_file: str | None, model: str | None, by: str) -> Rows:
    moment = datetime.now(UTC)
    if form == "jsonl":
        return _json_rows(source, moment)
    if map_file is not None:
        path = Path(map_file)
        columns, compiled = parse_map(read_whole(path, MAP_LIMIT), str(path), named_model)
        table = read_rows(source)
        _, header = next(table)
        header = [name.strip() for name in header]
        columns.check_header(header, source.name)
        reader = csv_rows.RowReader(
            columns, header, compiled, by, moment, own=False, currency=read_shop().currency
        )
        return reader.read(table)
    return _own_rows(source, model, by, moment)


def _own_rows(source: Source, model: str | None, by: str, moment: datetime) -> Rows:
    """The rows of a table of this program; its first row says which model it is of."""
    table = read_rows(source)
    _, header = next(table)
    header = [name.strip() for name in header]
    first = next(table, None)
    if "model" not in header:
        raise MisuseError(
            f"{source.name} has no column model. Tables of other programs are read with --map."
        )
    if first is None:
        return iter(())
    line, cells = first
    place = header.index("model")
    named = model or (cells[place] if place < len(cells) else "")
    if not named or len(named) > NAME_LIMIT or not named.isprintable():
        raise MisuseError(f"Line {line} of {source.name} names no model. Name it with --model.")
    if model is None and _is_path(named):
        raise MisuseError(f'{source.name} goes by the model file "{named}": say --model {named}.')
    compiled = named_model(named)
    columns = own_map(compiled.model, named, header, source.name)
    reader = csv_rows.RowReader(columns, header, compiled, by, moment, own=True)
    return reader.read(chain([first], table))


def _json_rows(source: Source, moment: datetime) -> Rows:
    model_of: Callable[[str], FaultModel | None] = partial(_model_here, load=cache(_load))
    for text in source.lines():
        if not text.strip():
            continue
        try:
            yield json_lines.from_line(text, source.line, moment, model_of)
        except RowError as error:
            yield (BadRow(source.line, error.column, error.reason),)


def _model_here(name: str, load: Callable[[str], CompiledModel | None]) -> FaultModel | None:
    # A file that came from elsewhere does not choose which files are opened here.
    compiled = None if _is_path(name) or len(name) > NAME_LIMIT else load(name)
    return None if compiled is None else compiled.model


def _load(name: str) -> CompiledModel | None:
    try:
        return named_model(name)
    except FaultfinderError:
        return None


def _is_path(name: str) -> bool:
    return "/" in name or "\\" in name or name.endswith((".yaml", ".yml")) or not name.isprintable()


def _say_bad(bad: BadRow) -> None:
    click.echo(harmless(str(bad)), err=True)


def _say(account: Account, dry_run: bool, skip_bad: bool) -> None:
    refused = account.bad and not skip_bad
    if dry_run:
        click.echo("Nothing was written. This is what the file holds:")
    if dry_run or not refused:
        verb = "bad" if refused else "left out"
        click.echo(f"{account.new:,} new, {account.there:,} there already, {account.bad:,} {verb}.")
        if account.outcomes:
            ended = [f"{count:,} {name}" for name, count in sorted(account.outcomes.items())]
            click.echo(f"The new ones: {', '.join(ended)}.")
    if account.unlinked:
        click.echo(
            f"{counted(account.unlinked, 'ticket')} came back from a first ticket that is not "
            "here;\nimport that one as well, then this file again.",
            err=True,
        )
    if refused:
        raise FaultfinderError(
            f"{counted(account.bad, 'row')} cannot be taken, so nothing was written. Mend "
            f"{'it' if account.bad == 1 else 'them'}, or say --skip-bad to leave "
            f"{'it' if account.bad == 1 else 'them'} out."
        )
