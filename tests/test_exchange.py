"""Tickets go out as files and come back the same, or not at all."""

from __future__ import annotations

import csv
import io
import json
import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from faultfinder.cli.exchange_commands import bring_in, hand_out
from faultfinder.errors import FaultfinderError, MisuseError, ModelFileError
from faultfinder.inference.loading import load_model
from faultfinder.tickets.events import (
    Closed,
    Entry,
    Found,
    Held,
    Intake,
    Note,
    Ordered,
    Person,
    TakenBack,
    Tried,
)
from faultfinder.tickets.exchange.csv_cells import delimiter_of, shielded, to_row, unshielded
from faultfinder.tickets.limits import TEXT_LIMIT
from faultfinder.tickets.opening import open_store as open_there
from faultfinder.tickets.store import Store
from faultfinder.tickets.tables import EVENT, FREE_TEXT, TICKET
from tests import MODELS_BEFORE
from tests.stores import new_database

AT = "2026-01-05T10:00:00Z"
LATER = "2026-01-07T16:30:00Z"
FULL = ("--with-texts", "--with-person")

HOSTILE = (
    "'); drop table ticket; --",
    '=cmd|" /c invented"!A1',
    "+1 'quoted', \"twice\";\tand\ttabs",
    "'=already shielded",
    "-\x00\x01\x07\x1b[31mred\x1b[0m\x85",
    "half \ud800 and \udfff, back\\slash \\u0041",
    "lines\nof\r\nall\rkinds\u2028",
    "  spaces around  ",
    "\u202eright to left \N{CRYING FACE}",
    "@" + "x" * (TEXT_LIMIT - 1),
)


def open_store(place: str | Path | None = None) -> Store:
    """A store that is made where there is none."""
    return open_there(place, make=True)


@pytest.fixture(autouse=True)
def own_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    monkeypatch.setenv("FAULTFINDER_WHO", "invented person")
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))


@pytest.fixture
def other_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    return lambda name: monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / name))


def run_import(*words: str) -> Result:
    return CliRunner().invoke(bring_in, list(words))


def run_export(*words: str) -> Result:
    return CliRunner().invoke(hand_out, list(words))


def done(result: Result) -> Result:
    if result.exception is not None:
        raise result.exception
    return result


def found(finding: str, result: str | None) -> Entry:
    return Found(finding, result)


def closed(outcome: str, *causes: str) -> Entry:
    return Closed(outcome, causes)


def a_ticket(store: Store, *entries: Entry, first: int | None = None, **texts: str) -> int:
    intake = Intake("thin_clamshell", **texts)
    number = store.intake("thin_clamshell", AT, "invented anna", [intake], first)
    if entries:
        store.append(number, 1, LATER, "invented ben", entries)
    return number


def some_tickets() -> None:
    """Open, closed, taken back, come back, with all kinds of entries and texts."""
    store = open_store()
    tried = Tried("reseat_data", "cover_off")
    first = a_ticket(
        store,
        found("backlight", "off"),
        found("image", None),
        tried,
        found("backlight", "on"),
        Closed("repaired", ("panel", "data_flex"), bench_minutes=82.5),
        complaint="Invented: dark, since Monday",
        customer="Invented Person",
        serial="INV-1",
    )
    a_ticket(store, found("glass", "cracked"), TakenBack(2))
    a_ticket(
        store,
        Ordered("a flex", price=12.5),
        Held("customer", "asked by phone"),
        Person(contact="invented@example.org"),
        Note("half done", hand_over=True),
        Closed("customer declined", (), billed=12.345),
        first=first,
    )
    for text in HOSTILE:
        a_ticket(store, complaint=text, condition=text)
    store.close()


def everything() -> list[tuple[object, ...]]:
    """All rows of the store, to see that nothing changed."""
    store = open_store()
    with store.database.transaction(write=False) as connection:
        rows = [
            tuple(row)
            for table in (TICKET, EVENT, FREE_TEXT)
            for row in connection.execute(sa.select(table))
        ]
    store.close()
    return rows


def lines_of(path: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in Path(path).read_text(encoding="ascii").splitlines()]


# JSON Lines


def test_a_full_export_brought_into_an_empty_store_exports_the_same_bytes(
    other_place: Callable[[str], None],
) -> None:
    some_tickets()
    done(run_export("a.jsonl", *FULL))
    other_place("other.db")
    done(run_import("a.jsonl"))
    done(run_export("b.jsonl", *FULL))
    assert Path("a.jsonl").read_bytes() == Path("b.jsonl").read_bytes()
    assert len(lines_of("a.jsonl")) == 3 + len(HOSTILE)


@pytest.mark.parametrize("options", [(), ("--with-texts",), ("--with-person",)])
def test_a_reduced_export_comes_back_as_itself(
    options: tuple[str, ...], other_place: Callable[[str], None]
) -> None:
    some_tickets()
    done(run_export("a.jsonl", *options))
    other_place("other.db")
    done(run_import("a.jsonl"))
    done(run_export("b.jsonl", *options))
    assert Path("a.jsonl").read_bytes() == Path("b.jsonl").read_bytes()


def test_an_export_says_nothing_about_persons_or_in_words_unless_asked() -> None:
    some_tickets()
    done(run_export("plain.jsonl"))
    done(run_export("texts.jsonl", "--with-texts"))
    done(run_export("person.jsonl", "--with-person"))
    plain = Path("plain.jsonl").read_text()
    for word in ("Invented", "invented", "INV-1", "example", "half done", 'flex"', "Monday"):
        assert word not in plain.replace('"data_flex"', "")
    assert '"who":"staff 1"' in plain
    assert '"who":"staff 2"' in plain
    texts, person = Path("texts.jsonl").read_text(), Path("person.jsonl").read_text()
    assert "Monday" in texts
    assert "invented anna" in texts
    assert "INV-1" not in texts
    assert "INV-1" in person
    assert "invented@example.org" in person
    assert "Monday" not in person
    assert "invented anna" not in person


def test_the_same_file_twice_doubles_nothing() -> None:
    some_tickets()
    before = everything()
    for options in ((), FULL):
        done(run_export("a.jsonl", "--replace", *options))
        result = done(run_import("a.jsonl"))
        assert f"0 new, {3 + len(HOSTILE)} there already" in result.output
        assert everything() == before


def test_another_log_under_a_key_that_is_there_is_refused() -> None:
    some_tickets()
    done(run_export("a.jsonl", *FULL))
    tickets = lines_of("a.jsonl")
    tickets[1]["events"][1]["data"]["result"] = "whole"  # type: ignore[index]
    write_lines("b.jsonl", tickets)
    before = everything()
    result = run_import("b.jsonl")
    assert isinstance(result.exception, FaultfinderError)
    assert re.search(r"^Line 2, key: .* entry 2 says something else\.$", result.stderr, re.M)
    assert everything() == before


def write_lines(path: str, tickets: list[dict[str, object]]) -> None:
    Path(path).write_text("".join(json.dumps(ticket) + "\n" for ticket in tickets))


def line(key: str, *, first: str | None = None, **changes: object) -> dict[str, object]:
    intake = {"number": 1, "kind": "intake", "at": AT, "who": "x"}
    events = [intake | {"data": {"model": "thin_clamshell"}}]
    made: dict[str, object] = {"faultfinder_ticket": 1, "key": key, "model": "thin_clamshell"}
    return made | {"first_ticket": first, "events": events} | changes


def event(number: int, kind: str, at: str = LATER, **data: object) -> dict[str, object]:
    return {"number": number, "kind": kind, "at": at, "who": "x", "data": data}


def events(*more: dict[str, object]) -> list[dict[str, object]]:
    return [event(1, "intake", AT, model="thin_clamshell"), *more]


def test_a_first_ticket_may_come_later_in_the_file() -> None:
    write_lines("a.jsonl", [line("b", first="a"), line("c", first="gone"), line("a")])
    result = done(run_import("a.jsonl"))
    assert "1 ticket came back from a first ticket that is not here" in result.stderr
    store = open_store()
    assert [store.ticket(number).first_ticket for number in (1, 2, 3)] == [3, None, None]
    write_lines("b.jsonl", [line("gone"), line("c", first="gone")])
    assert "1 new, 1 there already" in done(run_import("b.jsonl")).output
    assert store.ticket(2).first_ticket == 4
    store.close()


@pytest.mark.parametrize(
    ("bad", "column", "reason"),
    [
        (line(""), "key", "is empty"),
        (line("a\x1bb"), "key", "is no key"),
        (line("a", first="a"), "first_ticket", "itself"),
        (line("a", faultfinder_ticket=2), "faultfinder_ticket", "reads 1"),
        (line("a", faultfinder_ticket=True), "faultfinder_ticket", "reads 1"),
        (line("a", extra=1), "extra", "no part"),
        (line("a", model="other"), "model", "otherwise"),
        (line("a", events=[]), "events", "no list"),
        (line("a", events=events(event(3, "note"))), "entry 2", "count 1, 2, 3"),
        (line("a", events=events(event(2, "danced"))), "entry 2, kind", "newer version"),
        (line("a", events=events(event(2, "found", finding="x"))), "entry 2, result", "is missing"),
        (
            line("a", events=events(event(2, "found", finding=[], result=None))),
            "entry 2, finding",
            "no name",
        ),
        (
            line("a", events=events(event(2, "taken back", event=2))),
            "entry 2, event",
            "cannot take",
        ),
        (line("a", events=events(event(2, "note", "2999-01-01T00:00:00Z"))), "at", "to come"),
        (line("a", events=events(event(2, "note", "2026-02-30T00:00:00Z"))), "at", "no such"),
        (line("a", events=events(event(2, "note", "yesterday"))), "at", "looks like"),
        (
            line("a", events=events(event(2, "closed", outcome="fixed", causes=[]))),
            "outcome",
            "not established",
        ),
        (
            line("a", events=events(event(2, "closed", outcome="repaired", causes=[]))),
            "causes",
            "confirmed cause",
        ),
        (
            line(
                "a",
                events=events(
                    event(2, "closed", "2025-01-01T00:00:00Z", outcome="uneconomic", causes=[])
                ),
            ),
            "closed_at",
            "before it was opened",
        ),
        (line("a", events=events(event(2, "held", **{"for": 3}))), "entry 2, for", "Known here"),
    ],
)
def test_a_line_that_is_no_sound_ticket_is_told_with_line_column_and_reason(
    bad: dict[str, object], column: str, reason: str
) -> None:
    write_lines("a.jsonl", [line("good"), bad])
    result = run_import("a.jsonl")
    assert isinstance(result.exception, FaultfinderError)
    told = result.stderr.splitlines()[0]
    assert told.startswith("Line 2, ")
    assert column in told
    assert reason in told


@pytest.mark.parametrize(
    "text",
    [
        "[1, 2",
        "3",
        "null",
        "[" * 100_000,
        '{"a": NaN}',
        '{"a": 1e999}',
        '{"a": ' + "9" * 5000 + "}",
    ],
)
def test_a_line_that_is_no_json_object_is_a_bad_row(text: str) -> None:
    Path("a.jsonl").write_text(text + "\n")
    result = run_import("a.jsonl")
    assert isinstance(result.exception, FaultfinderError)
    assert result.stderr.startswith("Line 1, ")


@pytest.mark.parametrize(
    ("kind", "data", "said"),
    [
        ("closed", {"outcome": "repaired", "causes": ["panal"]}, "Did you mean panel?"),
        ("found", {"finding": "backlit", "result": "off"}, "Did you mean backlight?"),
        ("found", {"finding": "backlight", "result": "green"}, "no result of backlight"),
        ("tried", {"repair": "reseat_date", "stage": "closed"}, "Did you mean reseat_data?"),
        ("tried", {"repair": "reseat_data", "stage": "close"}, "Did you mean closed?"),
        ("moved", {"stage": "moon"}, "no stage of the model"),
    ],
)
def test_a_name_that_the_model_does_not_know_is_refused_unless_another_version_wrote_it(
    kind: str, data: dict[str, object], said: str
) -> None:
    present = load_model("thin_clamshell").model.digest[:12]
    for version in ({}, {"model": present}):
        write_lines("a.jsonl", [line("a", events=events(event(2, kind, **data, **version)))])
        result = run_import("a.jsonl")
        assert isinstance(result.exception, FaultfinderError)
        assert said in result.stderr
    old = event(2, kind, **data, model="0123456789ab")
    write_lines("a.jsonl", [line("a", events=events(old))])
    done(run_import("a.jsonl"))


def test_tickets_of_a_model_that_is_not_here_are_kept_as_they_are() -> None:
    intake = event(1, "intake", AT, model="/elsewhere/model.yaml")
    write_lines("a.jsonl", [line("a", model="/elsewhere/model.yaml", events=[intake])])
    done(run_import("a.jsonl"))
    done(run_export("b.jsonl"))
    assert lines_of("b.jsonl")[0]["model"] == "/elsewhere/model.yaml"


# Tables


def table(*rows: str, columns: str = "backlight,image") -> str:
    head = "key,model,opened_at,closed_at,outcome,causes,tried," + columns
    return "\n".join([head, *rows]) + "\n"


GOOD = f"k1,thin_clamshell,{AT},{LATER},repaired,panel;data_flex,reseat_data,off,unknown"


def test_a_table_brought_in_and_written_again_has_the_same_bytes(
    other_place: Callable[[str], None],
) -> None:
    some_tickets()
    done(run_export("a.csv", "--with-texts"))
    other_place("other.db")
    done(run_import("a.csv"))
    done(run_export("b.csv", "--with-texts"))
    assert Path("a.csv").read_bytes() == Path("b.csv").read_bytes()
    done(run_export("c.csv"))
    assert "complaint" not in Path("c.csv").read_text()


def test_a_table_of_tickets_that_are_there_changes_nothing() -> None:
    some_tickets()
    before = everything()
    done(run_export("a.csv", "--with-texts"))
    assert f"0 new, {3 + len(HOSTILE)} there already" in done(run_import("a.csv")).output
    assert everything() == before


def test_a_row_becomes_a_ticket_with_what_was_found_and_how_it_ended() -> None:
    Path("a.csv").write_text(table(GOOD, f"k2,thin_clamshell,{AT},,,,,,"))
    result = done(run_import("a.csv"))
    assert "2 new, 0 there already, 0 left out.\nThe new ones: 1 open, 1 repaired." in result.output
    store = open_store()
    ticket = store.ticket(1)
    assert ticket.findings == {"backlight": "off", "image": None}
    assert (ticket.opened_at, ticket.closed_at) == (AT, LATER)
    assert (ticket.outcome, ticket.causes) == ("repaired", ("panel", "data_flex"))
    assert [step.repair for step in ticket.tried] == ["reseat_data"]
    assert store.ticket(2).open
    assert [ticket.number for ticket in store.open_tickets()] == [2]
    store.close()


def test_bench_time_comes_with_a_table_only_where_it_tells_one() -> None:
    some_tickets()
    done(run_export("a.csv"))
    rows = list(csv.DictReader(Path("a.csv").read_text().splitlines()))
    assert [row["bench_minutes"] for row in rows[:3]] == ["82.5", "", ""]
    Path("b.csv").write_text(Path("a.csv").read_text().replace(",82.5,", ",83,"))
    assert "bench time differs" in run_import("b.csv").stderr
    for wrong, reason in (("soon", "no time in minutes"), ("0", "above 0"), ("nan", "above 0")):
        Path("b.csv").write_text(Path("a.csv").read_text().replace(",82.5,", f",{wrong},"))
        assert re.search(f"^Line 2, bench_minutes: .*{reason}", run_import("b.csv").stderr, re.M)
    # An older table has no such column, and says nothing of it.
    for row in rows:
        del row["bench_minutes"]
    with Path("c.csv").open("w", newline="") as out:
        writer = csv.DictWriter(out, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    assert f"{len(rows)} there already" in done(run_import("c.csv")).output


def test_what_was_billed_comes_with_a_table_only_where_it_tells_it() -> None:
    columns = "billed,backlight,image"
    row = GOOD.replace("reseat_data,", "reseat_data,1049.5,")
    Path("a.csv").write_text(table(row, columns=columns))
    done(run_import("a.csv"))
    store = open_store()
    assert store.ticket(1).billed == 1049.5
    store.close()
    Path("b.csv").write_text(table(GOOD))  # as earlier versions wrote it
    assert "0 new, 1 there already" in done(run_import("b.csv")).output
    other = "what was billed differs"
    wrong = {"90": other, "": other, "much": "no amount", "-1": "An amount is", "nan": "amount is"}
    for cell, said in wrong.items():
        Path("c.csv").write_text(table(row.replace("1049.5", cell), columns=columns))
        result = run_import("c.csv")
        assert isinstance(result.exception, FaultfinderError)
        assert said in result.stderr
    still_open = f"k2,thin_clamshell,{AT},,,,,80,,"
    Path("d.csv").write_text(table(still_open, columns=columns))
    assert "Line 2, billed: is 80, though the ticket is open." in run_import("d.csv").stderr


def test_tickets_opened_after_an_import_get_new_numbers() -> None:
    Path("a.csv").write_text(table(GOOD))
    done(run_import("a.csv"))
    store = open_store()
    assert a_ticket(store) == 2
    store.close()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_delimiter_line_ends_and_mark_of_the_file_do_not_matter(delimiter: str, end: str) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end)
    head, row = table(GOOD).splitlines()
    writer.writerow([*head.split(","), "complaint"])
    writer.writerow([*row.split(","), 'two\nlines, "quoted"; and\ta tab'])
    Path("a.csv").write_bytes(b"\xef\xbb\xbf" + out.getvalue().encode())
    done(run_import("a.csv"))
    store = open_store()
    assert store.ticket(1).complaint == 'two\nlines, "quoted"; and\ta tab'
    store.close()


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        (GOOD.replace("k1", ""), "key", "empty"),
        (GOOD.replace("thin_clamshell", "other"), "model", "this table is of"),
        (GOOD.replace(AT, "5.1.2026"), "opened_at", "looks like 2026"),
        (GOOD.replace(AT, ""), "opened_at", "empty"),
        (GOOD.replace(AT, "2999-01-01T00:00:00Z"), "opened_at", "to come"),
        (GOOD.replace(LATER, "2025-12-31T00:00:00Z"), "closed_at", "before it was opened"),
        (GOOD.replace("repaired", "mended"), "outcome", "not established"),
        (GOOD.replace("repaired", ""), "outcome", "closed"),
        (GOOD.replace(LATER, ""), "closed_at", "it ended: repaired"),
        (GOOD.replace("panel;data_flex", ""), "causes", "confirmed cause"),
        (GOOD.replace("data_flex", "data_flux"), "causes", "Did you mean data_flex?"),
        (GOOD.replace("reseat_data", "kick"), "tried", "There is no"),
        (GOOD.replace("off", "green"), "backlight", "It can be"),
        (GOOD.replace("off", "x" * 10_000_000), "backlight", "10,000,000 characters"),
        (GOOD + ",more", "the row", "10 cells"),
        ("k1", "the row", "1 cells"),
    ],
)
def test_a_bad_row_is_told_with_line_column_and_reason(row: str, column: str, reason: str) -> None:
    Path("a.csv").write_text(table(GOOD.replace("k1", "k0"), row))
    result = run_import("a.csv")
    assert isinstance(result.exception, FaultfinderError)
    assert result.exception.exit_status == 1
    told = result.stderr.splitlines()
    assert len(told) == 1
    assert told[0].startswith(f"Line 3, {column}: ")
    assert reason in told[0]
    assert len(told[0]) < 1000


def test_all_that_is_wrong_is_told_and_lines_count_quoted_line_ends() -> None:
    rows = [
        f'k1,thin_clamshell,{AT},,,,,off,none,"a\nb"',
        f"k2,thin_clamshell,{AT},,,,,blue,red,",
        f"k3,thin_clamshell,{AT},{LATER},uneconomic,,,off,,",
        "k4,thin_clamshell,later,,,,,,,",
    ]
    Path("a.csv").write_text(table(*rows, columns="backlight,image,complaint"))
    result = run_import("a.csv")
    assert [told.split(":")[0] for told in result.stderr.splitlines()] == [
        "Line 4, backlight",
        "Line 4, image",
        "Line 6, opened_at",
    ]
    assert "2 rows" in str(result.exception)
    assert everything() == []
    assert run_import("a.csv", "--skip-bad").exit_code == 0
    assert [row[1] for row in everything()[:2]] == ["k1", "k3"]


def test_a_dry_run_tells_everything_and_writes_nothing() -> None:
    Path("a.csv").write_text(table(GOOD, GOOD.replace("k1", "k2")))
    done(run_import("a.csv"))
    before = everything()
    more = [GOOD.replace("k1", "k3"), GOOD.replace("k1", "k4").replace("off", "blue")]
    Path("b.csv").write_text(table(GOOD, *more))
    result = run_import("b.csv", "--dry-run", "--skip-bad")
    assert result.exit_code == 0
    assert "Nothing was written" in result.output
    assert "1 new, 1 there already, 1 left out.\nThe new ones: 1 repaired." in result.output
    assert everything() == before
    refused = run_import("b.csv", "--dry-run")
    assert isinstance(refused.exception, FaultfinderError)
    assert "1 new, 1 there already, 1 bad." in refused.output
    assert everything() == before


def test_the_same_key_twice_in_a_file_is_one_ticket_or_a_bad_row() -> None:
    Path("a.csv").write_text(table(GOOD, GOOD))
    assert "1 new, 1 there already" in done(run_import("a.csv")).output
    again = [GOOD.replace("k1", "k5"), GOOD.replace("k1", "k5").replace("off", "on")]
    Path("b.csv").write_text(table(*again))
    result = run_import("b.csv")
    assert "Line 3, key: k5 is the key of a ticket of this file" in result.stderr


def test_a_file_longer_than_a_batch_is_taken_whole_or_not_at_all() -> None:
    rows = [GOOD.replace("k1", f"k{number}") for number in range(2_500)]
    Path("a.csv").write_text(table(*rows, GOOD.replace("off", "blue")))
    assert isinstance(run_import("a.csv").exception, FaultfinderError)
    assert everything() == []
    assert "2,500 new, 0 there already, 1 left out" in run_import("a.csv", "--skip-bad").output
    assert "0 new, 2,500 there already, 1 left out" in run_import("a.csv", "--skip-bad").output


def test_a_table_holds_the_tickets_of_one_model() -> None:
    store = open_store()
    a_ticket(store)
    store.intake("other_model", AT, "x", [Intake("other_model")])
    store.close()
    with pytest.raises(MisuseError, match=r"other_model and thin_clamshell.*--model"):
        done(run_export("a.csv"))
    assert not Path("a.csv").exists()
    done(run_export("a.csv", "--model", "thin_clamshell"))
    assert len(Path("a.csv").read_text().splitlines()) == 2
    with pytest.raises(MisuseError, match="no such tickets of thick"):
        done(run_export("a.jsonl", "--model", "thick"))
    done(run_export("a.jsonl", "--model", "other_model"))
    assert [ticket["model"] for ticket in lines_of("a.jsonl")] == ["other_model"]


def test_open_and_closed_tickets_can_be_written_alone() -> None:
    some_tickets()
    done(run_export("open.jsonl", "--open"))
    done(run_export("closed.jsonl", "--closed"))
    assert len(lines_of("closed.jsonl")) == 2
    assert len(lines_of("open.jsonl")) == 1 + len(HOSTILE)


# Cells that a spreadsheet would run


@given(st.text() | st.from_regex(r"'*[=+\-@\t\r].*"))
def test_no_cell_is_run_and_each_is_read_back_as_it_was(text: str) -> None:
    cell = shielded(text)
    assert cell[:1] not in ("=", "+", "-", "@", "\t", "\r")
    assert unshielded(cell) == text


@given(
    st.lists(
        st.text(st.characters(exclude_categories=["Cs"])) | st.from_regex(r"'*[=+\-@\t\r]\w*"),
        min_size=2,
        max_size=5,
    )
)
def test_a_standard_reader_gets_the_cells_back_from_a_row(cells: list[str]) -> None:
    (read,) = csv.reader(io.StringIO(to_row(cells), newline=""), strict=True)
    assert [unshielded(cell) for cell in read] == cells


@pytest.mark.parametrize(
    ("header", "delimiter"), [("a;b", ";"), ("a,b;c,d", ","), ('"a,b,c";d', ";"), ("a\tb", "\t")]
)
def test_the_delimiter_is_told_from_the_header(header: str, delimiter: str) -> None:
    assert delimiter_of(header) == delimiter


def test_results_that_no_column_takes_are_told_and_not_lost_unseen() -> None:
    old = event(2, "found", finding="long_gone", result="yes", model="0123456789ab")
    write_lines("a.jsonl", [line("a", events=events(old)), line("b")])
    done(run_import("a.jsonl"))
    assert "1 ticket with results of findings" in done(run_export("a.csv")).stderr
    done(run_export("b.jsonl"))
    assert "long_gone" in Path("b.jsonl").read_text()


# Maps of columns

SHOP = """faultfinder_columns: 1
model: thin_clamshell
key: Job
opened: {column: In, format: "%d/%m/%Y"}
closed: {column: Out, format: "%d/%m/%Y"}
outcome:
  column: End
  results: {ok: repaired, ber: uneconomic}
causes:
  column: Fault
  split: "+"
  results: {screen: panel, hinge wire: data_flex}
complaint: Said
findings:
  backlight: {column: Light, results: {nope: off, "?!": unknown}}
  image: Light
ignore: [Bench]
"""
SHOP_TABLE = """Job;In;Out;End;Fault;Said;Light;Bench
A-1;05/01/2026;07/01/2026;OK;Screen + Hinge-Wire;Dark;off;3
"""


def shop(columns: str = SHOP, rows: str = SHOP_TABLE) -> Result:
    Path("columns.yaml").write_text(columns)
    Path("shop.csv").write_text(rows)
    return run_import("shop.csv", "--map", "columns.yaml")


def test_a_map_reads_the_table_of_another_program() -> None:
    done(shop(SHOP.replace("  image: Light\n", "")))
    store = open_store()
    ticket = store.ticket(1)
    assert (ticket.key, ticket.complaint) == ("A-1", "Dark")
    assert (ticket.opened_at, ticket.closed_at) == ("2026-01-05T00:00:00Z", "2026-01-07T00:00:00Z")
    assert (ticket.outcome, ticket.causes) == ("repaired", ("panel", "data_flex"))
    assert ticket.findings == {"backlight": "off"}
    store.close()
    assert "0 new, 1 there already" in done(run_import("shop.csv", "--map", "columns.yaml")).output


def test_a_shop_writes_its_bench_times_as_people_do() -> None:
    columns = SHOP.replace("  image: Light\n", "").replace(
        "ignore: [Bench]", "bench_minutes: Bench"
    )
    done(shop(columns, SHOP_TABLE.replace(";3\n", ";1h20\n")))
    store = open_store()
    assert store.ticket(1).bench_minutes == 80.0
    store.close()
    result = shop(columns, SHOP_TABLE.replace("A-1", "A-2").replace(";3\n", ";1.5\n"))
    assert "Line 2, Bench: " in result.stderr
    assert "hours or minutes" in result.stderr


def test_a_shop_writes_its_bills_as_people_do() -> None:
    columns = SHOP.replace("  image: Light\n", "").replace("ignore: [Bench]", "billed: Bench")
    done(shop(columns, SHOP_TABLE.replace(";3\n", ";149,50 EUR\n")))
    store = open_store()
    assert store.ticket(1).billed == 149.5
    store.close()
    result = shop(columns, SHOP_TABLE.replace("A-1", "A-2").replace(";3\n", ";1.495\n"))
    assert re.search(r"^Line 2, Bench: .*two ways", result.stderr, re.M)
    result = shop(columns.replace("closed:", "#"), SHOP_TABLE)
    assert isinstance(result.exception, ModelFileError)
    assert "billed is mapped, and closed is not." in str(result.exception)


def test_words_of_the_shop_that_nobody_explained_are_bad_rows() -> None:
    result = shop(rows=SHOP_TABLE.replace("OK", "gone").replace("Screen", "Moon"))
    told = result.stderr.splitlines()
    assert [one.split(":")[0] for one in told] == ["Line 2, End", "Line 2, Fault", "Line 2, Light"]


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("faultfinder_columns: 1", "faultfinder_columns: 2", 1, "reads version 1"),
        ("thin_clamshell", "thick_clamshell", 2, "no model called"),
        ("key: Job", "keys: Job", 3, "Did you mean key?"),
        ("%d/%m/%Y", "%d/%m", 4, "day, month and year"),
        ("closed: {column: Out", "closed: {colum: Out", 5, "Did you mean column?"),
        ("ok: repaired", "ok: mended", 8, 'no "mended"'),
        ("screen: panel", "screen: panal", 12, "Did you mean panel?"),
        ("  backlight:", "  backlit:", 15, "Did you mean backlight?"),
        ("nope: off", "nope: out", 15, "not a result of backlight"),
        ("nope: off", "N-A: off, n a: off", 15, "twice"),
        ("complaint: Said", "complaint: [Said]", 13, "Name one column"),
        ("ignore: [Bench]", "ignore: [Bench, Said]", 13, "mapped and ignored"),
        ("ignore: [Bench]", "ignore: []", 17, "neither mapped nor ignored"),
        ("complaint: Said", "complaint: Sayd", 13, "Did you mean Said?"),
        ("  image: Light\n", "  image: Picture\n", 16, 'no column "Picture"'),
        ("model: thin_clamshell", "model: [", 4, "not YAML"),
    ],
)
def test_a_fault_of_the_map_is_told_with_its_line(old: str, new: str, line: int, said: str) -> None:
    assert old in SHOP
    result = shop(SHOP.replace(old, new, 1))
    assert isinstance(result.exception, ModelFileError)
    told = [str(problem) for problem in result.exception.problems]
    assert any(one.startswith(f"columns.yaml:{line}: ") and said in one for one in told), told
    assert not Path("tickets.db").exists()


def test_all_faults_of_a_map_are_told_at_once() -> None:
    bad = SHOP.replace("key: Job", "kei: Job").replace("panel", "panal").replace("image:", "imago:")
    result = shop(bad)
    assert isinstance(result.exception, ModelFileError)
    assert [problem.line for problem in result.exception.problems] == [3, 12, 16]


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"just words", b"- a\n- b\n", b"a: &a [*a]"])
def test_a_file_that_is_no_map_is_refused(content: bytes) -> None:
    Path("columns.yaml").write_bytes(content)
    Path("shop.csv").write_text(SHOP_TABLE)
    result = run_import("shop.csv", "--map", "columns.yaml")
    assert isinstance(result.exception, ModelFileError)


# Files


@pytest.mark.parametrize("name", ["a.csv", "a.jsonl"])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"key\xff\n", "0xff"),
        (b"key\0\n", "zero byte"),
        ("key,model\n".encode("utf-16"), "0xff|zero byte"),
        (b"x" * 33_000_000, "longer than|longer than 16"),
    ],
)
def test_what_is_no_text_is_refused_with_its_line(name: str, content: bytes, said: str) -> None:
    Path(name).write_bytes(content)
    with pytest.raises(FaultfinderError, match=f"Line 1 .*({said})"):
        done(run_import(name))


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([GOOD, f'k2,thin_clamshell,"{AT},,,,,,'], "Line 3 .*never closed"),
        (['k2,thin_clamshell,"a"b,,,,,,'], "Line 2 .*doubled"),
        ([GOOD.replace("off", "o\rf")], "Line 2 .*carriage return"),
        ([f'k2,thin_clamshell,"{"x" * 17_000_000}'], "Line 2 .*longer than 16,000,000"),
    ],
)
def test_a_table_that_cannot_be_parted_into_rows_is_refused(rows: list[str], said: str) -> None:
    Path("a.csv").write_text(table(*rows), newline="")
    with pytest.raises(FaultfinderError, match=said):
        done(run_import("a.csv", "--skip-bad"))
    assert everything() == []


def test_a_complaint_beyond_the_limit_is_a_bad_row() -> None:
    row = f"k1,thin_clamshell,{AT},,,,,,,{'x' * 10_000_000}"
    Path("a.csv").write_text(table(row, columns="backlight,image,complaint"))
    assert "Line 2, complaint: holds 10,000,000 characters" in run_import("a.csv").stderr


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ("a,b\n1,2\n", "no column model"),
        (table(GOOD).replace("causes", "cause"), 'column "cause".*Did you mean causes'),
        (table(GOOD, columns="image,image"), "twice"),
        (table(GOOD).replace("outcome,", "").replace("repaired,", ""), "no column outcome"),
        (table(GOOD.replace("thin_clamshell", "../thin.yaml")), "say --model"),
        (table(GOOD.replace("thin_clamshell", "unheard_of")), "no model called"),
    ],
)
def test_a_table_that_is_not_ours_is_refused(content: str, said: str) -> None:
    Path("a.csv").write_text(content)
    with pytest.raises(FaultfinderError, match=said):
        done(run_import("a.csv"))


def test_files_that_cannot_be_read_or_written_are_refused_in_a_sentence(tmp_path: Path) -> None:
    some_tickets()
    (tmp_path / "folder").mkdir()
    for words in (["gone.csv"], ["folder"], ["gone.csv", "--map", "gone.yaml"], ["a\0b"]):
        with pytest.raises(MisuseError, match=r"\.$"):
            done(run_import(*words))
    Path("there.jsonl").write_text("mine")
    os.mkfifo("pipe")
    for name in ("there.jsonl", "folder", "pipe"):
        with pytest.raises(MisuseError, match=r"\.$"):
            done(run_export(name))
    with pytest.raises(FaultfinderError, match="cannot be written"):
        done(run_export("gone/a.jsonl"))
    with pytest.raises(MisuseError, match="Nobody reads from the pipe"):
        done(run_export("pipe", "--replace"))
    assert Path("there.jsonl").read_text() == "mine"
    os.link("there.jsonl", "same file")
    done(run_export("there.jsonl", "--replace"))
    # Moved into place: the file that was there was not written to.
    assert Path("same file").read_text() == "mine"
    assert len(lines_of("there.jsonl")) == 3 + len(HOSTILE)
    assert not [name for name in os.listdir() if name.endswith(".part")]


def test_a_broken_export_leaves_what_was_there(monkeypatch: pytest.MonkeyPatch) -> None:
    some_tickets()
    Path("a.jsonl").write_text("mine")

    def breaks(*_args: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("faultfinder.tickets.exchange.json_lines.StaffNames.of", breaks)
    run_export("a.jsonl", "--replace")
    assert Path("a.jsonl").read_text() == "mine"
    assert not [name for name in os.listdir() if name.endswith(".part")]


def test_odd_file_names_work_and_are_shown_harmlessly() -> None:
    some_tickets()
    name = "a file\nwith \x1b[31m lines.jsonl"
    result = done(run_export(name))
    assert "\x1b" not in result.output
    assert result.output.count("\n") == 1
    assert "there already" in done(run_import(name)).output


def test_an_export_to_the_screen_is_the_file_and_nothing_else() -> None:
    some_tickets()
    done(run_export("a.csv"))
    assert done(run_export("-", "--format", "csv")).stdout_bytes == Path("a.csv").read_bytes()


def test_no_page_of_the_commands_is_wider_than_80_columns() -> None:
    for command in (bring_in, hand_out):
        told = CliRunner().invoke(command, ["--help"], terminal_width=80).output
        assert max(map(len, told.splitlines())) <= 80


# On a server


@pytest.fixture
def server_place() -> Iterator[str]:
    with new_database() as place:
        yield place


def test_a_server_takes_and_gives_the_same_bytes_and_counts_on(
    server_place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    some_tickets()
    done(run_export("a.jsonl", *FULL))
    done(run_export("a.csv", "--with-texts"))
    monkeypatch.setenv("FAULTFINDER_DB", server_place)
    refused = line("bad", events=[])
    write_lines("bad.jsonl", [*lines_of("a.jsonl"), refused])
    assert isinstance(run_import("bad.jsonl").exception, FaultfinderError)
    assert everything() == []
    done(run_import("a.jsonl"))
    done(run_export("b.jsonl", *FULL))
    assert Path("a.jsonl").read_bytes() == Path("b.jsonl").read_bytes()
    assert "0 new" in done(run_import("a.csv")).output
    store = open_store()
    assert a_ticket(store) == len(lines_of("a.jsonl")) + 1
    store.close()
