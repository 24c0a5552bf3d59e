"""Lists, the morning's work, comebacks, privacy and model versions, by the commands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from faultfinder.cli.main import commands
from faultfinder.tickets.opening import open_store
from tests import MODELS_BEFORE

MODELS = Path(__file__).parent / "models_before"


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "tickets.db"
    monkeypatch.setenv("FAULTFINDER_DB", str(path))
    monkeypatch.setenv("FAULTFINDER_WHO", "invented ana")
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))
    return path


def run(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(commands, list(words))
    assert done.exit_code == status, done.output
    return done


def listed(*words: str) -> list[int]:
    return [row["ticket"] for row in json.loads(run("tickets", *words, "--json").output)]


def test_a_list_says_where_each_stands_what_blocks_it_and_how_sure_it_is() -> None:
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off", "--complaint", "Invented: dark")
    run("intake", "-m", "thin_clamshell", "-s", "image=lines")
    run("hold", "2", "customer", "--why", "asked for a quote")
    run("ordered", "1", "assembly", "--due", "2027-01-02", "--for", "new_assembly")
    page = " ".join(run("tickets").output.split())
    assert "Blocked: part on order: assembly, due 2027-01-02" in page
    assert "Blocked: waits for customer since" in page
    assert "asked for a quote" in page
    assert "Most likely: " in page
    first, second = json.loads(run("tickets", "--json").output)
    assert 0.0 < first["probability"] < 1.0
    assert first["blocked_by"] == ["part on order: assembly, due 2027-01-02"]
    assert second["next_check"]
    run("arrived", "1")
    run("resume", "2")
    assert "Blocked" not in run("tickets").output


def test_the_list_says_the_same_kept_or_worked_out_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    new = run("tickets", "--json").output
    assert list((tmp_path / "kept").glob("standings-*"))
    assert run("tickets", "--json").output == new
    run("found", "1", "image=none")
    assert run("tickets", "--json").output != new
    for place in (tmp_path / "kept").glob("standings-*"):
        place.write_text("{broken")
    run("takeback", "1", "3")
    assert json.loads(run("tickets", "--json").output) == json.loads(new)


def test_filters_and_words_find_tickets() -> None:
    run(
        "intake",
        "-m",
        "thin_clamshell",
        "-s",
        "backlight=off",
        "--complaint",
        "Invented: GRÜNER bag, 100% dark",
    )
    run("intake", "-m", "thin_clamshell", "-s", "image=lines", "--by", "invented ben")
    run(
        "intake",
        "-m",
        "thin_clamshell",
        "-s",
        "image=none",
        "--complaint",
        "Invented: bag left in the rain",
    )
    run("close", "3", "--cause", "panel", "--without-proof")
    run("note", "2", "lines again after lunch")
    run("hold", "2", "approval")
    assert listed() == [1, 2]
    assert listed("--closed") == [3]
    assert listed("--all") == [3, 2, 1]
    assert listed("-w", "grüner BAG") == [1]
    assert listed("-w", "100%") == [1]
    assert listed("-w", "100_") == []
    assert listed("--all", "-w", "bag", "-w", "rain") == [3]
    assert listed("-w", "lunch") == [2]
    assert listed("--blocked") == [2]
    assert listed("--free") == [1]
    assert listed("--who", "invented ben") == [2]
    assert listed("--closed", "--cause", "panel") == [3]
    assert listed("--closed", "--cause", "board") == []
    assert listed("--outcome", "repaired") == [3]
    assert listed("--since", "2999-01-01") == []
    assert listed("--until", "2999-01-01") == [1, 2]
    assert listed("--limit", "1") == [1]
    assert "1 more ticket" in run("tickets", "--limit", "1").output
    likely = json.loads(run("tickets", "--json").output)[0]["cause"]
    assert 1 in listed("--cause", likely)
    assert listed("-w", "'); drop table ticket; --") == []


def test_triage_puts_short_jobs_first_and_blocked_ones_last() -> None:
    run("intake", "-m", "thin_clamshell", "-s", "backlight=off")
    run(
        "intake",
        "-m",
        "thin_clamshell",
        "-s",
        "backlight=off",
        "-s",
        "image=none",
        "-s",
        "knock=yes",
    )
    run("intake", "-m", "thin_clamshell", "-s", "image=none")
    run("hold", "3", "customer")
    told = json.loads(run("triage", "--json").output)
    minutes = [turn["minutes"] for turn in told["turns"]]
    assert sorted(turn["ticket"] for turn in told["turns"]) == [1, 2]
    assert minutes == sorted(minutes)
    assert max(minutes) > 0.0
    assert [row["ticket"] for row in told["blocked"]] == [3]
    page = run("triage", "--benches", "2").output
    assert "Bench 2" in page
    assert page.index("Bench 1") < page.index("Blocked")
    assert max(map(len, page.splitlines())) <= 80


def test_a_bulging_battery_stands_first_in_triage_and_blocks_the_ticket() -> None:
    run("intake", "-m", "thin_clamshell", "-s", "image=none")
    run("intake", "-m", "thin_clamshell", "-s", "image=none", "-s", "case_bulge=bulging")
    page = run("triage").output
    assert page.startswith("STOP: ticket 2")
    assert "safety" in run("tickets", "--blocked").output


def test_a_comeback_is_linked_to_its_first_ticket() -> None:
    run("intake", "-m", "thin_clamshell", "-s", "image=none")
    run("close", "1", "--cause", "data_connector", "--without-proof")
    page = run("intake", "--comeback-of", "1", "-s", "image=none").output
    assert "within the guarantee of 90 days" in " ".join(page.split())
    assert "(data_connector)" in page
    assert "A comeback of ticket 1" in run("next", "2").output
    assert "A comeback of ticket 1" in run("ticket", "2").output
    assert "It came back: ticket 2" in run("ticket", "1").output
    assert json.loads(run("ticket", "1", "--json").output)["comebacks"] == [2]


def test_personal_fields_are_erased_and_the_learning_data_stays() -> None:
    run("intake", "-m", "thin_clamshell", "-s", "image=none", "--customer", "Invented Person",
        "--serial", "INV-1", "--complaint", "dark", "--left", "charger", "--consent", "opening",
        "--limit", "120", "--data-copy", "no", "--condition", "dent")  # fmt: skip
    page = run("ticket", "1").output
    for said in ("Invented Person", "INV-1", "charger", "opening", "120.00 EUR", "dent"):
        assert said in page
    assert "Invented Person" not in run("next", "1").output
    assert "Give back what was left" in run("close", "1", "--outcome", "uneconomic").output
    run("erase", "1", status=2)
    run("erase", "1", "--yes")
    page = run("ticket", "1").output
    assert "Invented Person" not in page
    assert "INV-1" not in page
    assert "dark" in page
    told = json.loads(run("ticket", "1", "--json").output)
    assert told["findings"] == {"image": "none"}
    assert told["person"] == {}
    run("takeback", "1", str(told["log"][-1]["entry"]), status=2)


def test_an_open_ticket_keeps_its_model_version_until_told_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    models = tmp_path / "models"
    shutil.copytree(MODELS, models)
    own = models / "common" / "histories.yaml"
    monkeypatch.setenv("FAULTFINDER_MODELS", str(models))
    run("intake", "-m", "thin_clamshell", "-s", "image=none")
    before = run("next", "1", "--json").output
    changed = own.read_text(encoding="utf-8").replace("chance: {yes: 0.20}", "chance: {yes: 0.60}")
    own.write_text(changed, encoding="utf-8")
    assert run("next", "1", "--json").output == before
    assert run("next", "-m", "thin_clamshell", "-s", "image=none", "--json").output != before
    run("found", "1", "backlight=off")
    versions = {e.entry.read_by for e in open_store().ticket(1).events if e.entry.read_by}
    run("remodel", "1")
    assert run("next", "1", "--json").output != before
    run("found", "1", "lid_move=no_change")
    after = {e.entry.read_by for e in open_store().ticket(1).events if e.kind == "found"}
    assert len(after) == 2
    assert len(versions) == 1
    own.write_text("no model any more", encoding="utf-8")
    assert "image=none" in run("next", "1").output


def test_db_names_the_place(tmp_path: Path) -> None:
    elsewhere = str(tmp_path / "else where.db")
    run("intake", "-m", "thin_clamshell", "-s", "image=none", "--db", elsewhere)
    assert listed("--db", elsewhere) == [1]
    assert "There are no tickets at" in run("tickets", status=1).output


def test_backup_restore_and_check_by_command(tmp_path: Path) -> None:
    run("intake", "-m", "thin_clamshell", "-s", "image=none")
    copy = str(tmp_path / "back\nup.db")
    assert "1 ticket with 2 entries backed up" in run("store", "backup", copy).output
    run("store", "restore", copy, status=1)
    new = str(tmp_path / "new.db")
    assert "agrees with the backup" in run("store", "restore", copy, "--db", new).output
    assert "In order: 1 ticket with 2 entries." in run("store", "check", "--db", new).output
    assert "already" in run("store", "upgrade", "--db", new).output
    run("store", "restore", str(tmp_path / "none"), "--db", str(tmp_path / "n2"), status=1)
    run("store", "backup", str(tmp_path / "new folder" / "x"))
    assert (tmp_path / "new folder").stat().st_mode & 0o777 == 0o700


def test_a_sheet_is_written_whole_to_any_file_name(tmp_path: Path) -> None:
    run("intake", "-m", "thin_clamshell", "-s", "image=none", "--customer", "Invented Person")
    run("note", "1", "<script>document.title='run'</script>\x1b[2J")
    target = tmp_path / "a sheet\nof paper.html"
    said = run("sheet", "1", "--html", str(target)).output
    assert "\n" not in said.strip()
    page = target.read_text(encoding="utf-8")
    assert "<script>document" not in page
    assert "Invented Person" not in page
    run("close", "1", "--outcome", "uneconomic")
    run("sheet", "1", "--html", str(target))
    run("sheet", "1", "--html", str(tmp_path / "none" / "x.html"), status=1)
