"""`faultfinder plan` and `prove`: on the screen, on paper, and for programs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from faultfinder.cli.main import commands
from faultfinder.consultation.bench import build_problem
from faultfinder.decide.plan import make_plan
from faultfinder.decide.policies.roll_out import RollOut
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import compile_model
from faultfinder.report.plan.page import plan_page
from tests.chromium import POLICY, check_look, measured, policy_of, printed_pages
from tests.on_paper import check_paper
from tests.small_shop import small_shop

DARK = ("--saw", "backlight=off", "--saw", "image=none")


def run(command: str, *arguments: str) -> Result:
    return CliRunner().invoke(commands, [command, "-m", "thin_clamshell", *arguments])


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plan") / "plan.html"
    done = run("plan", *DARK, "--html", str(path))
    assert done.exit_code == 0, done.output
    return path


def test_the_plan_fits_a_terminal_and_names_a_repair_at_every_end() -> None:
    done = run("plan", *DARK)
    assert done.exit_code == 0
    lines = done.output.splitlines()
    assert max(map(len, lines)) <= 80
    assert any(line.lstrip().startswith("1. ") for line in lines)
    assert "likely at this point:" in done.output
    assert "Never power up with a connector half seated" in " ".join(done.output.split())
    assert "Caution:" in done.output
    assert "EUR" in done.output


def test_the_json_plan_adds_up() -> None:
    told = json.loads(run("plan", *DARK, "--json", "--fold", "10").output)

    def walk(node: dict) -> Iterator[dict]:
        yield node
        for branch in node["branches"]:
            yield from walk(branch["then"])

    nodes = list(walk(told["plan"]))
    leaves = [node for node in nodes if not node["branches"]]
    assert sum(node["reached"] for node in leaves) == pytest.approx(1.0, abs=1e-6)
    for node in nodes:
        if node["branches"]:
            assert sum(b["probability"] for b in node["branches"]) == pytest.approx(1.0, abs=1e-6)
            below = sum(b["probability"] * b["then"]["expected_cost"] for b in node["branches"])
            assert node["expected_cost"] == pytest.approx(node["cost"] + below)
        if node["kind"] == "order":
            assert node["folded"] in ("depth", "unlikely")
    assert told["plan"]["expected_cost"] == pytest.approx(told["expected_cost"])


def test_the_dot_plan_is_a_tree() -> None:
    text = run("plan", *DARK, "--dot", "--fold", "10").output
    assert text.startswith("digraph plan {")
    assert text.rstrip().endswith("}")
    nodes = set(re.findall(r"^  (n\d+) \[", text, re.M))
    edges = re.findall(r"^  (n\d+) -> (n\d+) \[", text, re.M)
    assert {end for pair in edges for end in pair} <= nodes
    assert len(edges) == len(nodes) - 1
    assert text.count('"') % 2 == 0


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_the_page_prints_on_three_sheets(page: Path, tmp_path: Path, paper: str) -> None:
    assert 1 <= printed_pages(page, tmp_path, paper) <= 3


def test_the_page_stands_by_itself_and_fits_phone_and_paper(page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"(src|href)=[\"'](?!#)", text)
    assert "@import" not in text
    assert policy_of(text) == POLICY
    check_look(text, tmp_path, cautions=True)
    check_paper(page, tmp_path)


def test_every_step_named_on_the_page_is_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    named = set(re.findall(r'href="#(s\d+)"', text))
    there = set(re.findall(r'<section[^>]* id="(s\d+)"', text))
    assert named
    assert named <= there


def test_markup_in_a_model_is_shown_and_never_run(tmp_path: Path) -> None:
    model = small_shop()
    evil = "<script>document.title='run'</script>"
    model = replace(
        model,
        title=evil,
        checks=tuple(replace(c, title=evil, how=(evil,), caution=evil) for c in model.checks),
        repairs=tuple(replace(r, title=evil) for r in model.repairs),
    )
    compiled = compile_model(model)
    problem = build_problem(compiled, {}, shop=Shop(), at_once=4)
    plan = make_plan(problem, RollOut(problem, 40.0), fold_below=0.1, depth=3)
    path = tmp_path / "evil.html"
    path.write_text(plan_page(model, plan, compiled.routes, evil, evil), encoding="utf-8")
    assert "<script" not in path.read_text(encoding="utf-8")
    assert measured(path, tmp_path, 800, "d.title==='run'") == "false"


def test_a_repair_that_did_not_cure_is_not_planned_again() -> None:
    told = json.loads(run("plan", *DARK, "--tried", "reseat_data", "--json").output)
    assert "reseat_data" not in json.dumps(told["plan"])
    again = run("next", "--full", *DARK, "--tried", "reseat_data", "--now", "backlight=on")
    assert again.exit_code == 0
    assert "Tried: Reseat the display data plug" in again.output


def test_prove_shows_the_work_and_the_tests_before_the_cover_goes_on() -> None:
    done = run("prove", "new_assembly")
    assert done.exit_code == 0
    assert max(map(len, done.output.splitlines())) <= 80
    before, after = done.output.index("Before the cover"), done.output.index("After closing")
    assert before < done.output.index("Whole brightness range") < after
    assert "Caution:" in done.output[:before]
    told = json.loads(run("prove", "new_assembly", "--json").output)
    assert {item["proof"] for item in told["proof"]} >= {"brightness_range", "lid_angles", "screws"}


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("plan", "--saw", "backlihgt=off"), 2, "backlight"),
        (("plan", "--tried", "reseat_dat"), 2, "reseat_data"),
        (("plan", "--now", "backlight=on"), 2, "--tried"),
        (("plan", "--tried", "reseat_data", "--tried", "reseat_data"), 2, "twice"),
        (("plan", "--stage", "clsoed"), 2, "closed"),
        (("plan", "--saw", "battery_shape=swollen"), 1, "STOP"),
        (("plan", "--tried", "reseat_data", "--now", "battery_shape=swollen"), 1, "STOP"),
        (("next", "--tried", "reseat_data", "--why", "nope"), 2, "no check"),
        (("next", "--tried", "reseat_data", "--why", "ask_knock"), 1, "counter"),
        (("next", "--tried", "reseat_data", "--target", "panel"), 2, "--target"),
        (("next", "-s", "knock=no", "--tried", "reseat_data", "--now", "knock=yes"), 2, "twice"),
        (("plan", "--planner", "exact"), 1, "look-ahead"),
        (("plan", "--fold", "nan"), 2, "percentage"),
        (("plan", "--planner", "oracle"), 2, "roll-out"),
        (("prove", "new_assemblee"), 2, "new_assembly"),
        (("plan", *DARK, "--html", "/nowhere/plan.html"), 1, "cannot be written"),
    ],
)
def test_bad_input_gets_a_sentence(arguments: tuple[str, ...], status: int, said: str) -> None:
    done = run(*arguments)
    assert done.exit_code == status
    assert said in done.output
    assert "Traceback" not in done.output
