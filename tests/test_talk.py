"""A case from the counter to the closed ticket, typed at a terminal of 80 x 24."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from faultfinder.cli.main import commands
from faultfinder.cli.screens import _packed
from faultfinder.tickets.events import Closed, Intake
from faultfinder.tickets.opening import open_store
from tests import MODELS
from tests.small_model import SMALL_MODEL
from tests.typist import Typist


@pytest.fixture
def typist(tmp_path: Path) -> Typist:
    models = tmp_path / "models"
    models.mkdir()
    (models / "small.yaml").write_text(SMALL_MODEL)
    return Typist(tmp_path, {
        "FAULTFINDER_MODELS": str(models), "FAULTFINDER_CACHE": str(tmp_path / "kept"),
        "FAULTFINDER_DB": str(tmp_path / "tickets.db"), "FAULTFINDER_WHO": "lena",
        "XDG_CONFIG_HOME": str(tmp_path / "settings"),
    })  # fmt: skip


def test_a_case_goes_from_the_counter_to_the_closed_ticket_by_single_keys(
    typist: Typist, tmp_path: Path
) -> None:
    typist.start("intake", "-m", "small")
    assert "Ticket 1 opened." in typist.text
    typist.press("dark since Monday\r")
    for key in ("a scratch\r", "\r", "1", "2", "\r", "phone 0000\r", "250\r", "12,50\r"):
        assert "Enter: not said" in typist.text
        typist.press(key)
    for _ in range(9):
        if typist.ended:
            break
        keys = typist.keys
        typist.press("1" if "lit" in typist.text else "?")
        assert typist.keys == keys + 1
    assert "Intake slip, ticket 1" in typist.text
    assert "12.50 EUR" in typist.text
    store = open_store(str(tmp_path / "tickets.db"), False)
    ticket = store.ticket(1)
    assert (ticket.intake.limit, ticket.intake.worth) == (12.5, 250.0)
    assert (ticket.intake.condition, ticket.person) == ("a scratch", {"contact": "phone 0000"})
    assert ticket.intake.consent == ("opening", "data-loss", "contact-kept")

    typist.start("ask", "1")
    for _ in range(9):
        if "Made: the picture is back" in typist.text:
            break
        typist.press("1" if "Go on at the bench" in typist.text else "?")
    for _ in range(5):
        if not typist.ended:
            typist.press("1")
    store = open_store(str(tmp_path / "tickets.db"), False)
    assert store.ticket(1).findings
    assert store.ticket(1).outcome == "repaired"
    assert typist.scrolled == 0


def test_what_a_command_says_first_belongs_to_the_page(typist: Typist) -> None:
    typist.start("intake", "-m", "small", "-s", "backlight=off", "--complaint", "dark")
    assert typist.lines[0] == "Ticket 1 opened."
    typist.start("close", "1", "--outcome", "customer declined")
    typist.start("intake", "--comeback-of", "1")
    assert typist.lines[1].startswith("It comes back 0 days after ticket 1 was closed as customer")
    assert any(line.startswith("A comeback of ticket 1") for line in typist.lines)
    typist.start("found", "2", "backlight=off")
    typist.start("takeback", "2", "2")
    assert typist.lines[0] == "Entry 2 of ticket 2 is taken back."


def test_a_full_page_after_intake_does_not_scroll(tmp_path: Path) -> None:
    typist = Typist(tmp_path, {
        "FAULTFINDER_MODELS": str(MODELS), "FAULTFINDER_DB": str(tmp_path / "tickets.db"),
        "XDG_CONFIG_HOME": str(tmp_path / "settings"),
    })  # fmt: skip
    words = ("-s", "after=own_repair", "-s", "screen_light=dark", "--complaint", "dark", "--limit")
    typist.start("intake", "-m", "thin_clamshell", *words, "20")
    assert typist.lines[0] == "Ticket 1 opened."
    assert len([line for line in typist.lines if line]) >= 20
    assert typist.scrolled == 0


def test_ctrl_c_loses_nothing_and_says_how_to_go_on(typist: Typist, tmp_path: Path) -> None:
    typist.start("ask", "-m", "small")
    assert typist.text.startswith("No ticket: nothing is written down.")
    typist.press("1")
    typist.press("*")
    assert "Kept as ticket 1" in typist.text
    assert typist.stop() == 2
    assert "To go on from here: faultfinder ask 1" in typist.text
    assert open_store(str(tmp_path / "tickets.db"), False).ticket(1).findings


def test_a_cause_typed_on_a_ticket_asks_what_proved_it_and_is_kept_as_judgement(
    typist: Typist, tmp_path: Path
) -> None:
    place = str(tmp_path / "tickets.db")
    typist.start("ask", "-m", "small")
    typist.press("*")
    typist.press("strip=dead\r")
    assert "Backlight strip dead is a cause. What proved it?" in typist.text
    own = next(line for line in typist.lines if "nothing: it is my own judgement" in line)
    assert "counts 3 to 1, a guess" in own
    typist.press(own.split()[0])
    assert open_store(place, False).ticket(1).judged == {"strip": "dead"}
    assert "strip" not in open_store(place, False).ticket(1).findings
    typist.press("<")
    assert open_store(place, False).ticket(1).judged == {}
    typist.press("strip=dead\r")
    typist.press("1")
    assert "lit from behind?" in typist.text


def test_what_could_not_be_told_can_be_told_later(typist: Typist, tmp_path: Path) -> None:
    typist.start("ask", "-m", "small")
    typist.press("*")
    typist.press("?")
    typist.press("backlight\r")
    assert "Is the panel lit from behind?" in typist.text
    typist.press("3")
    assert open_store(str(tmp_path / "tickets.db"), False).ticket(1).findings["backlight"] == "off"


def test_back_goes_on_before_what_a_repair_or_a_proof_ended(typist: Typist, tmp_path: Path) -> None:
    place = str(tmp_path / "tickets.db")
    typist.start("ask", "-m", "small")
    typist.press("*")
    typist.press("<")
    assert "There is nothing to take back." in typist.text
    typist.press("=")
    typist.press("1")
    for _ in range(2):  # The proof failed, and the fault itself is there again.
        typist.press("2")
    assert "made, did not cure. From here on every question is about the machine" in typist.text
    assert open_store(place, False).ticket(1).tried
    typist.press("<")
    assert "Taken back: the last entry." in typist.text
    assert not open_store(place, False).ticket(1).tried
    assert "is there again" in typist.text


def test_why_at_the_counter_says_why_it_comes_now_and_no_key_waits_unseen(
    tmp_path: Path,
) -> None:
    typist = Typist(tmp_path, {
        "FAULTFINDER_MODELS": str(MODELS), "FAULTFINDER_DB": str(tmp_path / "tickets.db"),
        "XDG_CONFIG_HOME": str(tmp_path / "settings"),
    })  # fmt: skip
    typist.start("ask", "-m", "thin_clamshell")
    typist.press("1")
    typist.press("!")
    assert "comes now" in typist.text
    assert "needs no power comes first" in typist.text
    assert "is number" not in typist.text
    while typist.lines_with("Enter: go on"):
        typist.press("7 ")
        assert not typist.lines_with("go on 7")
    assert "? could not tell" in typist.text
    typist.press("battery\r")
    typist.press("2")
    assert "STOP" in typist.text


def test_without_a_terminal_questions_are_plain_lines_and_answers_stand(
    typist: Typist, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typist.start("intake", "-m", "small", "-s", "knock=yes")
    for name in ("FAULTFINDER_DB", "FAULTFINDER_CACHE", "FAULTFINDER_MODELS"):
        monkeypatch.setenv(name, typist.settings[name])
    told = CliRunner().invoke(commands, ["ask", "1"], input="off\ndunno\n")
    assert told.exit_code == 2
    assert "Is the panel lit from behind?" in told.output
    assert "\x1b" not in told.output
    assert "To go on from here: faultfinder ask 1" in told.output
    ticket = open_store(typist.settings["FAULTFINDER_DB"], False).ticket(1)
    assert ticket.findings["backlight"] == "off"
    assert None in ticket.findings.values()


def test_which_machine_is_asked_where_nobody_said(tmp_path: Path) -> None:
    typist = Typist(tmp_path, {
        "FAULTFINDER_MODELS": str(MODELS), "FAULTFINDER_DB": str(tmp_path / "tickets.db"),
        "XDG_CONFIG_HOME": str(tmp_path / "settings"),
    })  # fmt: skip
    for command in ("ask", "next"):
        typist.start(command)
        assert "Which machine is it?" in typist.text
        typist.press("1")
        assert typist.text.startswith("No ticket: nothing is written down.")
        assert typist.stop() == 2


def test_a_ticket_that_stopped_says_so_once(typist: Typist) -> None:
    typist.start("intake", "-m", "small", "--complaint", "dark since Monday")
    typist.start("found", "1", "battery_shape=swollen")
    typist.start("ask", "1")
    assert typist.ended
    assert typist.text.count("dark since Monday") == 1


def test_an_amount_with_its_currency_is_no_age_and_more_can_be_asked(typist: Typist) -> None:
    typist.start("intake", "-m", "small")
    for _ in range(7):
        typist.press("\r")
    assert "What is it worth to them" in typist.text
    typist.press("80 pounds\r")
    assert "is no amount in EUR" in typist.text
    typist.press("250,- EUR\r")
    typist.press("\r")
    typist.press(".")
    assert "More to ask: faultfinder intake 1" in typist.text


def test_what_a_ticket_waits_for_is_asked_first(typist: Typist, tmp_path: Path) -> None:
    place = str(tmp_path / "tickets.db")
    typist.start("intake", "-m", "small", "--complaint", "dark", "--limit", "20")
    typist.start("ordered", "1", "a strip", "--for", "reseat_connector")
    typist.start("hold", "1", "approval", "--why", "quote sent")
    typist.start("next", "1")
    assert "quote sent (faultfinder resume 1)" in typist.text
    assert "part on order: a strip (faultfinder arrived 1)" in typist.text
    typist.start("ask", "1")
    assert typist.text.count("Ticket 1, day 1") == 1
    assert "It waits for approval" in typist.text
    typist.press("1")
    typist.press("1.200\r")
    assert "can be read in two ways" in typist.text
    typist.press("1.200,50\r")
    assert "On order: a strip. Is it here?" in typist.text
    typist.press("1")
    ticket = open_store(place, False).ticket(1)
    assert (ticket.hold, ticket.awaited, ticket.intake.limit) == (None, (), 1200.5)
    assert "? could not tell" in typist.text


def test_a_repair_of_ones_own_choice_is_told_with_its_cautions(
    typist: Typist, tmp_path: Path
) -> None:
    typist.start("ask", "-m", "small")
    typist.press("*")
    typist.press("1")
    typist.press("send_away\r")
    seen = typist.read_on()
    assert "This is not what is advised; its price: faultfinder next 1 --instead send_away" in seen
    assert "Have the display rebuilt (send_away)" in seen
    assert "NEXT" not in seen
    assert "1 Made: the picture is back" in seen
    typist.press("9\r")
    assert "Type 1 to 3" in typist.text
    assert "1 Made: the picture is back" in typist.text
    # Back from it to the questions takes no answer back.
    typist.press("<")
    assert "Go on at the bench?" in typist.text
    assert open_store(str(tmp_path / "tickets.db"), False).ticket(1).findings


def test_a_repair_beyond_the_limit_says_so_also_where_it_was_chosen(typist: Typist) -> None:
    typist.start("intake", "-m", "small", "-s", "backlight=off", "--limit", "100")
    typist.start("ask", "1")
    typist.press("send_away\r")
    seen = typist.read_on()
    assert "the limit is 100: ask first: faultfinder hold 1 approval" in seen
    assert "Ask the customer first: the ticket waits for it" in seen


def test_a_refusal_breaks_no_word_at_a_terminal(typist: Typist) -> None:
    typist.start("intake", "-m", "small", "--complaint", "dark")
    typist.start("close", "1", "--cause", "strip")
    assert '"faultfinder repaired 1 REPAIR"' in typist.text


def test_taking_in_goes_on_where_it_was_broken_off(typist: Typist, tmp_path: Path) -> None:
    typist.start("intake", "-m", "small")
    typist.press("dark\r")
    assert typist.stop() == 2
    assert "To go on from here: faultfinder intake 1" in typist.text
    typist.start("intake", "1")
    assert "What can be seen on it" in typist.text
    typist.press(".")
    assert typist.ended
    assert "More to ask: faultfinder intake 1" in typist.text


def test_what_hangs_together_stays_on_one_screen() -> None:
    """A long way with its cautions goes on screens before; the question is never torn."""
    step, question = ["step"] * 9, ["asked?", "1 yes", "2 no"]
    pages = _packed([step, step, question], 20)
    assert pages == [step + step, question]
    assert _packed([["long"] * 45], 20) == [["long"] * 20, ["long"] * 20, ["long"] * 5]
    assert _packed([], 20) == [[]]


def test_a_machine_that_was_here_before_is_a_comeback(typist: Typist, tmp_path: Path) -> None:
    store = open_store(str(tmp_path / "tickets.db"), True)
    at = "2026-11-01T10:00:00Z"
    for _ in range(2):
        store.intake("small", at, "lena", [Intake("small")], None)
    store.append(1, 1, at, "lena", [Closed("customer declined", (), "")])
    typist.start("intake", "-m", "small")
    assert "Was it here before?" in typist.text
    typist.press("2\r")
    assert "Ticket 2 is still open" in typist.text
    typist.press("7\r")
    assert "Was it here before?" in typist.text
    typist.press("1\r")
    assert "What does the customer say" in typist.text
    assert typist.stop() == 2
    assert open_store(str(tmp_path / "tickets.db"), False).ticket(3).first_ticket == 1


def test_a_picture_that_is_back_leads_to_proof_and_close(typist: Typist, tmp_path: Path) -> None:
    typist.start("ask", "-m", "small")
    typist.press("*")
    assert "= picture is back" in typist.lines[-1]
    typist.press("=")
    assert "Which work brought it back?" in typist.text
    typist.press("1")
    assert "all proof tests are passed" in typist.text or "proof test" in typist.text
    assert open_store(str(tmp_path / "tickets.db"), False).ticket(1).repaired
