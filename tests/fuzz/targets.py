"""What is fuzzed: functions from bytes to nothing. Only refusals that are sentences are caught."""

from __future__ import annotations

import contextlib
import io
import os
import tempfile
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from unittest import mock

from faultfinder.cli import exchange_commands
from faultfinder.decide.shop_file import parse_shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.learning.from_tickets import closed_tickets
from faultfinder.model.answers import find_result, find_stage, find_variable
from faultfinder.model.reading.reader import parse_model
from faultfinder.report.ticket.lists import tickets_page
from faultfinder.report.ticket.text import ticket_page
from faultfinder.tickets.backup import back_up, check_backup
from faultfinder.tickets.checking import check_store
from faultfinder.tickets.events import Note
from faultfinder.tickets.exchange import csv_rows
from faultfinder.tickets.exchange.arriving import Arrival, BadRow
from faultfinder.tickets.exchange.bring_in import bring_in
from faultfinder.tickets.exchange.column_map import parse_map
from faultfinder.tickets.exchange.csv_cells import read_rows
from faultfinder.tickets.exchange.hand_out import Which, tickets_of
from faultfinder.tickets.exchange.json_lines import StaffNames, Told, to_line
from faultfinder.tickets.exchange.source import Source
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.searching import Wanted, find_tickets
from faultfinder.tickets.store import Store, read_tickets
from tests import MODELS_BEFORE
from tests.small_model import SMALL_MODEL

HERE = Path(__file__).resolve().parents[2]
AT = "2026-01-01T00:00:00Z"
NOW = datetime(2026, 10, 1, tzinfo=UTC)
_FOLDER = tempfile.TemporaryDirectory(prefix="fuzz")
SCRATCH = Path(_FOLDER.name)


@cache
def _known(name: str) -> CompiledModel:
    return load_model(name)


@cache
def _parts() -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (MODELS_BEFORE / "common").glob("*.yaml")}


def _included(path: Path) -> bytes:
    """Part files from memory, whatever folder they are looked up in."""
    if path.name not in _parts():
        raise FileNotFoundError(path)
    return _parts()[path.name]


def model(data: bytes) -> None:
    """A model file, compiled when it can be read."""
    name = "thin_clamshell.yaml" if b"name: thin_clamshell" in data else "small.yaml"
    try:
        compile_model(parse_model(data, name, _included))
    except FaultfinderError as error:
        _sentence(error)


def answers(data: bytes) -> None:
    """What is typed at the bench: finding=result, and stages."""
    compiled = _known("thin_clamshell")
    for typed in data.decode("utf-8", "surrogateescape").splitlines():
        name, _, result = typed.partition("=")
        try:
            variable = find_variable(compiled.model, name)
            find_result(variable, result)
        except FaultfinderError as error:
            _sentence(error)
        try:
            find_stage(compiled.model, name)
        except FaultfinderError as error:
            _sentence(error)


def shop(data: bytes) -> None:
    """A file of the shop's settings."""
    try:
        parse_shop(data, "shop.yaml")
    except FaultfinderError as error:
        _sentence(error)


def table(data: bytes) -> None:
    """A table as this program writes it."""
    with mock.patch.object(exchange_commands, "named_model", _known):
        _brought_in(
            lambda: exchange_commands._own_rows(_source(data), None, "invented person", NOW)
        )


def mapped_table(data: bytes) -> None:
    """A table of another program, read with a good map."""
    _mapped((HERE / "tests" / "demo_before" / "invented_columns.yaml").read_bytes(), data)


def column_map(data: bytes) -> None:
    """A map of columns, for a good table."""
    _mapped(data, (HERE / "tests" / "demo_before" / "invented_table.csv").read_bytes())


def json_lines(data: bytes) -> None:
    """Tickets as JSON Lines."""
    with mock.patch.object(exchange_commands, "named_model", _known):
        _brought_in(lambda: exchange_commands._json_rows(_source(data), NOW))


def store(data: bytes) -> None:
    """A file of tickets as SQLite keeps them, damaged: opened, listed, shown; one in sixteen
    also written to, checked, exported, learnt from and backed up."""
    path = SCRATCH / f"damaged{os.getpid()}.db"
    for suffix in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    path.write_bytes(data)
    opened = None
    try:
        opened = open_store(path)
        _looked_at(opened)
        if not zlib.crc32(data) % 16:
            _used(opened)
    except FaultfinderError as error:
        _sentence(error)
    finally:
        if opened is not None:
            opened.close()


def _looked_at(opened: Store) -> None:
    found, count = find_tickets(opened, Wanted(open=None), 50)
    tickets_page([(ticket, None) for ticket in found], count - len(found))
    for ticket in found[:5]:
        ticket_page(ticket, opened.comebacks(ticket.number), "EUR")


def _used(opened: Store) -> None:
    found, _ = find_tickets(opened, Wanted(open=None), 2)
    for ticket in found:
        opened.append(ticket.number, ticket.last, AT, "x", [Note("invented")])
    for check in (check_store, check_backup):
        with contextlib.suppress(FaultfinderError):
            check(opened.database.path)
    staff = StaffNames()
    with opened.database.transaction(write=False) as connection:
        for ticket, first_key in tickets_of(connection, Which()):
            if ticket.whole:
                to_line(ticket, first_key, Told(True, True), staff)
    list(closed_tickets(opened, _known("thin_clamshell").model))
    back_up(opened, SCRATCH / f"backup{os.getpid()}.db", replace=True)


def _sentence(error: FaultfinderError) -> None:
    said = str(error)
    assert said.strip(), "a refusal without a word"


def _source(data: bytes) -> Source:
    return Source(io.BytesIO(data), "the input", len(data))


@cache
def _empty_store() -> Store:
    return open_store(SCRATCH / f"empty{os.getpid()}.db", make=True)


def _brought_in(rows: Callable[[], Iterable[Arrival | tuple[BadRow, ...]]]) -> None:
    try:
        bring_in(_empty_store(), rows(), lambda bad: None, skip_bad=True, dry_run=True)
    except FaultfinderError as error:
        _sentence(error)


def _mapped(columns: bytes, data: bytes) -> None:
    def rows() -> Iterable[Arrival | tuple[BadRow, ...]]:
        made, compiled = parse_map(columns, "columns.yaml", _known)
        cells = read_rows(_source(data))
        _, header = next(cells)
        header = [name.strip() for name in header]
        made.check_header(header, "the input")
        return csv_rows.RowReader(made, header, compiled, "x", NOW, False, "EUR").read(cells)

    _brought_in(rows)


# --- seeds: the project's own files


def _model_seeds() -> list[bytes]:
    small = SMALL_MODEL.encode()
    # A model with includes takes a hundred times as long to read: one time in twenty.
    return [small] * 19 + [(MODELS_BEFORE / "thin_clamshell.yaml").read_bytes()]


def _answer_seeds() -> list[bytes]:
    lines = [
        f"{variable.name}={word}".encode()
        for variable in _known("thin_clamshell").model.variables
        for word in (*variable.states, *(w for ws in variable.words.values() for w in ws), "3.1 V")
    ]
    return [b"\n".join(lines[at : at + 4]) for at in range(0, len(lines), 4)]


def _shop_seeds() -> list[bytes]:
    return [
        b"labour_per_hour: 60\nguarantee_days: 90\nmodel: thin_clamshell\n",
        b"currency: EUR\nlabour_per_hour: 60\n# invented\nguarantee_days: 0\n",
    ]


def _json_seeds() -> list[bytes]:
    lines = (
        (HERE / "tests" / "demo_before" / "invented_tickets.jsonl")
        .read_bytes()
        .splitlines(keepends=True)
    )
    return [b"".join(lines[at : at + 2]) for at in range(0, 120, 2)]


@cache
def _filled() -> Store:
    filled = open_store(SCRATCH / f"filled{os.getpid()}.db", make=True)
    with mock.patch.object(exchange_commands, "named_model", _known):
        rows = exchange_commands._json_rows(_source(b"".join(_json_seeds()[:10])), NOW)
        bring_in(filled, rows, lambda bad: None)
    return filled


def _store_seeds() -> list[bytes]:
    filled = _filled()
    with filled.database.engine().connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    return [filled.database.path.read_bytes()]


def _table_seeds() -> list[bytes]:
    thin = _known("thin_clamshell").model
    with _filled().database.transaction(write=False) as connection:
        tickets = list(read_tickets(connection, list(range(1, 9))))
    rows = [csv_rows.ticket_row(ticket, thin, True)[0] for ticket in tickets]
    return [(csv_rows.header_row(thin, True) + "".join(rows)).encode()]


@dataclass(frozen=True)
class Target:
    """What to run, what to begin with, and whether the input is an SQLite file."""

    run: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    binary: bool = False


TARGETS = {
    "model": Target(model, _model_seeds),
    "answers": Target(answers, _answer_seeds),
    "shop": Target(shop, _shop_seeds),
    "table": Target(table, _table_seeds),
    "mapped_table": Target(
        mapped_table, lambda: [(HERE / "tests" / "demo_before" / "invented_table.csv").read_bytes()]
    ),
    "column_map": Target(
        column_map,
        lambda: [(HERE / "tests" / "demo_before" / "invented_columns.yaml").read_bytes()],
    ),
    "json_lines": Target(json_lines, _json_seeds),
    "store": Target(store, _store_seeds, binary=True),
}
