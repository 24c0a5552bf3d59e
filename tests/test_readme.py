"""README.md stays true: every command it shows is run, and prints what it shows.

    python -m tests.test_readme

writes the shown output anew, for when it has rightly changed.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from faultfinder import Case, consult, load_model
from faultfinder.cli.next_command import next_command
from faultfinder.report.consultation.short import NO_TICKET
from tests import MODELS

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
FIRST = {"after": "own_repair", "screen_light": "dark"}
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.M | re.S)
CI_BLOCK = re.compile(r"^<!-- ci: (\w+) -->\n```sh\n(.*?)^```$", re.M | re.S)


def shown() -> list[tuple[str, str]]:
    """Each command in a console block, and the output shown below it."""
    pairs = []
    for block in BLOCK.findall(README.read_text(encoding="utf-8")):
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            command, _, output = part.partition("\n")
            pairs.append((command, output.rstrip("\n")))
    return pairs


def printed(command: str, kept: str) -> str:
    """What a command prints, run in this folder with nobody's settings."""
    own = {k: v for k, v in os.environ.items() if not k.startswith("FAULTFINDER")}
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=ROOT,
        env={
            **own,
            "FAULTFINDER_CACHE": kept,
            "XDG_CONFIG_HOME": os.path.join(kept, "no_settings"),
            "PATH": f"{Path(sys.executable).parent}{os.pathsep}{own['PATH']}",
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=500,
        check=False,
    )
    return done.stdout.rstrip("\n")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(tmp_path_factory.mktemp("kept"))


@pytest.mark.parametrize(("command", "output"), shown(), ids=lambda text: text[:60])
def test_every_shown_command_prints_what_is_shown(command: str, output: str, kept: str) -> None:
    assert output, "no output is shown for this command"
    assert printed(command, kept) == output


def test_the_demo_ticket_runs_as_the_first_command_says(kept: str) -> None:
    commands = dict(CI_BLOCK.findall(README.read_text(encoding="utf-8")))
    assert set(commands) == {"demo", "tests"}
    last = commands["demo"].split("&&")[-1].strip().replace(".venv/bin/", "")
    assert last.startswith("xargs faultfinder next < demo_data/")
    said = printed(last, kept)
    head, step, *_ = said.splitlines()
    assert head.startswith(NO_TICKET)
    assert step.startswith("NEXT  ")
    (first, *_) = [output for command, output in shown() if "after=own_repair" in command]
    assert said == first, "the first answer is that of the demo ticket"


def test_the_python_example_runs(kept: str) -> None:
    text = README.read_text(encoding="utf-8")
    (program,) = re.findall(r"^```python\n(.*?)^```$", text, re.M | re.S)
    said = printed(f"{shlex.quote(sys.executable)} -c {shlex.quote(program)}", kept)
    told = consult(Case(load_model(str(MODELS / "thin_clamshell.yaml")), FIRST))
    assert told.next_step is not None
    assert said.split() == [str(told.causes["panel"]), told.next_step.name]


def test_every_option_of_next_is_mentioned() -> None:
    text = README.read_text(encoding="utf-8")
    for option in next_command.params:
        assert any(re.search(rf"{name}\b", text) for name in option.opts), option.name


def test_files_and_variables_it_names_are_there() -> None:
    text = README.read_text(encoding="utf-8")
    for name in ("DEVELOPERS.md", "demo_data/invented_ticket.txt", "models/thin_clamshell.yaml"):
        assert name in text
        assert (ROOT / name).is_file()
    source = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "faultfinder").rglob("*.py"))
    for variable in re.findall(r"\bFAULTFINDER_\w+", text):
        assert variable in source


def test_shown_pages_fit_80_columns() -> None:
    pages = [output for command, output in shown() if command.startswith("faultfinder next")]
    assert pages
    for page in pages:
        # A command to paste stays whole.
        lines = [line for line in page.splitlines() if not line.startswith("faultfinder ")]
        assert all(len(line) <= 80 for line in lines)


def rewrite() -> None:
    """Run every shown command and put what it prints below it."""

    def renewed(block: re.Match[str]) -> str:
        commands = re.findall(r"^\$ (.*)$", block[1], re.M)
        body = "".join(f"$ {command}\n{printed(command, kept)}\n" for command in commands)
        return f"```console\n{body}```"

    with tempfile.TemporaryDirectory() as kept:
        text = README.read_text(encoding="utf-8")
        README.write_text(BLOCK.sub(renewed, text), encoding="utf-8")


if __name__ == "__main__":
    rewrite()
