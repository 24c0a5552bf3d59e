"""What is kept of tickets for lists: read where it is known, never out of date, no loss."""

from __future__ import annotations

import json
import re
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import faultfinder
from faultfinder import Case, Naming, Shop, Tried, consult, load_model
from faultfinder.cli import known, on_ticket, standings
from faultfinder.cli.main import commands
from faultfinder.consultation.consult import Consultation
from faultfinder.inference.cache import cache_folder
from tests import MODELS_BEFORE

OTHER: dict[str, Any] = {
    "model": load_model(MODELS_BEFORE / "bezel_clamshell.yaml"),
    "results": {"backlight": "off"},
    "stage": "cover_off",
    "tried": (Tried("reseat_data"),),
    "worth": 250.0,
    "shop": Shop(labour_per_hour=75.0),
    "likelier": {"panel": 3.0},
    "judged": {"panel": "dead"},
    "naming": Naming(wrong=200.0),
}
"""For each thing that a case is made of another value than a plain case has."""


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    models = tmp_path / "models"
    models.mkdir()
    for file in MODELS_BEFORE.iterdir():
        (models / file.name).symlink_to(file)
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    monkeypatch.setenv("FAULTFINDER_MODELS", str(models))
    (tmp_path / "shop.yaml").write_text("labour_per_hour: 60\n")
    monkeypatch.setenv("FAULTFINDER_SHOP", str(tmp_path / "shop.yaml"))
    return tmp_path


def run(*words: str) -> str:
    # Each command is a process of its own.
    on_ticket._model_at.cache_clear()
    done = CliRunner().invoke(commands, list(words))
    assert done.exit_code == 0, done.output
    return done.output


def triage() -> dict[int, dict[str, Any]]:
    rows = json.loads(run("triage", "--json"))
    return {row["ticket"]: row for row in (*rows["turns"], *rows["blocked"])}


def worked_out(patch: pytest.MonkeyPatch) -> list[Case]:
    """The cases that lists work out from here on."""
    cases: list[Case] = []

    def noted(case: Case) -> Consultation:
        cases.append(case)
        return consult(case)

    patch.setattr(standings, "consult", noted)
    return cases


def agrees(ticket: int) -> None:
    """Whether the list says what `next` says."""
    said = json.loads(run("next", str(ticket), "--json"))
    row = triage()[ticket]
    assert row["next"] == said["next_step"]
    causes = {one["cause"]: one["probability"] for one in said["causes"]}
    assert row["causes"] == pytest.approx(causes, abs=1e-12)


@pytest.mark.parametrize("name", [field.name for field in fields(Case)])
def test_whatever_differs_in_a_case_it_is_another_one(name: str) -> None:
    plain = Case(load_model(MODELS_BEFORE / "thin_clamshell.yaml"))
    assert known.key_of(plain) == known.key_of(replace(plain))
    assert known.key_of(replace(plain, **{name: OTHER[name]})) != known.key_of(plain)


def test_a_program_that_has_changed_knows_nothing_of_what_was_kept(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    root = tmp_path / "program"
    (root / "decide").mkdir(parents=True)
    module = root / "decide" / "policy.py"
    module.write_text("WIDTH = 3\n")
    (root / "__init__.py").write_text("")
    monkeypatch.setattr(faultfinder, "__file__", str(root / "__init__.py"))
    known._program.cache_clear()
    before = known._program()
    known._program.cache_clear()
    assert known._program() == before
    module.write_text("WIDTH = 40\n")
    known._program.cache_clear()
    assert known._program() != before
    monkeypatch.undo()
    known._program.cache_clear()


def test_what_a_page_worked_out_the_morning_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    run("found", "1", "image=none")
    run("intake", "-m", "folding_touch", "-s", "backlight=off")
    run("next", "2")
    cases = worked_out(monkeypatch)
    first = triage()
    assert not cases
    for file in cache_folder().glob("standings-*"):
        file.unlink()
    assert triage() == first
    assert len(cases) == 2
    agrees(1)
    agrees(2)


def test_a_target_changes_nothing_of_what_lists_say(monkeypatch: pytest.MonkeyPatch) -> None:
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    first = triage()
    for file in cache_folder().glob("standings-*"):
        file.unlink()
    run("next", "1", "--target", "panel")
    cases = worked_out(monkeypatch)
    assert triage() == first
    assert cases


def test_nothing_out_of_date_is_read_after_a_judgement(place: Path) -> None:
    for _ in range(2):
        run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    before = triage()
    assert before[1]["causes"] == before[2]["causes"]
    run("found", "2", "panel=dead", "--judgement")
    after = triage()
    assert after[2]["causes"]["panel"] > before[2]["causes"]["panel"] + 0.05
    assert after[1]["causes"] == before[1]["causes"]
    agrees(1)
    agrees(2)


def test_nothing_out_of_date_is_read_after_edits_and_settings(place: Path) -> None:
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    before = triage()
    (place / "shop.yaml").write_text("labour_per_hour: 180\nhand_over: 60\n")
    assert triage()[1]["minutes"] != before[1]["minutes"]
    agrees(1)
    (place / "shop.yaml").write_text("labour_per_hour: 60\n")
    assert triage() == before
    # A ticket goes by the version it began with, a new one by the edited file, and back again.
    file = place / "models" / "thin_clamshell.yaml"
    text = file.read_text(encoding="utf-8")
    edited = re.sub(r"(missed: )[0-9.]+", r"\g<1>0.5", text)
    assert edited != text
    file.unlink()
    file.write_text(edited, encoding="utf-8")
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    one, other = triage()[1], triage()[2]
    assert one["minutes"] == before[1]["minutes"] != other["minutes"]
    agrees(2)
    run("remodel", "1")
    assert triage()[1]["minutes"] == other["minutes"]
    agrees(1)
    file.write_text(text, encoding="utf-8")
    run("remodel", "1")
    assert triage()[1] == before[1]
    agrees(1)


def test_a_damaged_line_is_passed_over_and_the_rest_is_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    run("intake", "-m", "thin_clamshell", "-s", "image=lines")
    (file,) = cache_folder().glob("standings-*")
    first = triage()
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(
        b'\xff{"key": 3}\n[]\n{"key": "a", "row": 4}\n' + b"".join(lines[:-1]) + b'{"k'
    )
    cases = worked_out(monkeypatch)
    assert triage() == first
    assert len(cases) == 1


def test_what_is_kept_does_not_grow_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(known, "AT_MOST", 10_000)
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    (file,) = cache_folder().glob("standings-*")
    first = triage()
    for _ in range(12):
        run("next", "1")
    assert file.stat().st_size < 20_000
    assert triage() == first
