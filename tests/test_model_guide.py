"""The commands that README.md shows for model files work as shown."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from faultfinder.cli.main import commands
from tests import MODELS_BEFORE

README = Path(__file__).parent.parent / "README.md"


def test_the_commands_of_the_readme_work_as_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = README.read_text(encoding="utf-8")
    blocks = [block.split("```")[0] for block in text.split("```sh\n")[1:]]
    blocks = [block for block in blocks if "model keys" in block]
    lines = [
        line.split("  #")[0].split(" # ")[0] for block in blocks for line in block.splitlines()
    ]
    assert len(lines) >= 6
    (tmp_path / "demo_data").symlink_to(README.parent / "tests" / "demo_before")
    (tmp_path / "models").symlink_to(MODELS_BEFORE)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "faultfinder"
        done = CliRunner().invoke(commands, words)
        assert done.exit_code == 0, f"{line}: {done.output}"
