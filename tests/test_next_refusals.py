"""What `faultfinder next` refuses, and text that would act on a terminal."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import faultfinder
from faultfinder.report.wording import harmless
from tests.conftest import DARK, Run, ask
from tests.invented_models import SMALL_LID

# What is refused


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["-s", "backlite=off"], 'This model has no finding "backlite". Did you mean backlight?'),
        (["-s", "backlight=offf"], '"offf" is not a result of backlight. Did you mean off?'),
        (["-s", "backlight"], '"backlight" is no finding with its result.'),
        (["-s", "backlight="], '"backlight=" has no result'),
        (["-s", f"backlight={'1' * 5000}"], "is 5,000 characters long."),
        (["-s", "=off"], '"=off" is no finding with its result.'),
        (
            ["-s", "backlight=off", "-s", "backlight=on"],
            "backlight is given twice: as off and as on.",
        ),
        (["-s", "supply_volts=3.1"], 'The reading "3.1" of supply_volts has no unit.'),
        (["-s", "supply_volts=3.1 A"], 'supply_volts is read in V, not in "A".'),
        (["--stage", "cover"], 'There is no teardown stage "cover". Did you mean cover_off?'),
        (["--target", "panle"], 'There is no cause "panle". Did you mean panel?'),
        (["--target", "panel,,cable"], '"panel,,cable" is no target.'),
        (["--why", "look_gless"], 'This model has no check "look_gless". Did you mean look_glass?'),
        (["--frobnicate"], "--frobnicate"),
    ],
)
def test_misuse_is_one_sentence_on_stderr_and_status_2(
    run: Run, words: list[str], sentence: str
) -> None:
    for form in ([], ["--json"]):
        result = ask(run, *words, *form)
        assert result.exit_code == 2
        assert sentence in result.stderr
        assert result.stdout == ""
        assert "Traceback" not in result.output


@pytest.mark.parametrize("command", ["how", "prove"])
def test_more_digits_than_any_number_has_are_no_ticket(run: Run, command: str) -> None:
    result = run(command, "1" * 5000)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_contradicting_findings_are_named_and_refused_with_status_1(run: Run) -> None:
    result = ask(run, "-s", "panel=fine", "-s", "glass=cracked", "-s", "image=none")
    assert result.exit_code == 1
    assert "contradict each other" in result.stderr
    assert "panel=fine" in result.stderr
    assert "glass=cracked" in result.stderr
    assert "image" not in result.stderr


def test_a_check_that_is_done_or_could_not_be_told_has_no_rank(run: Run) -> None:
    done = ask(run, "-s", "glass=whole", "--why", "look_glass")
    tried = ask(run, "-s", "glass=unknown", "--why", "look_glass")
    assert (done.exit_code, tried.exit_code) == (1, 1)
    assert "known already" in done.stderr
    assert "could not be told" in tried.stderr


def test_an_unknown_model_names_those_at_hand(run: Run) -> None:
    result = run("next", "-m", "smal_lid")
    assert result.exit_code == 2
    assert "small_lid" in result.stderr


def test_an_empty_model_folder_is_a_sentence_and_status_2(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.setenv("FAULTFINDER_MODELS", str(empty))
    result = run("next")
    assert result.exit_code == 2
    assert str(empty) in result.stderr


def test_a_faulty_model_file_lists_all_its_faults(run: Run, own_folders: Path) -> None:
    broken = SMALL_LID.replace("chance: {dead: 0.05}", "chance: {dead: 1.05}").replace(
        "start: closed", "start: clsoed"
    )
    (own_folders / "small_lid.yaml").write_text(broken)
    for words in (("next", "-m", "small_lid"), ("model", "check", "small_lid")):
        result = run(*words)
        assert result.exit_code == 2
        assert result.stdout == ""
        faults = result.stderr.splitlines()
        assert len(faults) >= 2
        assert all("small_lid.yaml:" in fault for fault in faults)


# Text that would act on a terminal

NASTY = "\x1b[31m\x07\r\x9b2J\u202e"


@pytest.mark.parametrize(
    "words",
    [
        ["-s", f"backlight={NASTY}"],
        ["-s", f"{NASTY}=off"],
        ["-s", NASTY],
        ["--stage", NASTY],
        ["--target", NASTY],
        ["--why", NASTY],
        [f"--{NASTY}"],
        [NASTY],
    ],
)
def test_escape_sequences_are_echoed_harmlessly(run: Run, words: list[str]) -> None:
    result = ask(run, *words)
    assert result.exit_code == 2
    assert not set(NASTY) - set("[31m2J") & set(result.output)
    assert "\\x1b[31m" in result.output


def test_escape_sequences_in_a_model_file_are_shown_harmlessly(run: Run, own_folders: Path) -> None:
    marked = SMALL_LID.replace("title: Panel broken", 'title: "Panel \\e[31m broken"')
    (own_folders / "small_lid.yaml").write_text(marked)
    result = ask(run)
    assert "\x1b" not in result.output


def test_harmless_keeps_plain_text_and_shows_the_rest_as_codes() -> None:
    assert harmless("3.1 V Ω ä") == "3.1 V Ω ä"
    assert harmless("a\x1b[0m\nb\x7f\udcff\u202e") == "a\\x1b[0m\\nb\\u007f\\udcff\\u202e"


PACKAGE = Path(faultfinder.__file__).parent
SHOWN = [
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("module", SHOWN)
def test_what_docstrings_show_is_so(module: str) -> None:
    tried = doctest.testmod(importlib.import_module(module))
    assert tried.attempted > 0
    assert tried.failed == 0


def test_no_escape_sequence_is_printed_when_it_is_not_a_terminal(run: Run) -> None:
    assert "\x1b" not in ask(run, *DARK).output
