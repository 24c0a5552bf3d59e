"""Tickets: what was written stays, what was wrong can be taken back, nobody overwrites anybody."""

from __future__ import annotations

import json
import os
import random
import shlex
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from faultfinder.cli.main import commands
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.tickets.events import Event, Happened
from faultfinder.tickets.store import StaleTicket, open_store
from faultfinder.tickets.ticket import check_take_back, fold, taken_back

AT = "2026-01-01T00:00:00Z"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "with space" / "tickets.db"
    monkeypatch.setenv("FAULTFINDER_DB", str(path))
    monkeypatch.setenv("FAULTFINDER_WHO", "invented person")
    monkeypatch.delenv("FAULTFINDER_MODELS", raising=False)
    return path


def run(*words: str) -> Result:
    return CliRunner().invoke(commands, list(words))


def found(finding: str, result: str | None) -> tuple[Happened, dict[str, str | None]]:
    return (Happened.FOUND, {"finding": finding, "result": result})


# The log and the state


def log(*entries: tuple[Happened, dict[str, object]]) -> list[Event]:
    first = (Happened.INTAKE, {"model": "m", "complaint": ""})
    return [Event(n, kind, AT, "x", data) for n, (kind, data) in enumerate([first, *entries], 1)]


def test_findings_after_a_repair_speak_of_the_machine_as_it_is() -> None:
    events = log(
        found("a", "yes"),
        (Happened.TRIED, {"repair": "r", "stage": "open"}),
        found("a", "no"),
        found("b", None),
    )
    ticket = fold(1, events)
    assert ticket.findings == {"a": "yes"}
    assert ticket.stage == "open"
    (tried,) = ticket.tried
    assert (tried.repair, tried.findings, tried.unclear) == ("r", {"a": "no"}, ("b",))


def test_a_taking_back_can_be_taken_back() -> None:
    events = log(found("a", "yes"), (Happened.TAKEN_BACK, {"event": 2}))
    assert fold(1, events).findings == {}
    back = [*events, Event(4, Happened.TAKEN_BACK, AT, "x", {"event": 3})]
    assert fold(1, back).findings == {"a": "yes"}


@given(st.lists(st.integers(0, 30), max_size=25))
def test_an_entry_counts_unless_a_counting_entry_takes_it_back(choices: list[int]) -> None:
    events = log(found("a", "yes"), found("b", "yes"))
    for choice in choices:
        target = 2 + choice % (len(events) - 1)
        events.append(Event(len(events) + 1, Happened.TAKEN_BACK, AT, "x", {"event": target}))
    gone = taken_back(events)
    for event in events:
        takers = [
            later.number
            for later in events
            if later.kind is Happened.TAKEN_BACK
            and later.data["event"] == event.number
            and later.number > event.number
            and later.number not in gone
        ]
        assert (event.number in gone) == bool(takers)


def test_the_intake_and_what_is_not_there_cannot_be_taken_back() -> None:
    ticket = fold(1, log(found("a", "yes")))
    for number in (1, 3):
        with pytest.raises(MisuseError):
            check_take_back(ticket, number)


# The store


def test_who_comes_second_with_an_old_view_writes_nothing(place: Path) -> None:
    store = open_store()
    number = store.intake("m", AT, "x", "", [])
    store.append(number, 1, AT, "x", [found("a", "yes")])
    with pytest.raises(StaleTicket, match="Nothing of yours was written"):
        store.append(number, 1, AT, "y", [found("a", "no")])
    assert store.ticket(number).findings == {"a": "yes"}


WRITER = """
import sys
from faultfinder.tickets.events import Happened
from faultfinder.tickets.store import StaleTicket, open_store
number, count = int(sys.argv[1]), int(sys.argv[2])
store = open_store()
for place in range(count):
    while True:
        seen = store.ticket(number).last
        entries = [(Happened.NOTE, {"text": f"{sys.argv[3]} {place} {half}"}) for half in "ab"]
        try:
            store.append(number, seen, "t", sys.argv[3], entries)
        except StaleTicket:
            continue
        break
    print(place, flush=True)
"""


def start_writer(number: int, count: int, name: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(number), str(count), name],
        stdout=subprocess.PIPE,
        text=True,
        env=dict(os.environ),
    )


def notes(number: int) -> list[str]:
    ticket = open_store().ticket(number)
    return [event.data["text"] for event in ticket.events if event.kind is Happened.NOTE]


def test_every_acknowledged_write_survives_a_killed_process_and_none_is_half_there(
    place: Path,
) -> None:
    """About a thousand transactions of two entries each, the writer killed at random moments."""
    number = open_store().intake("m", AT, "x", "", [])
    dice = random.Random(4)
    acknowledged: set[str] = set()
    for life in range(10):
        name = f"life{life}"
        writer = start_writer(number, 1000, name)
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(dice.uniform(0.0, 0.6))
        writer.send_signal(signal.SIGKILL)
        told = [first, *writer.stdout.readlines()]
        writer.wait()
        # A last line may be cut by the kill; only whole ones were acknowledged.
        acknowledged |= {f"{name} {line.strip()}" for line in told if line.endswith("\n")}
    kept = notes(number)
    whole = {text[:-2] for text in kept if text.endswith(" a")}
    assert len(acknowledged) >= 100
    assert acknowledged <= whole
    assert len(kept) == 2 * len(whole)
    assert kept[0::2] == [f"{text[:-2]} a" for text in kept[0::2]]
    assert kept[1::2] == [f"{text[:-2]} b" for text in kept[0::2]]
    numbers = [event.number for event in open_store().ticket(number).events]
    assert numbers == list(range(1, len(numbers) + 1))


def test_eight_processes_at_once_lose_nothing(place: Path) -> None:
    number = open_store().intake("m", AT, "x", "", [])
    writers = [start_writer(number, 12, f"w{i}") for i in range(8)]
    for writer in writers:
        writer.communicate(timeout=120)
        assert writer.returncode == 0
    kept = notes(number)
    assert sorted(kept) == sorted(
        f"w{i} {place} {half}" for i in range(8) for place in range(12) for half in "ab"
    )


def test_two_processes_may_set_up_the_file_at_once(place: Path) -> None:
    code = (
        "from faultfinder.tickets.store import open_store; open_store().intake('m','t','x','',[])"
    )
    both = [subprocess.Popen([sys.executable, "-c", code], env=dict(os.environ)) for _ in range(4)]
    assert [one.wait(60) for one in both] == [0, 0, 0, 0]
    assert len(open_store().open_tickets()) == 4


def test_files_that_are_no_tickets_are_left_as_they_are(place: Path) -> None:
    place.parent.mkdir()
    place.write_bytes(b"this is a letter, and no database at all " * 100)
    before = place.read_bytes()
    done = run("tickets")
    assert done.exit_code == 1
    assert "no database of tickets" in done.output
    assert place.read_bytes() == before


def test_a_database_of_something_else_and_a_newer_one_are_refused(place: Path) -> None:
    place.parent.mkdir()
    with sqlite3.connect(place) as other:
        other.execute("create table bread (flour text)")
    assert "something else" in run("tickets").output
    place.unlink()
    open_store().close()
    with sqlite3.connect(place) as newer:
        newer.execute("update faultfinder_schema set version = 99")
    done = run("tickets")
    assert done.exit_code == 1
    assert "another version" in done.output


# The commands


def test_a_ticket_from_intake_to_closing(place: Path) -> None:
    opened = run("intake", "--saw", "earlier_repair=yes", "--saw", "backlight=dark")
    assert opened.exit_code == 0
    assert opened.output.startswith("Ticket 1 opened.")
    assert "faultfinder found 1" in opened.output
    more = run("found", "1", "image=none", "data_connector_seen=off", "--stage", "isolated")
    assert "Known: earlier_repair=yes, backlight=off, image=none, data_connector_seen=off." in (
        " ".join(more.output.split())
    )
    after = run("tried", "1", "reseat_data")
    assert "Tried: Reseat the display data plug" in after.output
    seen = run("found", "1", "backlight=on", "image=lines")
    assert "since then backlight=on, image=lines" in " ".join(seen.output.split())
    same = run("next", "1")
    assert "image=lines" in same.output
    assert "Ticket 1" in run("tickets").output
    assert run("close", "1", "--cause", "panel").exit_code == 0
    assert run("tickets").output == "No ticket is open.\n"
    assert run("found", "1", "image=none").exit_code == 1
    told = json.loads(run("ticket", "1", "--json").output)
    assert (told["outcome"], told["causes"]) == ("repaired", ["panel"])
    assert {entry["who"] for entry in told["log"]} == {"invented person"}


def test_a_ticket_says_the_same_as_the_command_line(place: Path) -> None:
    run("intake", "-s", "backlight=off", "-s", "image=none")
    on_ticket = json.loads(run("next", "1", "--json").output)
    typed = json.loads(run("next", "-s", "backlight=off", "-s", "image=none", "--json").output)
    assert on_ticket == typed


def test_what_was_wrong_is_taken_back_and_stays_in_the_log(place: Path) -> None:
    run("intake", "-s", "backlight=off")
    run("found", "1", "image=none")
    back = run("takeback", "1", "3")
    assert "Entry 3 of ticket 1 is taken back." in back.output
    assert "image=none" not in back.output
    page = run("ticket", "1").output
    assert "found image=none [taken back]" in page
    assert run("takeback", "1", "3").exit_code == 2


def test_hostile_text_is_kept_and_shown_harmlessly(place: Path) -> None:
    evil = "'); DROP TABLE event; --\x1b[2J\x07 <script>\u202e"
    run("intake", "--complaint", evil)
    assert run("note", "1", evil).exit_code == 0
    long = "x" * 1_000_000
    assert run("note", "1", long).exit_code == 0
    assert run("note", "1", long + "x").exit_code == 2
    page = run("ticket", "1").output
    assert "\x1b" not in page
    assert "\u202e" not in page
    told = json.loads(run("ticket", "1", "--json").output)
    assert told["complaint"] == evil
    assert told["log"][-1]["data"]["text"] == long


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("found", "9", "image=none"), 2, "no ticket 9"),
        (("found", "1", "imgae=none"), 2, "image"),
        (("found", "1", "image=none", "image=lines"), 2, "twice"),
        (("tried", "1", "reseat_dat"), 2, "reseat_data"),
        (("close", "1"), 2, "--cause"),
        (("close", "1", "--cause", "panle"), 2, "panel"),
        (("close", "1", "--outcome", "repaired"), 2, "--cause"),
        (("next", "1", "--saw", "image=none"), 2, "found 1"),
        (("takeback", "1", "1"), 2, "intake"),
        (("found", "1", "backlight=off", "--stage", "clsoed"), 2, "closed"),
    ],
)
def test_misuse_is_a_sentence_and_nothing_is_written(
    place: Path, words: tuple[str, ...], status: int, said: str
) -> None:
    run("intake", "-s", "backlight=off")
    done = run(*words)
    assert done.exit_code == status
    assert said in done.output
    assert open_store().ticket(1).last == 2


def test_an_unreadable_log_is_a_sentence(place: Path) -> None:
    run("intake", "-s", "backlight=off")
    with sqlite3.connect(place) as other:
        other.execute("update event set kind = 'sung' where number = 2")
    with pytest.raises(FaultfinderError, match="newer version"):
        open_store().ticket(1)


def test_the_commands_of_the_readme_work_as_shown(place: Path) -> None:
    text = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    section = text[text.index("## Tickets") : text.index("## What the numbers mean")]
    block = section.split("```sh\n")[1].split("```")[0]
    lines = [line.split("  #")[0] for line in block.splitlines()]
    assert len(lines) >= 10
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "faultfinder"
        done = run(*words)
        assert done.exit_code == 0, f"{line}: {done.output}"
