"""Nothing lost, nobody in: bad values, files from outside, stops, rights, and what is private."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import sqlite3
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import pytest
import sqlalchemy as sa
from click.testing import CliRunner, Result

from faultfinder.cli.main import commands
from faultfinder.cli.next_command import next_command
from faultfinder.cli.terminal import guarded
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import open_plain
from faultfinder.inference.loading import load_model
from faultfinder.learning.from_tickets import closed_tickets
from faultfinder.tickets import limits
from faultfinder.tickets.backup import _copy, back_up, check_backup, restore
from faultfinder.tickets.database import Database
from faultfinder.tickets.events import KINDS, Closed, Found, Intake, Note, Ordered, entry_of
from faultfinder.tickets.kept_models import plain_path, read_files
from faultfinder.tickets.limits import BadValue
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.roles import give_roles
from faultfinder.tickets.shelf import shelf_at
from faultfinder.tickets.store import Store
from tests import MODELS_BEFORE
from tests.stores import new_database, server_address

AT = "2026-01-01T00:00:00Z"
BARCODE = "4006381333931"
TOOL = [sys.executable, "-m", "faultfinder.cli.main"]
OPENED = ("intake", "-m", "thin_clamshell", "-s", "backlight=off")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "shop" / "tickets.db"
    monkeypatch.setenv("FAULTFINDER_DB", str(path))
    monkeypatch.setenv("FAULTFINDER_WHO", "invented person")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))
    monkeypatch.chdir(tmp_path)
    return path


def run(*words: str, status: int = 0) -> Result:
    result = CliRunner().invoke(commands, list(words))
    assert result.exit_code == status, (words, result.output, result.exception)
    assert "Traceback" not in result.output
    return result


def said(result: Result) -> str:
    return " ".join(result.output.split())


def change(path: Path, *statements: str) -> None:
    with sqlite3.connect(path) as other:
        for statement in statements:
            other.execute(statement)
    other.close()


# Values


@pytest.mark.parametrize(
    ("kind", "data", "field"),
    [
        ("ordered", {"price": 4006381333931}, "price"),
        ("ordered", {"price": float("nan")}, "price"),
        ("ordered", {"price": True}, "price"),
        ("ordered", {"due": "2026-02-30"}, "due"),
        ("intake", {"model": "m", "limit": -1}, "limit"),
        ("intake", {"model": "m", "consent": ["all"]}, "consent"),
        ("intake", {"model": ""}, "model"),
        ("found", {"finding": "x" * 201, "result": None}, "finding"),
        ("found", {"finding": "a\nb", "result": None}, "finding"),
        ("found", {"finding": "a"}, "result"),
        ("closed", {"outcome": "gone", "causes": []}, "outcome"),
        ("closed", {"outcome": "repaired", "causes": []}, "causes"),
        ("closed", {"outcome": "uneconomic", "causes": ["a"] * 201}, "causes"),
        ("arrived", {"order": 0}, "order"),
        ("taken back", {"event": 10**20}, "event"),
        ("held", {"for": "godot"}, "for"),
        ("note", {"mood": "bad"}, "mood"),
        ("sung", {}, "kind"),
    ],
)
def test_a_bad_value_is_refused_by_the_event_itself_with_a_sentence(
    kind: str, data: dict[str, object], field: str
) -> None:
    with pytest.raises(BadValue) as caught:
        entry_of(kind, data, {})
    assert caught.value.field == field
    assert str(caught.value).endswith(".")


def test_every_kind_writes_what_it_reads() -> None:
    samples = {
        "intake": ({"model": "m", "limit": 5.5, "consent": ["opening"]}, {"complaint": "c"}),
        "agreed": ({"consent": ["opening"], "limit": 80}, {"complaint": "c"}),
        "person": ({}, {"customer": "Invented"}),
        "found": ({"finding": "a", "result": None, "model": "d"}, {}),
        "judged": ({"cause": "panel", "result": "black", "model": "d"}, {}),
        "moved": ({"stage": "open"}, {}),
        "tried": ({"repair": "r", "stage": "open"}, {}),
        "repaired": ({"repair": "r", "stage": "open"}, {}),
        "proved": ({"test": "t", "passed": False}, {}),
        "ordered": ({"price": 3, "due": "2026-01-31"}, {"part": "flex"}),
        "arrived": ({"order": 4}, {}),
        "held": ({"for": "customer"}, {"why": "asked"}),
        "resumed": ({}, {}),
        "note": ({"hand_over": True}, {"note": "n"}),
        "remodelled": ({"model": "d"}, {}),
        "closed": ({"outcome": "repaired", "causes": ["panel"]}, {}),
        "erased": ({"all_texts": True}, {}),
        "taken back": ({"event": 2}, {}),
    }
    assert set(samples) == set(KINDS)
    for kind, (data, texts) in samples.items():
        entry = entry_of(kind, data, texts)
        assert (entry.as_data(), entry.as_texts()) == (data, texts)
        assert entry.words


def test_a_barcode_typed_as_a_price_is_refused_at_every_door(place: Path, tmp_path: Path) -> None:
    run(*OPENED)
    for words in (
        ("ordered", "1", "flex", "--price", BARCODE), (*OPENED, "--limit", BARCODE),
        (*OPENED, "--worth", BARCODE), ("next", *OPENED[1:], "--worth", BARCODE),
    ):  # fmt: skip
        assert "1,000,000,000" in said(run(*words, status=2))
    line = {
        "faultfinder_ticket": 1, "key": "k", "model": "thin_clamshell", "first_ticket": None,
        "events": [
            {"number": 1, "kind": "intake", "at": AT, "who": "x",
             "data": {"model": "thin_clamshell", "limit": int(BARCODE)}}
        ],
    }  # fmt: skip
    (tmp_path / "a.jsonl").write_text(json.dumps(line) + "\n")
    assert "entry 1, limit" in said(run("import", "a.jsonl", status=1))
    assert open_store().ticket(1).last == 2
    # The note that is too long, and the model that is too long.
    with pytest.raises(BadValue):
        Note("x" * (limits.TEXT_LIMIT + 1))


def test_a_log_with_a_value_of_an_older_version_is_read_shown_and_marked(place: Path) -> None:
    for _ in range(3):
        run(*OPENED)
    run("ordered", "2", "flex", "--price", "12")
    change(place, f"update event set data = '{{\"price\": {BARCODE}}}' where kind = 'ordered'")
    (part,) = open_store().ticket(2).parts
    assert (part.what, part.price) == ("flex", None)
    assert f'entry 3: price is "{BARCODE}"' in said(run("ticket", "2"))
    listed = said(run("tickets"))
    assert "Ticket 1" in listed
    assert "Ticket 3" in listed
    assert "its log is damaged" in listed
    run("triage")
    run("next", "2")
    found = run("store", "check", status=1)
    assert 'Ticket 2, entry 3: price is "4006381333931"' in said(found)
    assert '"faultfinder takeback 2 3" takes the entry back' in said(found)
    run("export", "all.jsonl")
    run("takeback", "2", "3")
    run("store", "check")


def test_one_damaged_ticket_is_one_damaged_ticket(place: Path) -> None:
    for _ in range(3):
        run(*OPENED)
    change(
        place,
        "update event set kind = 'sung', data = 'no JSON' where ticket = 1 and number = 1",
        "update event set data = '[[[' , at = 'noon' where ticket = 2 and number = 2",
    )
    listed = said(run("tickets"))
    assert all(f"Ticket {number}" in listed for number in (1, 2, 3))
    run("triage")
    run("ticket", "1")
    run("sheet", "2", "--html", "s.html")
    export = run("export", "all.jsonl", status=1)
    assert "2 tickets left out, whose log cannot be read: 1 and 2." in said(export)
    assert len(Path("all.jsonl").read_text().splitlines()) == 1
    check = said(run("store", "check", status=1))
    assert "Ticket 1" in check
    assert "Ticket 2, entry 2" in check
    assert "Ticket 3" not in check


def test_what_store_check_offers_mends_it(place: Path) -> None:
    for _ in range(4):
        run(*OPENED)
    change(
        place,
        "update ticket set causes = 'nonsense' where number = 1",
        "update ticket set model = 'another', opened_at = 'soon' where number = 2",
        "update event set who = x'ff00' where ticket = 3 and number = 1",
    )
    found = said(run("store", "check", status=1))
    assert '"faultfinder note 1 checked", sets that right' in found
    assert '"faultfinder note 2 checked", sets that right' in found
    assert "Ticket 3: who in the table event is no text" in found
    assert "Ticket 4" not in found
    run("note", "1", "checked")
    run("note", "2", "checked")
    found = said(run("store", "check", status=1))
    assert "Ticket 1" not in found
    assert "Ticket 2" not in found


def test_nothing_is_learnt_from_a_damaged_ticket_and_all_else_is(place: Path) -> None:
    store = open_store(make=True)
    for number in range(1, 5):
        store.intake("thin_clamshell", AT, "x", [Intake("thin_clamshell")])
        store.append(
            number, 1, AT, "x", [Found("backlight", "off"), Closed("repaired", ("panel",))]
        )
    change(
        place,
        "update event set data = '[[[' where ticket = 1 and number = 2",
        'update event set data = \'{"finding": "spell", "result": "x"}\' '
        "where ticket = 2 and number = 2",
        "delete from event where ticket = 3 and number = 2",
    )
    told: list[str] = []
    model = load_model("thin_clamshell").model
    assert [one.number for one in closed_tickets(store, model, told=told.append)] == [4]
    assert "Ticket 1 is left out: entry 2" in told[0]
    assert told[1] == 'Ticket 2 is left out: spell="x" is no finding with its result.'
    assert "Ticket 3" in told[2]
    store.close()


def test_a_ticket_from_elsewhere_shows_no_file_that_it_names(place: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("password: x\n")
    store = open_store(make=True)
    for named in (str(secret), "secret.txt"):
        number = store.intake(named, AT, "x", [Intake(named)])
        for words in (("next", str(number)), ("tickets",), ("export", "e.csv", "-m", named)):
            result = CliRunner().invoke(commands, list(words))
            assert "password" not in result.output
            assert "cannot be used" in said(result)
    store.close()


def test_keys_that_differ_by_blanks_only_are_two_tickets_or_a_sentence(place: Path) -> None:
    def line(key: str) -> str:
        event = {"number": 1, "kind": "intake", "at": AT, "who": "x", "data": {"model": "m"}}
        told = {"faultfinder_ticket": 1, "key": key, "model": "m", "first_ticket": None}
        return json.dumps(told | {"events": [event]}) + "\n"

    Path("a.jsonl").write_text(line("a") + line("a ") + line(" a"))
    assert "3 new" in said(run("import", "a.jsonl"))
    assert "0 new, 3 there already" in said(run("import", "a.jsonl"))


@pytest.mark.parametrize("name", [":memory:", "", "/dev/null", "/tmp"])
def test_a_place_that_keeps_nothing_is_a_sentence(name: str, place: Path) -> None:
    result = CliRunner().invoke(commands, ["tickets", "--db", name])
    assert result.exit_code in (1, 2)
    assert result.output.strip().endswith(".")


# Files from outside


MODELS = 'update model_version set files = \'[["../../out.yaml", "x"]]\''


@pytest.mark.parametrize(
    "name",
    ["../a", "a/../b", "/etc/a", "C:\\a", "C:a", "a\\b", "a//b", "./a", "", "a\n", "a/", "..."],
)
def test_a_kept_model_has_plain_paths_below_one_folder(name: str) -> None:
    assert not plain_path(name)
    with pytest.raises(FaultfinderError, match="nothing of it was used"):
        read_files("d", json.dumps([["m.yaml", "x"], [name, "x"]]))


@pytest.mark.parametrize(
    "kept",
    ["", "{}", "[]", "[1]", '[["a"]]', '[["a", 1]]', "[" * 5000, '[["A", ""], ["a", ""]]', None],
)
def test_a_kept_model_that_is_no_list_of_files_is_a_sentence(kept: object) -> None:
    with pytest.raises(FaultfinderError, match="nothing of it was used"):
        read_files("d", kept)


def test_a_crafted_kept_model_writes_nothing_anywhere(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(*OPENED)
    change(
        place, MODELS, 'update event set data = replace(data, \'"version": "\', \'"version": "f\')'
    )
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "deep" / "cache"))
    before = set(tmp_path.rglob("*"))
    change(place, "update model_version set digest = 'f' || digest")
    version = open_store().ticket(1).version
    assert version.startswith("f")
    assert "damaged or not ours" in said(run("next", "1", status=1))
    after = set(tmp_path.rglob("*")) - before
    assert not [path for path in after if path.suffix == ".yaml"]


@pytest.mark.parametrize(
    "statement",
    [
        "create view spy as select * from event",
        "create trigger spy after insert on event begin delete from event; end",
        "create table spy (a text)",
        "create table free_text2 (a text default (load_extension('x')))",
        "create index spy on event (lower(kind))",
        "create index ix_spy on event (kind) where number > 1",
        "create virtual table spy using fts5(a)",
        "alter table event add column spy text generated always as (upper(kind))",
        "alter table event add column number2 integer check (number2 > 0)",
    ],
)
def test_what_a_file_could_run_is_refused_before_anything_is_read(
    statement: str, place: Path
) -> None:
    run(*OPENED)
    run("store", "backup", "b.db")
    for path in (place, Path("b.db")):
        try:
            change(path, statement)
        except sqlite3.OperationalError:
            pytest.skip("this SQLite has no such tables")
    before = place.read_bytes()
    for words in (("tickets",), ("note", "1", "n"), ("store", "check"), ("store", "upgrade"),
                  ("store", "backup", "c.db"), ("restore",)):  # fmt: skip
        if words == ("restore",):
            words = ("store", "restore", "b.db", "--db", "new.db")
        assert "which this program does not make" in said(run(*words, status=1))
    assert place.read_bytes() == before
    assert not Path("new.db").exists()


def test_a_view_in_place_of_a_table_is_never_run(place: Path) -> None:
    run(*OPENED)
    endless = (
        "with recursive c(n) as (select 1 union all select n + 1 from c) "
        "select 1 as id from c where n < 0"
    )
    change(place, "alter table store rename to old_store", f"create view store as {endless}")
    begin = time.monotonic()
    assert "does not make" in said(run("tickets", status=1))
    assert time.monotonic() - begin < 10


def test_a_comeback_before_its_first_ticket_is_backed_up_and_restored(place: Path) -> None:
    store = open_store(make=True)
    for _ in range(2):
        store.intake("m", AT, "x", [Intake("m")])
    change(place, "update ticket set first_ticket = 3 - number")
    run("store", "backup", "b.db")
    run("store", "restore", "b.db", "--db", "new.db")
    assert [open_store("new.db").ticket(number).first_ticket for number in (1, 2)] == [2, 1]
    store.close()


CRAFTED = {
    "two identities": "insert into store values ('two')",
    "no identity": "delete from store",
    "an identity that is no text": "update store set id = x'ff'",
    "a number beyond all": "insert into ticket select 9223372036854775807, 'k', model, opened_at, "
    "closed_at, is_open, outcome, causes, null from ticket",
    "a first ticket that is not there": "update ticket set first_ticket = 99",
}


@pytest.mark.parametrize("statement", CRAFTED.values(), ids=list(CRAFTED))
def test_a_crafted_backup_with_the_right_sum_is_refused(statement: str, place: Path) -> None:
    run(*OPENED)
    run("store", "backup", "b.db")
    change(Path("b.db"), statement)
    crafted = Database("b.db", frozen=True)
    with crafted.transaction(write=False) as connection:
        digest, _ = _copy(connection, None)
    crafted.close()
    change(Path("b.db"), f"update backup_sum set digest = '{digest}'")
    run("store", "restore", "b.db", "--db", "new.db", status=1)
    assert not Path("new.db").exists()


def test_a_number_beyond_all_is_no_ticket(place: Path) -> None:
    run(*OPENED)
    for words in (("ticket",), ("next",), ("note", "x"), (*OPENED, "--comeback-of")):
        beyond = [*words, "9" * 20] if words[0] == "intake" else [words[0], "9" * 20, *words[1:]]
        assert "There is no ticket" in said(run(*beyond, status=2))
    run("tickets", "--limit", "9" * 20, status=2)


def test_a_place_whose_identity_is_gone_is_read_and_named(place: Path) -> None:
    run(*OPENED)
    change(place, "delete from store")
    run("tickets")
    assert "No ticket can be opened" in said(run("store", "check", status=1))
    assert "is damaged" in said(run(*OPENED, status=1))


def test_a_link_is_followed_and_never_replaced(place: Path) -> None:
    Path("link.db").symlink_to("there.db")
    run(*OPENED, "--db", "link.db")
    run("store", "backup", "b.db", "--db", "there.db")
    run("store", "restore", "b.db", "--db", "link.db", "--replace")
    assert Path("link.db").is_symlink()
    assert list(Path().glob("there.db.before-*"))
    Path("back.db").symlink_to("b.db")
    for name in ("b.db", "back.db"):
        assert "backup itself" in said(
            run("store", "restore", "b.db", "--db", name, "--replace", status=2)
        )
    for end in ("-wal", "-journal", "-shm"):
        assert "belongs to the database" in said(
            run("export", f"there.db{end}", "--replace", status=2)
        )


def test_the_log_of_a_database_that_is_gone_gets_into_no_other(place: Path) -> None:
    """SQLite replays a log that lies beside a database, whosever it is."""
    run(*OPENED)
    run("store", "backup", "b.db")
    writer = sqlite3.connect(place, isolation_level=None)
    writer.execute("update event set who = 'somebody else'")
    log = Path(f"{place}-wal").read_bytes()
    writer.close()
    for target in (place, Path("c.db")):
        target.unlink(missing_ok=True)
        Path(f"{target}-wal").write_bytes(log)
    assert "left of another database" in said(run("store", "restore", "b.db", status=1))
    run("store", "restore", "b.db", "--replace")
    assert "somebody else" not in said(run("ticket", "1"))
    assert "left of another database" in said(run("store", "backup", "c.db", status=2))
    run("store", "backup", "c.db", "--replace")
    assert check_backup(Path("c.db")).tickets == 1
    assert not Path("c.db-wal").exists()


def test_an_empty_place_is_never_the_usual_one(place: Path) -> None:
    run(*OPENED)
    run("store", "backup", "b.db")
    before = place.read_bytes()
    for words in (("restore", "b.db", "--replace"), ("new",), ("upgrade",), ("check",)):
        assert "keeps no tickets" in said(run("store", *words, "--db", "", status=2))
    assert place.read_bytes() == before


def test_restore_moves_aside_what_is_there_only_when_told(place: Path) -> None:
    run(*OPENED)
    run("store", "backup", "b.db")
    run("note", "1", "after the backup")
    before = open_store().ticket(1)
    run("store", "restore", "b.db", status=1)
    assert open_store().ticket(1) == before
    Path("d.db").write_bytes(Path("b.db").read_bytes())
    change(Path("d.db"), "update event set who = 'another'")
    run("store", "restore", "d.db", "--replace", status=1)
    assert open_store().ticket(1) == before
    told = said(run("store", "restore", "b.db", "--replace"))
    moved = min(place.parent.glob("tickets.db.before-*"), key=lambda path: len(path.name))
    assert moved.name in told.replace(" ", "")
    assert open_store(moved).ticket(1) == before
    assert open_store().ticket(1).last == before.last - 1


# Files of ours and of others


def test_versions_of_models_are_never_lost_to_a_restore_or_backup(
    place: Path, tmp_path: Path
) -> None:
    run(*OPENED)
    run("store", "backup", "b.db")
    version = {"files": [["m.yaml", "text"]]}
    for name in ("new.db", "taken.db"):
        shelf_at(name).add("m", 1, version)
    assert "versions of models" in said(run("store", "restore", "b.db", "--db", "new.db", status=1))
    assert not Path("new.db").exists()
    assert "Versions of models" in said(run("store", "backup", "taken.db", status=2))
    assert not Path("taken.db").exists()
    told = said(run("store", "restore", "b.db", "--db", "new.db", "--replace"))
    assert "What was there lies in" in told
    (older,) = tmp_path.glob("new.db.before-*.models")
    assert shelf_at(str(older).removesuffix(".models")).numbers("m") == [1]
    assert shelf_at("new.db").models() == []
    run("store", "backup", "taken.db", "--replace")
    assert shelf_at("taken.db").models() == []
    # What cannot be taken over is found before anything is restored.
    shelf_at("b.db").add("m", 1, version)
    Path("b.db.models/m/1/version.json").write_text("{", encoding="utf-8")
    run("store", "restore", "b.db", "--db", "third.db", status=1)
    assert not Path("third.db").exists()


def test_no_command_overwrites_what_it_did_not_make(place: Path, tmp_path: Path) -> None:
    run(*OPENED)
    run("store", "backup", "good.db")
    other = tmp_path / "letter.html"
    writers = {
        "sheet": ("sheet", "1", "--html"),
        "plan": ("plan", "-m", "thin_clamshell", "--depth", "1", "--html"),
        "model": ("model", "show", "thin_clamshell", "--html"),
        "network": ("model", "export", "thin_clamshell", "--bif"),
        "export": ("export",),
        "backup": ("store", "backup"),
    }
    good, own = Path("good.db").read_bytes(), place.read_bytes()
    for name, words in writers.items():
        other.write_text("mine")
        run(*words, str(other), status=2)
        assert other.read_text() == "mine"
        for database in (str(place), *([] if name == "backup" else ["good.db"])):
            for more in ((), ("--replace",)):
                run(*words, database, *more, status=2)
        assert (Path("good.db").read_bytes(), place.read_bytes()) == (good, own)
        if name in ("plan", "model"):
            # Worked out for long; refused before that.
            continue
        run(*words, str(other), "--replace")
        assert other.read_bytes() != b"mine"
        other.unlink()
    # What is ours may be written again, a backup only when told.
    for words, target in ((writers["sheet"], "s.html"), (writers["export"], "e.jsonl")):
        run(*words, target)
        run(*words, target)
    run("store", "backup", "good.db", status=2)
    run("store", "backup", "good.db", "--replace")
    # A link to the tickets is the tickets.
    Path("link").symlink_to(place)
    run("store", "backup", "link", "--replace", status=2)
    assert place.read_bytes() == own


def test_a_pipe_ends_in_a_sentence_within_seconds(place: Path) -> None:
    run(*OPENED)
    os.mkfifo("pipe")
    os.mkfifo("pipe.yaml")
    begin = time.monotonic()
    for words in (
        ("import", "pipe"), ("export", "pipe"), ("sheet", "1", "--html", "pipe"),
        ("store", "backup", "pipe"), ("store", "restore", "pipe"), ("tickets", "--db", "pipe"),
        ("next", "-m", "./pipe.yaml"), ("model", "check", "./pipe.yaml"),
        ("import", "pipe", "--map", "pipe.yaml"), ("model", "skeleton", "pipe", "-o", "a.yaml"),
        ("model", "cases", "pipe"), ("model", "expectations", "pipe"),
    ):  # fmt: skip
        result = CliRunner().invoke(commands, list(words))
        assert result.exit_code in (1, 2), words
        assert result.output.strip()
    assert time.monotonic() - begin < 30
    with pytest.raises(OSError, match="no regular file"):
        open_plain("pipe")


def test_reading_makes_nothing(place: Path, tmp_path: Path) -> None:
    for words in (
        ("tickets",), ("ticket", "1"), ("triage",), ("next", "1"), ("note", "1", "n"),
        ("sheet", "1", "--html", "s.html"), ("export", "e.jsonl"), ("store", "check"),
        ("store", "backup", "b.db"), ("store", "upgrade"), ("import", "none.jsonl", "--dry-run"),
        ("replay", "-m", "thin_clamshell"), ("review", "-m", "thin_clamshell", "--html", "r.html"),
    ):  # fmt: skip
        result = CliRunner().invoke(commands, list(words))
        assert result.exit_code in (1, 2), words
    assert "There are no tickets at" in said(run("tickets", status=1))
    assert "The usual place is" in said(run("tickets", "--db", "typo.db", status=1))
    assert [path.name for path in tmp_path.iterdir() if path.name != "settings"] == []
    run("store", "new")
    run("store", "new", status=1)
    assert "Say --empty" in said(run("store", "backup", "b.db", status=1))
    run("store", "backup", "b.db", "--empty")


# Stops


def test_nothing_was_written_is_said_only_when_true(place: Path) -> None:
    """Stopped at random moments, a command says what stands, and only that."""
    run(*OPENED)
    assert interrupts(place, 12, seed=1) == []


def interrupts(place: Path, count: int, seed: int) -> list[str]:
    """False sentences of `count` notes stopped at random moments."""
    import random

    dice = random.Random(seed)
    false = []
    for turn in range(count):
        before = open_store(place).ticket(1).last
        child = subprocess.Popen(
            [*TOOL, "note", "1", f"turn {turn}", "--db", str(place)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        time.sleep(dice.uniform(0.1, 1.2))
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=60)
        wrote = open_store(place).ticket(1).last > before
        if "Nothing was written" in err and wrote:
            false.append(f"{turn}: {err}")
        if "stands" in err + out and not wrote:
            false.append(f"{turn}: {err}")
        # Before Python has begun the command, it ends by the signal itself.
        if child.returncode == 2 and "Stopped." not in err:
            false.append(f"{turn}: {err}")
        if child.returncode not in (0, 2, -signal.SIGINT, 1):
            false.append(f"{turn}: status {child.returncode} {err}")
        if child.returncode == 1 and "KeyboardInterrupt" not in err:
            false.append(f"{turn}: status {child.returncode} {err}")
    return false


@pytest.mark.parametrize("end", ["/dev/full", "closed"])
def test_an_answer_nobody_can_read_still_stands_and_says_so(place: Path, end: str) -> None:
    run(*OPENED)
    words = [*TOOL, "found", "1", "image=none"]
    if end == "closed":
        reader, writer = os.pipe()
        os.close(reader)
    else:
        writer = os.open(end, os.O_WRONLY)
    done = subprocess.run(words, stdout=writer, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writer)
    assert done.returncode == 1
    assert "Entry 3 of ticket 1 stands." in done.stderr
    assert open_store().ticket(1).last == 3


def test_a_stop_between_prompt_and_key_is_not_lost(place: Path) -> None:
    """The signal is seen by another thread while the main one waits for a key."""
    code = (
        "import signal, threading, time\n"
        "from faultfinder.cli.terminal import stoppable\n"
        "threading.Timer(0.5, lambda: signal.raise_signal(signal.SIGINT)).start()\n"
        "try:\n"
        "    with stoppable():\n"
        "        input('> ')\n"
        "except KeyboardInterrupt:\n"
        "    print('stopped')\n"
    )
    import pty

    main, side = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-c", code], stdin=side, stdout=subprocess.PIPE, text=True
    )
    try:
        assert child.communicate(timeout=20)[0].endswith("stopped\n")
    finally:
        child.kill()
        os.close(main)
        os.close(side)


# What is private


def test_files_are_for_their_owner_only_whatever_the_umask(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "up" / "cache"))
    before = os.umask(0)
    try:
        run(*OPENED)
        run("tickets")
        run("store", "backup", "b.db")
        run("export", "e.jsonl")
        run("export", "e.csv")
    finally:
        os.umask(before)
    made = [tmp_path / "b.db", tmp_path / "e.jsonl", tmp_path / "e.csv"]
    for folder in (place.parent, tmp_path / "up"):
        made += folder.rglob("*")
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    for path in made:
        wanted = 0o700 if path.is_dir() else 0o600
        assert stat.S_IMODE(path.stat().st_mode) == wanted, path
    assert len(made) > 6


NAME = "Zyxophilia Invented"


def with_name(store: Store) -> int:
    number = store.intake("m", AT, "x", [Intake("m", customer=NAME, complaint="kept")])
    for turn in range(30):
        store.intake("m", AT, "x", [Intake("m", complaint=f"{turn} " + "x" * 500)])
    return number


def holds(folder: Path) -> bool:
    return any(NAME.encode() in path.read_bytes() for path in folder.rglob("*") if path.is_file())


def test_erased_while_another_reads_is_not_done_until_the_next_command(place: Path) -> None:
    store = open_store(make=True)
    number = with_name(store)
    assert holds(place.parent)
    reader = sqlite3.connect(place)
    reader.execute("begin")
    reader.execute("select * from free_text").fetchone()
    told = said(run("erase", str(number), "--yes"))
    assert "It is not done yet" in told
    assert holds(place.parent)
    reader.close()
    run("ticket", str(number))
    assert not holds(place.parent)


def server_folder() -> Path:
    folder = Path(sa.make_url(server_address()).query["host"]) / "data"  # type: ignore[arg-type]
    if not os.access(folder / "base", os.R_OK):
        pytest.skip("The server's own files cannot be read here.")
    return folder


def test_erased_on_a_server_leaves_nothing_in_its_tables() -> None:
    folder = server_folder()
    with new_database() as address:
        store = open_store(address)
        number = with_name(store)
        with store.database.engine().connect() as connection:
            connection.execution_options(isolation_level="AUTOCOMMIT")
            connection.exec_driver_sql("analyze")
            connection.exec_driver_sql("checkpoint")
            base = (
                folder
                / "base"
                / str(
                    connection.exec_driver_sql(
                        "select oid from pg_database where datname = current_database()"
                    ).scalar()
                )
            )
            assert holds(base)
            _, gone, done = store.erase(number, 1, AT, "x", all_texts=False)
            assert (gone, done) == (1, True)
            connection.exec_driver_sql("checkpoint")
        assert not holds(base)
        store.close()


# The terminal


EVIL = "x\x1b[2J\x1b]0;own\x07\r\n\x9b31m\u202eforged\x7f"
HARM = re.compile(
    "[\x00-\x09\x0b-\x1a\x1c-\x1f\x7f-\x9f\u202a-\u202e\u2028\u2029]|\x1b(?!\\[[01]m)"
)


def test_no_text_reaches_the_terminal_as_it_is(place: Path, tmp_path: Path) -> None:
    """Hostile text in every field and name, through every command that shows tickets."""
    texts = [
        f"--{name}={EVIL}"
        for name in ("complaint", "condition", "left", "customer", "contact", "serial", "by")
    ]
    evil_file = tmp_path / EVIL.replace("/", "")
    walked = [
        run(*OPENED, *texts),
        run("ordered", "1", EVIL),
        run("note", "1", EVIL, "--hand-over", "--by", EVIL),
        run("hold", "1", "customer", "--why", EVIL),
        run("tickets"), run("ticket", "1"), run("ticket", "1", "--json"), run("next", "1"),
        run("next", "1", "--json"), run("tickets", "--json"), run("triage", "--json"),
        run("triage"), run("export", "-", "--with-texts", "--with-person"),
        run("sheet", "1", "--html", str(evil_file)), run("export", str(evil_file) + ".jsonl"),
        run("store", "backup", str(evil_file) + ".db"), run("store", "check"),
        run("found", "1", f"{EVIL}={EVIL}", status=2), run("found", "1", f"image={EVIL}", status=2),
        run("tried", "1", EVIL, status=2), run("proved", "1", EVIL, status=1),
        run("next", "-m", EVIL, status=2), run("tickets", "--db", EVIL, status=1),
        run("import", EVIL, status=1), run("import", str(evil_file) + ".jsonl", "--db", "n.db"),
        run("person", "1", f"--contact={EVIL}"), run("resume", "1"), run("arrived", "1"),
        run("takeback", "1", "3"), run(EVIL, status=2), run("tickets", f"--{EVIL}", status=2),
        run("store", "new", "--db", str(evil_file) + "2.db"),
    ]  # fmt: skip
    change(place, f"update event set kind = 'sung\x1b[2J', data = '{EVIL}' where number = 2")
    change(place, "update ticket set outcome = 'x\x1b[2J', causes = '[]'")
    for words in (("tickets",), ("ticket", "1"), ("next", "1"), ("tickets", "--all")):
        walked.append(run(*words))
    walked.append(run("store", "check", status=1))
    walked.append(run("close", "1", "--outcome", "uneconomic"))
    for result in walked:
        for output in (result.stdout, result.stderr):
            assert not HARM.search(output), repr(output)
            assert not any(line.startswith("forged") for line in output.splitlines())
    json.loads(walked[6].stdout)
    page = evil_file.read_text()
    assert not HARM.search(page.replace("\n", ""))


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "ANSI_X3.4-1968"])
def test_no_terminal_is_written_to_past_the_one_place(
    encoding: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    beneath = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="backslashreplace")
    monkeypatch.setattr(sys, "stdout", beneath)
    with guarded():
        # As on a terminal, where click takes nothing out.
        click.echo(f"{EVIL}\u00e9", color=True)
    beneath.flush()
    assert b"\x1b" not in beneath.buffer.getvalue()  # type: ignore[attr-defined]


def test_the_shell_is_offered_nothing_that_steers_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("plain", "x\x1b[2J", "y\nforged"):
        (tmp_path / f"{name}.yaml").write_text("faultfinder_model: 1\n", encoding="utf-8")
    monkeypatch.setenv("FAULTFINDER_MODELS", str(tmp_path))
    parameter = next(p for p in next_command.params if p.name == "model")
    offered = parameter.shell_complete(click.Context(commands), "")
    names = [str(item.value) for item in offered]
    assert "plain" in names
    assert all(name.isprintable() for name in names)


@pytest.mark.parametrize("sign", [*"=+-@\t\r\n", "\uff1d", " =", "\u00a0+"])
def test_no_cell_is_run_by_a_spreadsheet(sign: str, place: Path) -> None:
    run(*OPENED, f"--complaint={sign}cmd()")
    run("export", "e.csv", "--with-texts")
    text = Path("e.csv").read_bytes().decode()
    assert f"'{sign}cmd()" in text
    run("import", "e.csv", "--db", "other.db")
    assert open_store("other.db").ticket(1).complaint == f"{sign}cmd()"


# Rights on a server


def test_a_bench_writes_and_a_lead_does_all() -> None:
    with new_database() as address:
        bench, lead = (f"ff_{name}_{os.getpid()}" for name in ("bench", "lead"))
        url = sa.make_url(address)
        with owned_roles(address, bench, lead):
            assert give_roles(address, bench, lead) == [(bench, True), (lead, True)]
            assert give_roles(address, bench, lead) == [(bench, False), (lead, False)]
            at_bench = open_store(url.set(username=bench).render_as_string(hide_password=False))
            number = at_bench.intake("m", AT, "x", [Intake("m", customer=NAME)])
            at_bench.append(number, 1, AT, "x", [Found("a", "yes"), Ordered("flex")])
            at_bench.append(number, 3, AT, "x", [Closed("uneconomic", ())])
            with pytest.raises(FaultfinderError, match="take the lead's role"):
                at_bench.erase(number, 4, AT, "x", all_texts=True)
            for statement in (
                "update event set who = 'other'", "delete from event", "delete from free_text",
                "drop table event", "update alembic_version set version_num = '9'",
                "insert into store values ('x')", "truncate event",
            ):  # fmt: skip
                with (
                    pytest.raises(FaultfinderError, match="lead's role"),
                    at_bench.database.transaction(write=True) as connection,
                ):
                    connection.exec_driver_sql(statement)
            as_lead = open_store(url.set(username=lead).render_as_string(hide_password=False))
            _, gone, done = as_lead.erase(number, 4, AT, "x", all_texts=False)
            assert (gone, done) == (1, True)
            assert at_bench.ticket(number).person == {}
            at_bench.close()
            as_lead.close()


@contextmanager
def owned_roles(address: str, *names: str) -> Iterator[None]:
    engine = sa.create_engine(address, isolation_level="AUTOCOMMIT")
    try:
        yield
    finally:
        with engine.connect() as connection:
            for name in names:
                connection.exec_driver_sql(f"reassign owned by {name} to current_user")
                connection.exec_driver_sql(f"drop owned by {name}")
                connection.exec_driver_sql(f"drop role {name}")
        engine.dispose()


def test_roles_are_for_servers(place: Path) -> None:
    run(*OPENED)
    with pytest.raises(MisuseError, match="PostgreSQL"):
        give_roles(place, "a", "b")


def test_a_backup_goes_into_a_server_and_out_again(tmp_path: Path, place: Path) -> None:
    run(*OPENED)
    store = open_store()
    back_up(store, tmp_path / "b.db")
    with new_database() as address:
        restore(tmp_path / "b.db", address)
        with pytest.raises(MisuseError, match="--replace is for files"):
            restore(tmp_path / "b.db", address, replace=True)
        assert open_store(address).ticket(1) == store.ticket(1)
    assert check_backup(tmp_path / "b.db").tickets == 1
    store.close()
