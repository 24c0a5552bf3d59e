"""Tickets: what was written stays, what was wrong can be taken back, nobody overwrites anybody."""

from __future__ import annotations

import json
import shlex
import sqlite3
from dataclasses import MISSING
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from faultfinder.cli.main import commands
from faultfinder.errors import MisuseError
from faultfinder.inference.loading import load_model
from faultfinder.tickets.events import KINDS, Entry, Event, Found, Intake, TakenBack, Tried
from faultfinder.tickets.limits import stamp
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.ticket import check_take_back, fold, taken_back
from tests import MODELS, MODELS_BEFORE

AT = "2026-01-01T00:00:00Z"
THIN = ("-m", "thin_clamshell")


def test_another_folder_of_models_is_looked_in_anew(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ticket without a version goes by the model of its name, as it is now."""
    open_store(make=True).intake("thin_clamshell", AT, "x", [Intake("thin_clamshell")], None)
    before = json.loads(run("next", "1", "--json").output)
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    after = json.loads(run("next", "1", "--json").output)
    assert {c["cause"] for c in before["causes"]} != {c["cause"] for c in after["causes"]}


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "with space" / "tickets.db"
    monkeypatch.setenv("FAULTFINDER_DB", str(path))
    monkeypatch.setenv("FAULTFINDER_WHO", "invented person")
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))
    return path


def run(*words: str) -> Result:
    return CliRunner().invoke(commands, list(words))


def found(finding: str, result: str | None) -> Entry:
    return Found(finding, result)


INTAKE = Intake("m")


# The log and the state


def log(*entries: Entry) -> list[Event]:
    return [Event(n, AT, "x", e) for n, e in enumerate([INTAKE, *entries], 1)]


def test_findings_after_a_repair_speak_of_the_machine_as_it_is() -> None:
    events = log(
        found("a", "yes"),
        Tried("r", "open"),
        found("a", "no"),
        found("b", None),
    )
    ticket = fold(1, events)
    assert ticket.findings == {"a": "yes"}
    assert ticket.stage == "open"
    (tried,) = ticket.tried
    assert (tried.repair, tried.findings, tried.unclear) == ("r", {"a": "no"}, ("b",))


def test_a_taking_back_can_be_taken_back() -> None:
    events = log(found("a", "yes"), TakenBack(2))
    assert fold(1, events).findings == {}
    back = [*events, Event(4, AT, "x", TakenBack(3))]
    assert fold(1, back).findings == {"a": "yes"}


@given(st.lists(st.integers(0, 30), max_size=25))
def test_an_entry_counts_unless_a_counting_entry_takes_it_back(choices: list[int]) -> None:
    events = log(found("a", "yes"), found("b", "yes"))
    for choice in choices:
        target = 2 + choice % (len(events) - 1)
        events.append(Event(len(events) + 1, AT, "x", TakenBack(target)))
    gone = taken_back(events)
    for event in events:
        takers = [
            later.number
            for later in events
            if isinstance(later.entry, TakenBack)
            and later.entry.entry == event.number
            and later.number > event.number
            and later.number not in gone
        ]
        assert (event.number in gone) == bool(takers)


def test_the_intake_and_what_is_not_there_cannot_be_taken_back() -> None:
    ticket = fold(1, log(found("a", "yes")))
    for number in (1, 3):
        with pytest.raises(MisuseError):
            check_take_back(ticket, number)


# The commands


def test_a_ticket_from_intake_to_closing(place: Path) -> None:
    opened = run("intake", *THIN, "--saw", "earlier_repair=yes", "--saw", "backlight=dark")
    assert opened.exit_code == 0
    assert opened.output.startswith("Ticket 1 opened.")
    assert "faultfinder found 1" in opened.output
    more = run("found", "1", "image=none", "data_connector_seen=off", "--stage", "isolated")
    assert more.output.rstrip().endswith(
        "4 known: data_connector_seen=off, image=none, backlight=off, earlier_repair=yes"
    )
    after = run("tried", "1", "reseat_data")
    assert "tried reseat_data" in after.output
    run("found", "1", "backlight=on", "image=lines")
    seen = run("next", "1", "--full")
    assert "since then backlight=on, image=lines" in " ".join(seen.output.split())
    same = run("next", "1")
    assert "image=lines" in same.output
    assert "Ticket 1" in run("tickets").output
    assert "not passed yet" not in run("repaired", "1", "new_assembly").output
    assert run("close", "1", "--cause", "panel").exit_code == 1
    proofs = load_model("thin_clamshell").model.repairs_by_name["new_assembly"].proof
    left = run("proved", "1", *(f"{name}=pass" for name in proofs[1:])).output
    assert "Still to prove" in left
    assert "All proof tests are passed" in run("proved", "1", f"{proofs[0]}=pass").output
    assert run("close", "1", "--cause", "panel").exit_code == 0
    assert run("tickets").output == "No such ticket. Closed ones: --closed, both: --all.\n"
    assert run("found", "1", "image=none").exit_code == 1
    told = json.loads(run("ticket", "1", "--json").output)
    assert (told["outcome"], told["causes"]) == ("repaired", ["panel"])
    assert {entry["who"] for entry in told["log"]} == {"invented person"}


def test_a_ticket_says_the_same_as_the_command_line(place: Path) -> None:
    run("intake", *THIN, "-s", "backlight=off", "-s", "image=none")
    on_ticket = json.loads(run("next", "1", "--json").output)
    typed = json.loads(
        run("next", *THIN, "-s", "backlight=off", "-s", "image=none", "--json").output
    )
    assert on_ticket == typed


def test_what_was_wrong_is_taken_back_and_stays_in_the_log(place: Path) -> None:
    run("intake", *THIN, "-s", "backlight=off")
    run("found", "1", "image=none")
    back = run("takeback", "1", "3")
    assert "Entry 3 of ticket 1 is taken back." in back.output
    assert "image=none" not in back.output
    page = run("ticket", "1").output
    assert "found image=none [taken back]" in page
    assert run("takeback", "1", "3").exit_code == 2


def test_hostile_text_is_kept_and_shown_harmlessly(place: Path) -> None:
    evil = "'); DROP TABLE event; --\x1b[2J\x07 <script>\u202e"
    run("intake", *THIN, "--complaint", evil)
    assert run("note", "1", evil).exit_code == 0
    long = "x" * 1_000_000
    assert run("note", "1", long).exit_code == 0
    assert run("note", "1", long + "x").exit_code == 2
    page = run("ticket", "1").output
    assert "\x1b" not in page
    assert "\u202e" not in page
    told = json.loads(run("ticket", "1", "--json").output)
    assert told["complaint"] == evil
    assert told["log"][-1]["texts"]["note"] == long


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("found", "9", "image=none"), 2, "no ticket 9"),
        (("found", "1", "imgae=none"), 2, "image"),
        (("found", "1", "image=none", "image=lines"), 2, "twice"),
        (("tried", "1", "reseat_dat"), 2, "reseat_data"),
        (("close", "1"), 2, "--cause"),
        (("close", "1", "--cause", "panel"), 1, "repaired 1 REPAIR"),
        (("proved", "1", "camera=pass"), 1, "no repair to prove"),
        (("repaired", "1", "reseat_dat"), 2, "reseat_data"),
        (("ordered", "1", "flex", "--due", "tomorrow"), 2, "YYYY-MM-DD"),
        (("arrived", "1"), 2, "Nothing is on order"),
        (("resume", "1"), 1, "not on hold"),
        (("remodel", "1"), 1, "already"),
        (("person", "1"), 2, "--customer"),
        (("intake", "--comeback-of", "1"), 1, "still open"),
        (("tickets", "--since", "monday"), 2, "YYYY-MM-DD"),
        (("hold", "1", "nobody"), 2, "customer"),
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
    run("intake", *THIN, "-s", "backlight=off")
    done = run(*words)
    assert done.exit_code == status
    assert said in done.output
    assert open_store().ticket(1).last == 2


def test_an_entry_that_cannot_be_read_is_shown_and_counts_for_nothing(place: Path) -> None:
    run("intake", *THIN, "-s", "backlight=off", "-s", "image=none")
    with sqlite3.connect(place) as other:
        other.execute("update event set kind = 'sung' where number = 2")
    ticket = open_store().ticket(1)
    assert ticket.findings == {"image": "none"}
    (damage,) = ticket.damage
    assert damage.startswith("entry 2: kind ")
    assert "newer version" in damage
    shown = " ".join(run("ticket", "1").output.split())
    assert "Blocked: its log is damaged, entry 2: kind" in shown
    assert 'sung {"finding": "backlight"' in shown
    assert "its log is damaged" in run("next", "1").output
    # Taking it back mends the ticket; the log keeps both.
    assert run("takeback", "1", "2").exit_code == 0
    assert open_store().ticket(1).damage == ()


def test_the_commands_of_the_readme_work_as_shown(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    readme = Path(__file__).parent.parent / "README.md"
    text = readme.read_text(encoding="utf-8")
    blocks = [block.split("```")[0] for block in text.split("```sh\n")[1:]]
    blocks = [b for b in blocks if any(w in b for w in (" intake ", " tried ", " import "))]
    lines = [line.split("  #")[0] for block in blocks for line in block.splitlines()]
    assert len(lines) >= 20
    (tmp_path / "demo_data").symlink_to(readme.parent / "demo_data")
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    monkeypatch.chdir(tmp_path)
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "faultfinder"
        done = run(*words)
        assert done.exit_code == 0, f"{line}: {done.output}"


def test_what_a_field_is_without_being_said_is_within_its_limits() -> None:
    """An entry does not check it."""
    for kind in KINDS.values():
        for slot in kind._all_slots():
            if slot.default is not MISSING:
                assert slot.check(slot.default) == slot.default, (kind, slot)


TIMES = st.tuples(*(st.integers(0, most) for most in (2100, 13, 32, 25, 61, 61)))


@given(TIMES)
def test_a_time_is_taken_where_the_calendar_has_it(parts: tuple[int, ...]) -> None:
    year, month, day, hour, minute, second = parts
    written = f"{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z"
    try:
        datetime(year, month, day, hour, minute, second)
    except ValueError:
        with pytest.raises(ValueError, match=r"looks like|no such"):
            stamp(written)
    else:
        assert stamp(written) == written
    for other in (f"{written}\n", written[:-1], f" {written}", written.replace("0", "\u0660")):
        if other != written:
            with pytest.raises(ValueError, match="looks like"):
                stamp(other)
