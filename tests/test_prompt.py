"""The session at a terminal: what it asks, in which order, and how every step is taken back."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from faultfinder import Case
from faultfinder.cli.asking import Place, Session, spoken
from faultfinder.cli.screens import Lines
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.reading.reader import parse_model
from faultfinder.report.consultation.view import View
from tests.consulted import look_at
from tests.invented_models import SMALL_LID, write_small_lid


@pytest.fixture(scope="module")
def compiled() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))


class Talk:
    """A session with its answers typed in advance; all that is said is kept."""

    def __init__(self, compiled: CompiledModel, answers: Iterable[str]) -> None:
        self.said: list[str] = []
        self._answers = iter(answers)
        screen = Lines(self._read, self.said.append)
        self.session = Session(Place(Case(compiled, stage="closed")), screen)
        self.view: View = self.session.run()

    def _read(self, prompt: str) -> str:
        self.said.append(prompt)
        return next(self._answers, "done")

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.said).split())

    @property
    def answers(self) -> dict[str, str | None]:
        return dict(self.session.place.case.results)


def test_the_most_telling_question_for_its_cost_at_the_counter_comes_first(
    compiled: CompiledModel,
) -> None:
    talk = Talk(compiled, ["off", "none"])
    ranked = look_at(compiled).most_telling
    assert ranked[0].check == "look"
    assert talk.said[1].strip().startswith("Is the panel lit from behind?")
    assert "What does the panel show?" in talk.said[4]


def test_all_that_is_worth_asking_at_the_counter_comes_before_the_bench(
    compiled: CompiledModel,
) -> None:
    text = Talk(compiled, ["off", "none", "whole", "no", "done"]).text
    offer = text.index("Nothing more is worth asking at the counter. Next at the bench:")
    for asked in ("lit from behind?", "panel show?", "glass cracked?", "dropped or knocked?"):
        assert text.index(asked) < offer
    assert text.endswith("Go on at the bench? Enter: yes, done: no >")


def test_results_may_be_numbers_names_or_spoken_words(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["3", "none", "whole", "dropped"])
    assert [spoken(*answer) for answer in talk.answers.items()] == [
        "backlight=off",
        "image=none",
        "glass=whole",
        "knock=yes",
    ]


@pytest.mark.parametrize("typed", ["", "don't know", "unknown", "?"])
def test_not_knowing_is_an_answer_and_the_question_does_not_come_back(
    compiled: CompiledModel, typed: str
) -> None:
    talk = Talk(compiled, [typed, "none", "whole", "no", "", *["unknown"] * 9])
    assert next(iter(talk.answers.items())) == ("backlight", None)
    assert talk.text.count("Is the panel lit from behind?") == 1


def test_an_answer_is_followed_by_what_it_changed(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["on"])
    assert "backlight=on: Panel broken 37 -> 96 %; Light cable loose 46 -> 3 %" in talk.text


def test_back_takes_back_the_last_answer_and_asks_again(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["off", "none", "back", "spoilt"])
    assert "Taken back: image=none." in talk.text
    assert [spoken(*answer) for answer in talk.answers.items()] == ["backlight=off", "image=spoilt"]


def test_back_goes_all_the_way_and_then_says_so(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["off", "none", "back", "back", "back"])
    assert "There is nothing to take back." in talk.text
    assert talk.answers == {}


def test_why_explains_the_question_and_asks_it_again(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["why", "off"])
    assert "Why Look at light and image (look) is number 1 of" in talk.text
    assert talk.answers == {"backlight": "off"}


def test_skip_leaves_a_check_out_and_the_machine_where_it_is(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["off", "none", "whole", "no", "", "flat", "skip", "done"])
    assert talk.session.place.skipped == {"look_cable"}
    assert talk.session.place.case.stage == "cover_off"


def test_a_bench_check_shows_the_way_how_and_cautions_before_its_question(
    compiled: CompiledModel,
) -> None:
    text = Talk(compiled, ["off", "none", "whole", "no", "", "flat", "home", "low"]).text
    order = [
        "At the bench: Look at the battery (7 min)",
        "1. Bottom cover off (6 min)",
        "Caution: The battery is live",
        "Is the battery flat?",
        "At the bench: Look at the light cable (3 min)",
        "How: 1. Look along the plug.",
        "Is the cable fully home?",
        "At the bench: Measure the light supply",
        "Caution: The light supply can carry tens of volts.",
        "What does the meter read?",
        'as in "1 V"; or normal (15 V or more), none (under 1 V) or low (1 to 15 V)',
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)


def test_the_machine_stays_in_the_stage_of_the_last_check(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["off", "none", "whole", "no", "", "flat", "home"])
    assert talk.session.place.case.stage == "isolated"
    assert talk.view.told.stage == "isolated"
    back = Talk(compiled, ["off", "none", "whole", "no", "", "flat", "home", "back"])
    assert back.session.place.case.stage == "cover_off"


def test_a_meter_reading_is_typed_with_its_unit(compiled: CompiledModel) -> None:
    start = ["off", "none", "whole", "no", "", "flat", "home"]
    talk = Talk(compiled, [*start, "3", "3.1 V"])
    assert 'The reading "3" of supply_volts has no unit.' in talk.text
    assert list(talk.answers.items())[-1] == ("supply_volts", "low")


def test_something_else_that_was_seen_may_be_typed_at_any_question(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["glass=cracked"])
    assert talk.answers == {"glass": "cracked"}
    assert talk.text.count("Is the panel lit from behind?") == 2


@pytest.mark.parametrize("typed", ["9", "0", "purple", "\x1b[31m", "nonsense=off"])
def test_what_is_not_understood_is_said_and_asked_again(
    compiled: CompiledModel, typed: str
) -> None:
    talk = Talk(compiled, [typed, "off"])
    assert talk.answers == {"backlight": "off"}
    assert talk.said.count("> ") == 3
    assert "\x1b" not in talk.text


def test_an_answer_that_contradicts_the_rest_is_not_taken(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["panel=fine", "glass=cracked", "off"])
    assert "contradict each other" in talk.text
    assert [spoken(*answer) for answer in talk.answers.items()] == ["panel=fine", "backlight=off"]


def test_a_swollen_battery_ends_the_session_at_once(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["battery_shape=swollen", "this is never read"])
    assert talk.view.told.stop
    assert talk.said[-1] == "> "


def test_the_battery_is_looked_at_before_any_other_work_under_the_cover(
    compiled: CompiledModel,
) -> None:
    to_the_bench = ["off", "none", "whole", "no", ""]
    talk = Talk(compiled, [*to_the_bench, "swollen", "this is never read"])
    assert talk.view.told.stop
    assert talk.session.place.case.stage == "cover_off"
    assert "Is the cable fully home?" not in talk.text
    skipped = Talk(compiled, [*to_the_bench, "skip"])
    assert skipped.said[-2].strip().startswith("At the bench: Look at the light cable")


def test_it_ends_by_itself_when_nothing_is_worth_its_cost(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["on", "spoilt", "cracked", "", "", "", "", "", "", ""])
    assert talk.view.told.next is None
    assert talk.said[-1] != "> "


class Written:
    """Keeps what a session writes down."""

    def __init__(self) -> None:
        self.log: list[object] = []

    def keep(self, name: str, result: str | None, stage: str | None) -> None:
        self.log.append((name, result, stage))

    def undo(self) -> None:
        self.log.append("undo")

    def check(self, told: object, name: str, result: str | None) -> None:
        pass


def test_on_a_ticket_each_answer_is_written_at_once_and_back_takes_it_back(
    compiled: CompiledModel,
) -> None:
    written, answers = Written(), iter(["off", "none", "back", "", "whole", "no", "", "flat"])
    screen = Lines(lambda _: next(answers, "done"), lambda _: None)
    session = Session(Place(Case(compiled)), screen, keeper=written)
    session.run()
    assert written.log == [
        ("backlight", "off", None),
        ("image", "none", None),
        "undo",
        ("image", None, None),
        ("glass", "whole", None),
        ("knock", "no", None),
        ("battery_shape", "flat", "cover_off"),
    ]


def test_own_words_offer_the_findings_they_speak_of(compiled: CompiledModel) -> None:
    talk = Talk(compiled, ["cracked glass somewhere"])
    assert "(glass)" in talk.text.partition("Did you see one of these?")[2]
    assert talk.answers == {}
    chosen = Talk(compiled, ["cracked glass somewhere", "1", "cracked"])
    assert chosen.answers == {"glass": "cracked"}


def test_a_name_leads_to_its_question_and_a_cause_to_what_tells_most_of_it(
    compiled: CompiledModel,
) -> None:
    assert Talk(compiled, ["glass", "whole"]).answers == {"glass": "whole"}
    talk = Talk(compiled, ["panel", "?"])
    assert "this tells most of it for its cost" in talk.text
    assert list(talk.answers.values()) == [None]


# At a real terminal


class Terminal:
    """The command in a terminal of its own."""

    def __init__(self, folder: Path, *words: str, **more: str) -> None:
        main, side = pty.openpty()
        self.main = main
        self.process = subprocess.Popen(
            [sys.executable, "-m", "faultfinder.cli.main", "next", *words],
            stdin=side,
            stdout=side,
            stderr=side,
            env={**os.environ, "TERM": "dumb", **more},
            cwd=folder,
            start_new_session=True,
        )
        os.close(side)
        self.text = ""
        self.seen = 0

    def until(self, mark: str, seconds: float = 60.0) -> str:
        """Read on until `mark` comes; all that came since the mark before."""
        end = time.monotonic() + seconds
        while mark not in self.text[self.seen :]:
            assert time.monotonic() < end, f"{mark!r} did not come: {self.text[self.seen :]!r}"
            if not self._more():
                break
        begin, found = self.seen, self.text.find(mark, self.seen)
        assert found >= 0, f"{mark!r} did not come: {self.text[begin:]!r}"
        self.seen = found + len(mark)
        return self.text[begin : self.seen]

    def type(self, words: str) -> None:
        os.write(self.main, words.encode())

    def end(self) -> int:
        """Read to the end; the exit status."""
        while self._more():
            pass
        os.close(self.main)
        return self.process.wait(timeout=60)

    def _more(self) -> bool:
        if not select.select([self.main], [], [], 30.0)[0]:
            return False
        try:
            data = os.read(self.main, 65536)
        except OSError:  # the other end is closed
            return False
        self.text += data.decode(errors="replace")
        return bool(data)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    models = tmp_path / "models"
    models.mkdir()
    write_small_lid(models)
    monkeypatch.setenv("FAULTFINDER_MODELS", str(models))
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    work = tmp_path / "work"
    work.mkdir()
    return work


def test_at_a_terminal_it_asks_and_ends_with_the_page(folder: Path) -> None:
    terminal = Terminal(folder, "-m", "small_lid")
    terminal.until("\n> ")
    terminal.type("dark\n")
    terminal.until("What does the panel show?")
    terminal.until("\n> ")
    terminal.type("done\n")
    assert terminal.end() == 0
    assert "NEXT  " in terminal.text
    assert terminal.text.startswith("No ticket: nothing is written down.")
    assert "faultfinder next -m small_lid -s backlight=off" in terminal.text


def test_headings_are_bold_at_a_terminal_and_plain_under_no_color(folder: Path) -> None:
    for more, bold in (
        ({"TERM": "xterm"}, True),
        ({"TERM": "xterm", "NO_COLOR": "1"}, False),
        ({"TERM": "dumb"}, False),
    ):
        terminal = Terminal(folder, "-m", "small_lid", "-s", "backlight=off", "--full", **more)
        assert terminal.end() == 0
        assert ("\x1b[1mLikely causes\x1b[0m" in terminal.text) is bold
        assert ("\x1b" in terminal.text) is bold


def test_ctrl_c_is_one_sentence_status_2_and_nothing_written(folder: Path) -> None:
    terminal = Terminal(folder, "-m", "small_lid")
    terminal.until("\n> ")
    terminal.type("off\n")
    terminal.until("\n> ")
    os.kill(terminal.process.pid, signal.SIGINT)
    assert terminal.end() == 2
    assert terminal.text.rstrip().endswith("Stopped. Nothing was written.")
    assert "Traceback" not in terminal.text
    assert list(folder.iterdir()) == []


def test_the_end_of_input_is_one_sentence_status_2_and_nothing_written(folder: Path) -> None:
    terminal = Terminal(folder, "-m", "small_lid")
    terminal.until("\n> ")
    terminal.type("\x04")
    assert terminal.end() == 2
    assert terminal.text.rstrip().endswith("Stopped. Nothing was written.")
    assert "Traceback" not in terminal.text
    assert list(folder.iterdir()) == []


def test_what_is_typed_cannot_steer_the_terminal(folder: Path) -> None:
    terminal = Terminal(folder, "-m", "small_lid")
    terminal.until("\n> ")
    # Ctrl-V takes the next key as it is, also an escape.
    terminal.type("x\x16\x1b[31m\n")
    said = terminal.until("is not a result of backlight")
    assert said.splitlines()[-1].startswith('"x\\x1b[31m"')
    terminal.type("done\n")
    assert terminal.end() == 0
