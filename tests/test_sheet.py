"""The bench sheet holds what the bench needs, runs nothing, and says not whose machine it is."""

from __future__ import annotations

import functools
import itertools
import re
import struct
import subprocess
import zlib
from collections.abc import Mapping, Sequence
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder import Case, consult
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.report.consultation.view import View
from faultfinder.report.ticket.sheet import NOTE_SHOWN, sheet_page
from faultfinder.report.wording import percent
from faultfinder.tickets.events import (
    Arrived,
    Closed,
    Entry,
    Event,
    Found,
    Held,
    Intake,
    Moved,
    Note,
    Ordered,
    Person,
    Proved,
    Repaired,
    Resumed,
    TakenBack,
    Tried,
)
from faultfinder.tickets.ticket import Ticket, fold
from tests.chromium import FLAGS, POLICY, check_look, chromium, measured, policy_of, printed_pages
from tests.on_paper import check_paper

MODEL = "thin_clamshell"
PERSON = {"customer": "Invented Ida Q", "contact": "invented 0000 111", "serial": "INV-SERIAL-9"}
DESK = {
    "complaint": "Fell from a chair, dark since.",
    "condition": "Dent at the left hinge.",
    "left": "charger, grey bag",
}
EVIL = (
    '<script>document.title="run"</script><img src=x onerror=\'document.title="run"\'>'
    "</p></body>\x1b[2J\u202egnp.\x07<style>body{display:none}</style>"
)

found, note, proved = Found, Note, Proved


def ticket(*lines: Entry, desk: Mapping[str, str] | None = None) -> Ticket:
    """An invented ticket; entry n was written n minutes after eight."""
    texts = {**DESK, **PERSON, **(desk or {})}
    first = Intake(MODEL, consent=("opening",), data_copy="no", limit=20.0, **texts)
    events = [
        Event(number, f"2026-01-02T08:{number:02d}:00Z", f"invented hand {number}", entry)
        for number, entry in enumerate([first, *lines], 1)
    ]
    return fold(7, events)


@functools.cache
def compiled() -> CompiledModel:
    return load_model(MODEL)


def view_of(state: Ticket) -> View:
    case = Case(compiled(), state.findings, state.stage, state.tried)
    return View(consult(case), state.number)


EARLY = (
    found("earlier_repair", "yes"),
    found("backlight", "off"),
    found("image", "none"),
    found("torch_image", None),
)
PLUG_OFF = (*EARLY[:3], found("external_picture", "good"), found("data_connector_seen", "off"))
RESEATED = Repaired("reseat_data", "cover_off")


CASES: dict[str, tuple[Entry, ...]] = {
    "to check": (*EARLY, note("Screws in tray 4.", hand_over=True), note(EVIL)),
    "to repair": (*PLUG_OFF, Moved("isolated")),
    "not cured": (
        *PLUG_OFF,
        Tried("reseat_data", "cover_off"),
        found("backlight", "on"),
        found("image", "lines"),
    ),
    "to prove": (*PLUG_OFF, RESEATED, proved("brightness_range", True)),
    "stopped": (*EARLY, found("case_bulge", "bulging")),
    "closed": (
        *PLUG_OFF,
        RESEATED,
        proved("brightness_range", True),
        Closed("repaired", ("data_connector",)),
    ),
}


@functools.cache
def sheet(case: str) -> str:
    state = ticket(*CASES[case])
    return sheet_page(state, view_of(state))


class _Reading(HTMLParser):
    """Text, headings and tags of a page, as a strict reader sees them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.said: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes another tag"

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.said.append(data)


def read(page: str) -> _Reading:
    reading = _Reading()
    reading.feed(page)
    reading.close()
    assert reading.open == [], "a tag stays open"
    return reading


def words(page: str) -> str:
    return " ".join("".join(read(page).said).replace("\N{NO-BREAK SPACE}", " ").split())


def in_order(page: str, parts: Sequence[str]) -> None:
    text, place = words(page), 0
    for part in parts:
        at = text.find(part, place)
        assert at >= 0, f'"{part}" is missing, or stands too early'
        place = at + len(part)


# What it says


def test_the_sheet_says_what_the_bench_needs_in_order() -> None:
    in_order(
        sheet("to check"),
        [
            "Ticket 7: open",
            "Thin clamshell",
            "2026-01-02 08:01 UTC, invented hand 1",
            DESK["complaint"],
            DESK["condition"],
            DESK["left"],
            "there is none",
            "opening the machine",
            "Limit without asking20.00 EUR",
            "Last hand-over, 2026-01-02 08:06 UTC, invented hand 6: Screws in tray 4.",
            "Stage now: Closed, as it came in",
            "Backlight: off2026-01-02 08:03, invented hand 3",
            "could not tell",
            "Likely causes",
            "Quote:",
            "ask the customer before going beyond it",
            "Next check:",
            "Caution: A battery that is swollen",
            "Tick what was found",
            "faultfinder found 7",
            "What each result would do",
            "After it",
            "Stages, from where it is now",
            "Closed, as it came in: the machine is here now.",
            "Notes",
            "Checked by / date",
            "Repair proved by / date",
            "Handed out to / date",
        ],
    )


def test_every_result_of_the_next_check_has_an_empty_box() -> None:
    state = ticket(*CASES["to check"])
    view = view_of(state)
    best = view.told.next
    assert best is not None
    page = sheet_page(state, view)
    part = page[page.index("Tick what was found") : page.index("Then enter it")]
    names = view.still_open(view.check(best))
    results = [s for name in names for s in view.model.by_name[name].states]
    assert part.count('class="box"') == len(results) + len(names)
    assert part.count("could not tell") == len(names)
    for step in view.check(best).how:
        assert step.strip().rstrip(".")[1:] in words(page)


def test_the_percents_are_the_diagnosis_and_the_bars_are_as_long() -> None:
    state = ticket(*CASES["to check"])
    view = view_of(state)
    page = sheet_page(state, view)
    bars = [int(width) for width in re.findall(r'class="bar" style="width:(\d+)%"', page)]
    causes = list(view.told.causes.items())[: len(bars)]
    assert len(bars) >= 5
    assert bars == [round(chance * 100) for _, chance in causes]
    for name, chance in causes:
        assert f"{view.cause(name)}{percent(chance)}" in words(page)


def test_what_was_taken_back_is_left_out_and_what_was_found_again_counts() -> None:
    back = TakenBack(4)
    state = ticket(*EARLY[:3], back, found("backlight", "on"), note("gone"),
                   TakenBack(7))  # fmt: skip
    text = words(sheet_page(state, view_of(state)))
    history = text[text.index("Found and done") : text.index("Likely causes")]
    assert "Image on the panel" not in history
    assert "Backlight: on" in history
    assert "Backlight: off" not in history
    assert "gone" not in text


def test_a_repair_says_its_caution_before_its_work_and_has_boxes_for_its_proof() -> None:
    page = sheet("to repair")
    in_order(
        page,
        [
            "Repair now: Reseat the display data plug",
            "Caution: Fully seated before power",
            "Open the latch",
            "faultfinder tried 7 reseat_data",
            "Before the cover goes back on",
            "Whole brightness range",
            "passed failed",
            "After closing",
            "Checks that are open",
        ],
    )
    assert "Next check:" not in words(page)


def test_the_way_to_another_stage_is_named_with_its_cautions_before_the_work() -> None:
    state = ticket(*PLUG_OFF)
    in_order(
        sheet_page(state, view_of(state)),
        ["Repair now", "The way there", "first: if bulging, stop", "Bottom cover off",
         "first: if swollen or crushed, stop", "Battery disconnected", "Work: 3 min"],
    )  # fmt: skip


def test_a_repair_that_did_not_cure_stands_between_what_was_seen_before_and_since() -> None:
    in_order(
        sheet("not cured"),
        ["Backlight: off", "Reseat the display data plug: tried; it did not cure", "Backlight: on"],
    )


def test_a_repair_to_prove_shows_its_tests_and_offers_no_further_check() -> None:
    page = sheet("to prove")
    tests = page[page.index("Repair made") : page.index("Likely causes")]
    assert "<b>passed</b> (2026-01-02 08:08 UTC, invented hand 8)" in tests
    repair = compiled().model.repairs_by_name["reseat_data"]
    assert tests.count('class="box"') == 2 * (len(repair.proof) - 1)
    assert "Next check:" not in page
    assert "Repair now:" not in page
    failed = ticket(*PLUG_OFF, RESEATED, proved("lid_angles", False))
    text = words(sheet_page(failed, view_of(failed)))
    assert "the repair is not proved" in text
    assert "FAILED" in text


def test_a_swollen_battery_comes_before_all_else_and_ends_the_work() -> None:
    page = sheet("stopped")
    in_order(page, ["Ticket 7: open", "STOP", "swollen", "no check is offered", DESK["complaint"]])
    for offered in ("Next check", "Repair now", "Tick what", "After it", "Quote", 'class="box"'):
        assert offered not in page


def test_a_stop_keeps_even_a_repair_to_prove_from_being_worked_on() -> None:
    state = ticket(*PLUG_OFF, RESEATED, found("case_bulge", "bulging"))
    page = sheet_page(state, view_of(state))
    assert "<h2>STOP</h2>" in page
    assert "Stage now: Bottom cover off" in words(page)
    assert 'class="box"' not in page
    tried = (*CASES["not cured"], found("battery_shape", "crushed"))
    page = sheet_page(ticket(*tried), view_of(ticket(*tried)))
    assert "<h2>STOP</h2>" in page
    assert "Stage now: Bottom cover off" in words(page)
    assert 'class="box"' not in page


def test_a_closed_ticket_says_how_it_ended_and_asks_for_nothing_more() -> None:
    page = sheet("closed")
    in_order(page, ["Ticket 7: closed, repaired", "Confirmed cause", "Display data connector"])
    for offered in ("Next check", "Repair now", 'class="box"', "Likely causes"):
        assert offered not in page


def test_without_a_diagnosis_the_sentence_stands_there_instead() -> None:
    text = words(sheet_page(ticket(*CASES["to prove"]), "The model <x> is not there any more."))
    assert "The model <x> is not there any more." in text
    assert "backlight: off" in text
    assert "brightness_range: passed" in text
    assert "A battery that is swollen" in text


def test_who_waits_for_what_is_said_and_is_gone_once_it_is_here() -> None:
    order = Ordered("display assembly", "new_assembly", 180.0, "2026-01-09")
    held = Held("approval", "Quote sent.")
    state = ticket(*EARLY, order, held)
    text = words(sheet_page(state, view_of(state)))
    assert "Blocked: waits for approval since 2026-01-02: Quote sent." in text
    assert "Blocked: part on order: display assembly, due 2026-01-09" in text
    later = ticket(*EARLY, order, held, Arrived(6),
                   Resumed())  # fmt: skip
    text = words(sheet_page(later, view_of(later)))
    assert "Blocked" not in text
    assert "display assembly, due" not in text


@pytest.mark.parametrize("case", CASES)
def test_nobody_can_read_whose_machine_it_is(case: str) -> None:
    more = Person(customer="Invented Otto", serial="INV-2")
    state = ticket(*CASES[case], more)
    for page in (sheet(case), sheet_page(state, view_of(state))):
        for own in (*PERSON.values(), "Invented Otto", "INV-2"):
            assert own not in page


def test_a_long_note_is_cut_and_an_erased_one_is_named() -> None:
    text = words(sheet_page(ticket(note("y" * 5_000), Note()), "None."))
    assert text.count("y" * NOTE_SHOWN) == 1
    assert "y" * (NOTE_SHOWN + 1) not in text
    assert "(Cut here: it has 5,000 characters, 2,000 are shown.)" in text
    assert "the text was erased" in text


# How it is made


@pytest.mark.parametrize("case", CASES)
def test_headings_tables_and_tags_are_in_order(case: str) -> None:
    tags = read(sheet(case)).tags
    assert ("html", {"lang": "en"}) in tags
    levels = [int(tag[1]) for tag, _ in tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    heads = [about for tag, about in tags if tag == "th"]
    assert heads
    assert all(about.get("scope") in ("row", "col") for about in heads)
    assert not {"script", "img", "link", "iframe", "object"} & {tag for tag, _ in tags}


def test_nothing_is_coloured_and_nothing_is_fetched() -> None:
    page = sheet("to check")
    style = page[page.index("<style>") : page.index("</style>")]
    colours = set(re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\([^)]*\)|hsla?\([^)]*\)", style))
    assert colours
    for colour in colours:
        digits = colour.removeprefix("#")
        assert re.fullmatch(r"([0-9a-f])\1\1", digits), colour
    named = "red|green|blue|yellow|orange|purple|navy|teal|brown|pink|silver|gold"
    assert not re.search(rf"\b({named})\b", style)
    assert not re.search(r"url\(|@import|https?:|src=", page.replace("&lt;img src=x", ""))
    assert policy_of(page) == POLICY


@settings(max_examples=60, deadline=None)
@given(
    st.text(st.characters(), min_size=1, max_size=60),
    st.text(st.sampled_from("<>&\"'/=-! \n\x1b\u202e"), max_size=40),
)
def test_whatever_people_write_is_text_and_changes_no_tag(one: str, other: str) -> None:
    def page(text: str) -> str:
        return sheet_page(ticket(note(text), desk=dict.fromkeys(DESK, text)), text)

    made = page(one + other)
    plain = [tag for tag, _ in read(page("x")).tags]
    assert [tag for tag, _ in read(made).tags] == plain
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\ud800-\udfff]", made)


# In a real browser


def written(folder: Path, case: str, page: str | None = None) -> Path:
    path = folder / f"{case.replace(' ', '_')}.html"
    path.write_text(page or sheet(case), encoding="utf-8")
    return path


def test_a_script_in_a_note_is_shown_and_never_run(tmp_path: Path) -> None:
    path = written(tmp_path, "to check")
    said = measured(path, tmp_path, 800, "d.title+'|'+d.scripts.length+'|'+d.images.length")
    assert said == "Bench sheet, ticket 7|0|0"
    shown = measured(path, tmp_path, 800, "d.body.innerText.split('<script>').length")
    assert shown == "2"
    text = words(sheet("to check"))
    assert '<script>document.title="run"</script>' in text
    assert r"\x1b[2J\u202egnp.\x07" in text


def test_the_policy_of_the_page_stops_a_script_that_got_in_all_the_same(tmp_path: Path) -> None:
    """Both ways, so that the measurement itself is known to see a script that runs."""
    inside = '<script>document.title="run"</script></body>'
    page = sheet("to check").replace("</body>", inside)
    bare = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
    assert bare != page
    said = [
        measured(written(tmp_path, name, text), tmp_path, 800, "d.title")
        for name, text in (("kept", page), ("bare", bare))
    ]
    assert said == ["Bench sheet, ticket 7", "run"]


@pytest.mark.parametrize("case", ["to check", "to repair", "not cured", "to prove"])
def test_a_phone_shows_it_without_sideways_scrolling_in_letters_of_12_points(
    case: str, tmp_path: Path
) -> None:
    wide = ticket(*CASES[case], note("w" * 400), desk={"complaint": "n" * 300})
    path = written(tmp_path, case, sheet_page(wide, view_of(wide)))
    sizes = (
        "d.documentElement.scrollWidth+' '+Math.min(...[...d.querySelectorAll('p,li,td,th')]"
        ".map(e=>parseFloat(w.getComputedStyle(e).fontSize)))"
    )
    check_look(path.read_text(encoding="utf-8"), tmp_path, cautions=True)
    width, letters = measured(path, tmp_path, 360, sizes).split()
    assert int(width) <= 360
    assert float(letters) >= 16.0


@pytest.mark.parametrize("case", ["to check", "to repair", "not cured"])
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_it_prints_on_three_sheets_at_most(case: str, paper: str, tmp_path: Path) -> None:
    page = written(tmp_path, case)
    assert 1 <= printed_pages(page, tmp_path, paper) <= 3
    check_paper(page, tmp_path)


def test_the_picture_of_the_page_is_black_and_white_and_not_empty(tmp_path: Path) -> None:
    """Chromium's picture, read without an imaging library: it has ink, and bars are solid."""
    path, target = written(tmp_path, "to check"), tmp_path / "shot.png"
    options = [*FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--window-size=600,500"]
    subprocess.run(
        [chromium(), *options, "--disable-lcd-text", f"--screenshot={target}", path.as_uri()],
        capture_output=True,
        check=True,
        timeout=120,
    )
    pixels = grey_and_all(target.read_bytes())
    dark = sum(1 for red, green, blue in pixels if max(red, green, blue) < 64)
    coloured = sum(1 for pixel in pixels if max(pixel) - min(pixel) > 8)
    assert 0.01 < dark / len(pixels) < 0.4
    assert coloured == 0
    longest = measured(path, tmp_path, 360, "d.querySelector('.bar').getBoundingClientRect().width")
    assert float(longest) > 5.0


def grey_and_all(png: bytes) -> list[tuple[int, int, int]]:
    """The pixels of an 8-bit RGB(A) picture without interlacing (PNG, ISO/IEC 15948)."""
    place, data, width, depth = 8, b"", 0, 0
    while place < len(png):
        (size,) = struct.unpack(">I", png[place : place + 4])
        kind, body = png[place + 4 : place + 8], png[place + 8 : place + 8 + size]
        if kind == b"IHDR":
            width, _, bits, colour, _, _, interlaced = struct.unpack(">IIBBBBB", body)
            assert (bits, interlaced) == (8, 0)
            depth = {2: 3, 6: 4}[colour]
        elif kind == b"IDAT":
            data += body
        place += size + 12
    raw, row = zlib.decompress(data), width * depth
    before, pixels = bytearray(row), []
    for start in range(0, len(raw), row + 1):
        line = bytearray(raw[start + 1 : start + 1 + row])
        unfilter(raw[start], line, before, depth)
        pixels += [(line[i], line[i + 1], line[i + 2]) for i in range(0, row, depth)]
        before = line
    return pixels


def unfilter(kind: int, line: bytearray, above: bytearray, step: int) -> None:
    """Undo a row's filter in place (the five filter types of ISO/IEC 15948, clause 9)."""
    for i in range(len(line)):
        left, up = (line[i - step] if i >= step else 0), above[i]
        corner = above[i - step] if i >= step else 0
        if kind == 4:
            guess = left + up - corner
            by = sorted((left, up, corner), key=lambda one: abs(guess - one))
            near = by[0]
        else:
            near = (0, left, up, (left + up) // 2)[kind]
        line[i] = (line[i] + near) % 256
