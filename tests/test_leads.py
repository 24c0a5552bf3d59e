"""Where a round leads is said finding by finding, alike results in one line."""

from __future__ import annotations

import math

import numpy as np
import pytest

from faultfinder import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.leads import Lead
from faultfinder.inference.loading import load_model
from faultfinder.inference.posterior import evidence_from, log_probability
from faultfinder.report.consultation.leads import leads_words, meanings_words
from tests import MODELS

COMPILED = load_model(MODELS / "thin_clamshell.yaml")
MODEL = COMPILED.model


def log_of(known: dict[str, str]) -> float:
    return float(np.squeeze(log_probability(COMPILED, evidence_from(COMPILED, known))))


def lead(result: str, chance: float, causes: dict[str, float], name: str, repair: str) -> Lead:
    kind = "check" if name in MODEL.checks_by_name else "repair"
    return Lead("external_monitor", result, chance, causes, kind, name, repair)


def test_results_that_lead_to_the_same_stand_in_one_line_with_their_chances_added() -> None:
    words = leads_words(
        MODEL,
        [
            lead("good", 0.3, {"display_cable": 0.5}, "look_cable", "replace_cable"),
            lead("same_fault", 0.1, {"display_cable": 0.1}, "look_cable", "replace_cable"),
        ],
    )
    assert len(words) == 1
    assert "good or same fault 40 %" in words[0]
    # (0.3 x 0.5 + 0.1 x 0.1) / 0.4
    assert "display cable 40 %" in words[0]


def test_each_line_can_stand_alone_and_says_which_part_is_likely_where_another_step_is_first() -> (
    None
):
    repairs = MODEL.repairs_by_name
    words = leads_words(
        MODEL,
        [
            lead("good", 0.6, {"display_cable": 0.6}, "look_cable", "replace_cable"),
            lead("nothing", 0.4, {"board_other": 0.6}, "drain_power", "repair_board"),
        ],
    )
    title = MODEL.checks_by_name["external_monitor"].title
    assert all(line.startswith(title) for line in words)
    assert words[0].endswith(f"likely {repairs['replace_cable'].title}.")
    assert words[1].endswith(
        f"{repairs['drain_power'].title}, likely {repairs['repair_board'].title}."
    )


def test_a_repair_that_is_made_now_is_not_named_twice() -> None:
    words = leads_words(
        MODEL, [lead("good", 0.6, {"display_cable": 0.6}, "replace_cable", "replace_cable")]
    )
    assert words[0].count(MODEL.repairs_by_name["replace_cable"].title) == 1


@pytest.mark.parametrize(
    "known",
    [
        {"screen_light": "dark"},
        {"screen_light": "comes_and_goes", "began": "comes_and_goes"},
        {"image": "lines_down"},
    ],
)
def test_a_lead_speaks_of_one_finding_and_its_chances_are_those_of_the_results(
    known: dict[str, str],
) -> None:
    told = consult(Case(COMPILED, known))
    assert told.leads
    before = log_of(known)
    for one in told.leads:
        check = MODEL.checks_by_name[one.check]
        finding = one.result.split("=", 1)[0] if "=" in one.result else check.observes[0]
        assert "," not in one.result
        result = one.result.split("=", 1)[-1]
        # The problem keeps the likeliest joint states, so its chances are near the exact ones.
        exact = math.exp(log_of({**known, finding: result}) - before)
        assert one.chance == pytest.approx(exact, abs=0.05)


def test_what_results_mean_is_said_in_one_sentence_with_the_part_that_no_cause_names() -> None:
    found = [
        lead("good", 0.6, {"display_cable": 0.5}, "", "replace_cable"),
        lead("nothing", 0.3, {"board_other": 0.6}, "", "repair_board"),
        lead("same_fault", 0.1, {"board_other": 0.2}, "", "repair_board"),
    ]
    title = MODEL.repairs_by_name["repair_board"].title
    assert meanings_words(MODEL, found) == (
        "External monitor: good 60 % - display cable 50 %; nothing or same fault 40 % - "
        f"board other 50 %, likely {title}."
    )
    # Nothing is said of results that all mean the same.
    assert meanings_words(MODEL, found[1:]) == ""
    assert meanings_words(MODEL, []) == ""


@pytest.mark.parametrize("known", [{"screen_light": "dark"}, {"image": "lines_down"}])
def test_the_page_says_what_the_most_telling_finding_would_mean(known: dict[str, str]) -> None:
    told = consult(Case(COMPILED, known))
    assert told.meanings
    assert {one.check for one in told.meanings} <= set(told.round)
    assert all((one.kind, one.name) == ("", "") for one in told.meanings)
    # The same results as where the steps are worked out too, if those follow the same check.
    steps = {(one.check, one.result): (one.chance, one.causes, one.repair) for one in told.leads}
    for one in told.meanings:
        if any(check == one.check for check, _ in steps):
            assert steps[one.check, one.result] == (one.chance, one.causes, one.repair)


@pytest.mark.parametrize("known", [{"screen_light": "dark"}, {"image": "lines_down"}, {}])
def test_a_part_is_called_likely_only_where_it_is_right_more_often_than_not(
    known: dict[str, str],
) -> None:
    told = consult(Case(COMPILED, known))
    problem = told.problem
    by_name = {check.name: check for check in problem.checks}
    for one in told.meanings:
        check = by_name[one.check]
        rows = [n for n, said in enumerate(check.results) if one.result in said.split(", ")]
        after = check.likelihood[rows].sum(axis=0) * problem.weights
        right = {
            problem.repairs[number].name: after[problem.right_repair == number].sum() / after.sum()
            for number in range(len(problem.repairs))
        }
        best = max(right, key=lambda name: right[name])
        assert one.repair == (best if right[best] >= 0.5 else "")
