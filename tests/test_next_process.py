"""`faultfinder next` as a process, and names completed by the shell."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from faultfinder.inference.loading import load_model
from tests.conftest import DARK
from tests.invented_models import SMALL_LID

# One process


def process(*words: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "faultfinder.cli.main", *words],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **more},
        timeout=120,
        check=False,
    )


def test_an_everyday_run_imports_neither_yaml_nor_networkx_nor_pgmpy_nor_scipy(
    own_folders: Path,
) -> None:
    load_model("small_lid")
    program = (
        "import sys\n"
        "from faultfinder.cli.main import commands\n"
        "try:\n"
        "    commands.main(sys.argv[1:], prog_name='faultfinder')\n"
        "finally:\n"
        "    heavy = {'yaml', 'networkx', 'pgmpy', 'scipy', 'pandas', 'sklearn', 'torch'}\n"
        "    heavy |= {'sqlalchemy', 'jinja2', 'matplotlib'}\n"
        "    print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    for words in (DARK, (*DARK, "--json"), (*DARK, "--why", "lamp")):
        done = subprocess.run(
            [sys.executable, "-c", program, "next", "-m", "small_lid", *words],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        assert done.stderr.strip() == "[]"


def test_without_a_terminal_it_answers_for_the_complaint_and_does_not_wait(
    own_folders: Path,
) -> None:
    done = process("next", "-m", "small_lid")
    assert done.returncode == 0
    assert done.stdout.startswith("No ticket: nothing is written down.")
    assert "\nNEXT  " in done.stdout
    assert done.stdout.endswith("faultfinder next -m small_lid --keep\n")
    assert "Known:" not in done.stdout


def test_a_terminal_without_the_sign_gets_its_code(own_folders: Path) -> None:
    marked = SMALL_LID.replace("title: Panel broken", "title: Panel broken Ω")
    (own_folders / "small_lid.yaml").write_text(marked, encoding="utf-8")
    done = process("next", "-m", "small_lid", PYTHONIOENCODING="latin-1", PYTHONUTF8="0")
    assert done.returncode == 0
    assert "Panel broken \\u03a9" in done.stdout


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_a_full_disk_is_a_sentence_and_status_1(own_folders: Path) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "faultfinder.cli.main", "next", "-m", "small_lid"],
            stdout=full,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            text=True,
            timeout=120,
            check=False,
        )
    assert done.returncode == 1
    assert "No space left" in done.stderr
    assert "Traceback" not in done.stderr


# Completion by the shell


def complete(words: list[str], place: int) -> list[str]:
    done = process(
        COMP_WORDS="\n".join(words), COMP_CWORD=str(place), _FAULTFINDER_COMPLETE="bash_complete"
    )
    assert done.stderr == ""
    return [line.partition(",")[2] for line in done.stdout.splitlines() if line]


def typed(*words: str) -> list[str]:
    """Words as bash hands them over when the last one is being completed."""
    return complete(["faultfinder", "next", "-m", "small_lid", *words], 3 + len(words))


def test_the_shell_completes_models_checks_and_stages(own_folders: Path) -> None:
    assert "small_lid" in complete(["faultfinder", "next", "-m", "sm"], 3)
    assert typed("--why", "look_c") == ["look_cable"]
    assert typed("--stage", "cov") == ["cover_off"]


def test_the_shell_completes_findings_then_their_results(own_folders: Path) -> None:
    assert typed("-s", "ba") == ["backlight=", "battery_shape="]
    assert typed("-s", "knoc") == [
        "knock=no",
        "knock=yes",
        "knock=dropped",
        "knock=squeezed",
        "knock=unknown",
    ]
    # bash hands NAME=RESULT over in three pieces and wants only the last one back.
    assert typed("-s", "backlight", "=", "o") == ["on", "off"]
    assert typed("-s", "battery_shape", "=") == ["flat", "swollen", "unknown"]


def test_a_finding_already_given_is_not_offered_again(own_folders: Path) -> None:
    assert typed("-s", "backlight", "=", "off", "-s", "ba") == [
        "battery_shape=flat",
        "battery_shape=swollen",
        "battery_shape=unknown",
    ]


def test_on_a_ticket_a_cause_is_completed_by_its_states(
    own_folders: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """For `--judgement`; findings come as anywhere."""
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    assert process("intake", "-m", "small_lid", *DARK, "--complaint", "Invented: dark").stderr == ""
    words = ["faultfinder", "found", "1"]
    assert complete([*words, "strip", "="], 4) == ["fine", "dead", "unknown"]
    assert complete([*words, "battery_shape", "="], 4) == ["flat", "swollen", "unknown"]


def test_completion_stays_silent_when_there_is_no_model(own_folders: Path) -> None:
    assert complete(["faultfinder", "next", "-m", "nowhere", "-s", "b"], 5) == []
