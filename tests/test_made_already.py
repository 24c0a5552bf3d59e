"""A repair that a check has made is not advised again: it is written down and proved."""

from __future__ import annotations

import pytest

from faultfinder import Case
from faultfinder.consultation.consult import consult
from faultfinder.decide.problem import Problem, RepairAction
from faultfinder.inference.loading import load_model
from tests import MODELS
from tests.conftest import Run

COMPILED = load_model(MODELS / "bezel_clamshell.yaml")
DARK = {"screen_light": "dark", "external_monitor": "nothing"}


def action(
    known: dict[str, str], name: str, stage: str | None = None
) -> tuple[RepairAction, Problem]:
    problem = consult(Case(COMPILED, known, stage=stage)).problem
    return next(one for one in problem.repairs if one.name == name), problem


@pytest.mark.parametrize(
    ("known", "stage", "repair", "check"),
    [
        ({**DARK, "power_drain": "helps"}, None, "drain_power", "drain_all_power"),
        (
            {"screen_light": "dark", "external_monitor": "good", "reseat_at_board": "helps"},
            "plugs_bare",
            "reseat_board_plug",
            "try_board_plug",
        ),
    ],
)
def test_what_helped_as_a_check_costs_no_more_than_the_look_after_it(
    known: dict[str, str], stage: str | None, repair: str, check: str
) -> None:
    told = consult(Case(COMPILED, known, stage=stage))
    assert (told.next_step and told.next_step.name) == repair
    assert told.made_already == check
    made, problem = action(known, repair, stage)
    assert made.made_by == check
    assert made.cost == 0.0
    assert made.stage == problem.stage


def test_what_did_not_help_as_a_check_is_no_repair_that_was_made() -> None:
    known = {**DARK, "power_drain": "no_change"}
    made, _ = action(known, "drain_power")
    assert made.made_by == ""
    assert made.cost > 0.0
    assert consult(Case(COMPILED, known)).made_already == ""


def test_a_repair_that_no_check_made_is_to_be_made() -> None:
    known = {"screen_light": "lit", "image": "half_missing", "glass": "cracked",
             "external_monitor": "good", "battery": "flat_shaped"}  # fmt: skip
    told = consult(Case(COMPILED, known))
    assert (told.next_step and told.next_step.name) == "replace_panel"
    assert told.made_already == ""


def test_the_page_says_so(run: Run) -> None:
    given = [f"{name}={result}" for name, result in {**DARK, "power_drain": "helps"}.items()]
    typed = ["next", "-m", "bezel_clamshell", *(part for one in given for part in ("-s", one))]
    said = run(*typed).output
    assert "NEXT  Mended, it seems, by Drain all power. Prove it" in said
    assert "Repair now" not in said
    assert "Mended, it seems, by Drain all power. Prove it: " in run(*typed, "--full").output
