"""Where a round leads: its results together, and the repairs that go with each."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from faultfinder import Case
from faultfinder.consultation.branches import BESIDE, WORTH_TRYING, Branch, Seen
from faultfinder.consultation.consult import consult
from faultfinder.consultation.in_words import branches_in_short
from faultfinder.consultation.suggestions import Suggested
from faultfinder.decide.repair_order import most_likely_order
from faultfinder.decide.together import Telling
from faultfinder.inference.loading import load_model
from faultfinder.inference.posterior import evidence_from, log_probability
from faultfinder.report.consultation.branches import branch_words
from tests import MODELS
from tests.problems import problem, single_fault

COMPILED = load_model(MODELS / "thin_clamshell.yaml")
MODEL = COMPILED.model

KNOWN = [
    {"screen_light": "dark"},
    {"image": "lines_down"},
    {},
    {"screen_light": "comes_and_goes", "began": "comes_and_goes"},
    {"stage_with_picture": "never", "power_lamp": "on"},
]


def log_of(known: dict[str, str]) -> float:
    return float(np.squeeze(log_probability(COMPILED, evidence_from(COMPILED, known))))


# The order


def test_the_repairs_that_end_the_job_most_often_stand_in_the_order_to_make_them() -> None:
    # p/C by hand: R2 .2 / 10 = .02, R0 .5 / 50 = .01, R1 .3 / 300 = .001
    told = single_fault(
        [0.5, 0.3, 0.2], {"R0": (50, {0: 1.0}), "R1": (300, {1: 1.0}), "R2": (10, {2: 1.0})}
    )
    assert most_likely_order(told, told.weights, 3, 0.05, 0.05) == (2, 0, 1)
    # The one that ends least of the jobs is left out first, unless it costs half
    # of what comes after it or less.
    assert most_likely_order(told, told.weights, 1, 0.05, 0.05) == (2, 0)
    assert most_likely_order(told, told.weights, 1, 0.25, 0.05) == (0,)
    assert most_likely_order(told, told.weights, 3, 0.25, 0.25) == (0, 1)
    assert most_likely_order(told, told.weights, 3, 0.05, 0.05, done=[0]) == (2, 1)


def test_a_repair_counts_what_those_before_it_have_left() -> None:
    # R1 mends what R0 mends and a little more: after R0 it ends .1 of the jobs, not .7.
    told = single_fault([0.6, 0.1, 0.3], {"R0": (5, {0: 1.0}), "R1": (200, {0: 1.0, 1: 1.0}),
                                          "R2": (100, {2: 1.0})})  # fmt: skip
    assert most_likely_order(told, told.weights, 3, 0.2, 0.2) == (0, 2)


def test_what_lies_on_the_way_and_is_quicker_won_is_named_with_it() -> None:
    scenarios = np.vstack([np.zeros((1, 4), dtype=np.int64), np.eye(4, dtype=np.int64)])
    weights = [0.0, 0.66, 0.27, 0.03, 0.04]
    repairs = {
        "panel": (200, {0: 1.0}),
        "cable": (100, {1: 1.0}),
        "reseat": (4, {2: 1.0}),
        "settings": (1, {3: 1.0}),
    }
    # Stage 1 lies on the way to 2; settings are made where the machine stands.
    way = [[0, 5, 9], [5, 0, 4], [9, 4, 0]]
    places = {"panel": 2, "cable": 2, "reseat": 1}
    told = problem(scenarios, weights, repairs, {}, places=places, travel=way)
    assert most_likely_order(told, told.weights, 2, 0.05, 0.02) == (2, 0, 1)
    assert most_likely_order(told, told.weights, 2, 0.05, 0.035) == (0, 1)
    # Where the machine stands all is on the way: there it has to end as many as the others named.
    assert most_likely_order(told, told.weights, 2, 0.04, 0.02) == (3, 2, 0, 1)
    # In a stage of its own it is not on the way.
    aside = [[0, 5, 9], [5, 0, 14], [9, 14, 0]]
    told = problem(scenarios, weights, repairs, {}, places=places, travel=aside)
    assert most_likely_order(told, told.weights, 2, 0.05, 0.02) == (0, 1)


# The branches of a consultation


@pytest.mark.parametrize("known", KNOWN)
def test_the_chance_of_a_branch_is_that_of_its_results(known: dict[str, str]) -> None:
    told = consult(Case(COMPILED, known))
    assert told.branches
    before = log_of(known)
    for branch in told.branches:
        assert 1 <= len(branch.seen) <= 3 or len(told.branches) == 1
        sets: list[dict[str, str]] = [{}]
        for seen in branch.seen:
            assert seen.check in told.round
            assert seen.finding in MODEL.checks_by_name[seen.check].observes
            sets = [{**one, seen.finding: result} for one in sets for result in seen.results]
        exact = sum(math.exp(log_of({**known, **one}) - before) for one in sets)
        # The problem keeps the likeliest joint states, so its chances are near the exact ones.
        assert branch.chance == pytest.approx(exact, abs=0.06)


@pytest.mark.parametrize("known", KNOWN)
def test_branches_exclude_each_other_and_the_likeliest_stands_first(known: dict[str, str]) -> None:
    branches = consult(Case(COMPILED, known)).branches
    chances = [one.chance for one in branches]
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) <= 1.0 + 1e-9
    for number, one in enumerate(branches):
        for other in branches[:number]:
            apart = {
                (seen.finding, result)
                for seen in one.seen
                for of in other.seen
                if of.finding == seen.finding
                for result in set(seen.results) & set(of.results)
            }
            shared = {seen.finding for seen in one.seen} & {of.finding for of in other.seen}
            assert any(finding not in {f for f, _ in apart} for finding in shared)


@pytest.mark.parametrize("known", KNOWN)
def test_a_repair_that_a_check_of_the_round_makes_is_not_named_again(known: dict[str, str]) -> None:
    told = consult(Case(COMPILED, known))
    assert MODEL.repairs_by_name["drain_power"].made_by == ("drain_all_power",)
    for branch in told.branches:
        for name in branch.repairs:
            assert not set(MODEL.repairs_by_name[name].made_by) & set(told.round)
        if branch.check:
            makes = [r.name for r in MODEL.repairs if branch.check in r.made_by]
            assert not set(makes) & set(branch.repairs)


def test_after_a_blank_outside_screen_come_memory_or_board_and_after_a_good_one_the_display() -> (
    None
):
    """Common practice, no source: an outside screen parts the machine from its display."""
    for known in ({"screen_light": "dark"}, {"stage_with_picture": "never", "power_lamp": "on"}):
        of = {
            next(iter(branch.seen[0].results)): branch
            for branch in consult(Case(COMPILED, known)).branches
            if branch.seen[0].finding == "external_monitor"
        }
        good, blank = of["good"].repairs, of["nothing"].repairs
        assert {"replace_panel", "replace_cable", "repair_light_supply"} & set(good)
        assert not {"reseat_memory", "replace_memory"} & set(good)
        assert {"reseat_memory", "replace_memory", "repair_board"} & set(blank)
        assert not {"replace_panel", "replace_cable"} & set(blank)


def test_one_branch_without_results_stands_where_all_lead_to_the_same_repair() -> None:
    known = {"after": "driver_update", "stage_with_picture": "until_system_loads"}
    (only,) = consult(Case(COMPILED, known)).branches
    assert only.seen == ()
    assert "mend_system" in only.repairs
    assert branch_words(MODEL, only).startswith("Whatever shows: ")


def test_what_ends_the_job_rarely_is_left_out() -> None:
    assert BESIDE < WORTH_TRYING < 0.1
    told = consult(Case(COMPILED, {"screen_light": "dark"}))
    problem = told.problem
    for branch in told.branches:
        assert 0.0 <= branch.none <= 1.0
        for name in branch.repairs:
            number = [one.name for one in problem.repairs].index(name)
            assert problem.cures[number].max() > 0.0


# In words

GOOD = Branch(
    (Seen("external_monitor", "external_monitor", {"good": 0.6, "only_after_system": 0.2}),
     Seen("torch_look", "torch", {"nothing_seen": 0.75})),
    0.6, {"display_cable": 0.5, "board_other": 0.3}, "look_cable",
    ("change_settings", "reseat_board_plug", "reseat_panel_plug", "replace_panel"), 0.1,
)  # fmt: skip
BLANK = Branch(
    (Seen("external_monitor", "external_monitor", {"nothing": 0.15, "same_fault": 0.05}),
     Seen("watch_power_up", "keyboard_answers", {"no": 0.9})),
    0.2, {"board_other": 0.6}, "", ("repair_board",), 0.4,
)  # fmt: skip


def test_a_branch_says_what_is_seen_what_it_means_and_what_comes_then() -> None:
    panel = MODEL.repairs_by_name["replace_panel"].title.lower()
    assert branch_words(MODEL, GOOD) == (
        "If good outside (save the data) or outside only once loaded, none by torch, 60 %: display "
        "cable 50 % or board faulty elsewhere 30 %; then settings undone, battery off, reseat "
        f"board plug, reseat panel plug, look at the cable, {panel}."
    )
    # Where often no repair pays, that is said.
    assert branch_words(MODEL, BLANK) == (
        "If nothing outside or the same outside, lock key dead, 20 %: board faulty elsewhere 60 %; "
        "then board mended or replaced, or hand over."
    )


def test_a_result_that_has_no_words_of_its_own_is_said_by_finding_and_name() -> None:
    plain = replace(MODEL, checks=tuple(replace(one, briefly={}, short="") for one in MODEL.checks))
    assert branch_words(plain, BLANK).startswith(
        "If external monitor nothing or same fault, keyboard answers no, 20 %: "
    )


def test_a_result_that_hardly_ever_leads_there_is_not_named() -> None:
    rare = {"good": 0.7, "only_after_system": 0.02}
    seen = (replace(GOOD.seen[0], results=rare), *GOOD.seen[1:])
    assert "once loaded" not in branch_words(MODEL, replace(GOOD, seen=seen))


def test_where_causes_are_likely_the_model_says_how_to_go_on() -> None:
    leads = Suggested("Battery off, plugs, cable", (), ("display_cable", "plug_board_end"), 0.7)
    assert branch_words(MODEL, replace(GOOD, leads=leads)).endswith(
        ": display cable 50 % or board faulty elsewhere 30 %; then battery off, plugs, cable."
    )


def test_in_short_a_branch_says_what_is_seen_and_how_to_go_on() -> None:
    both = branches_in_short(MODEL, [GOOD, BLANK])
    assert both[0].startswith("Good outside, none by torch: settings undone, ")
    assert both[1] == "Nothing outside, lock key dead: board mended or replaced."
    assert branches_in_short(MODEL, [replace(BLANK, seen=())]) == ["Board mended or replaced."]


def test_a_branch_leads_where_what_is_found_points() -> None:
    """Common practice, no source: a picture by the torch is the light's fault, a good outside
    screen with none by the torch the display's, a dead one with it that of the start."""
    found = {
        " ".join(result for seen in one.seen for result in [*seen.results][:1]): one.leads
        for one in consult(Case(COMPILED, KNOWN[-1])).branches
    }
    names = {seen: "" if leads is None else leads.name for seen, leads in found.items()}
    assert names == {
        "nothing": "no_start",
        "good nothing_seen": "display_side",
        "good image_seen": "the_light",
    }


def test_what_the_round_tries_is_not_named_again_where_it_leads() -> None:
    told = consult(Case(COMPILED, NOT_STARTING))
    said = [one.leads.say.lower() for one in told.branches if one.leads is not None]
    assert said
    assert not any("drain" in one for one in said)


NOT_STARTING = {"stage_with_picture": "never", "power_lamp": "on", "external_monitor": "nothing"}


def test_after_a_round_that_drains_all_power_it_is_not_drained_again() -> None:
    told = consult(Case(COMPILED, NOT_STARTING))
    assert "drain_all_power" in told.round
    problem = told.problem
    drain = [one.name for one in problem.repairs].index("drain_power")
    # It would be named: it ends many of the jobs.
    assert drain in most_likely_order(problem, problem.weights, 9, WORTH_TRYING, BESIDE)
    assert all("drain_power" not in branch.repairs for branch in told.branches)


@pytest.mark.parametrize("known", KNOWN)
def test_results_that_lead_to_the_same_stand_in_one_branch(known: dict[str, str]) -> None:
    told = consult(Case(COMPILED, known))
    problem = told.problem
    places = {check.name: check for check in problem.checks}

    def right(branch: Branch) -> int:
        weights = Telling(problem).start(problem.weights)[0]
        for seen in branch.seen:
            check = places[seen.check]
            rows = [
                number
                for number, label in enumerate(check.results)
                if any(
                    part in (result, f"{seen.finding}={result}")
                    for part in label.split(", ")
                    for result in seen.results
                )
            ]
            weights = weights * check.likelihood[rows].sum(axis=0)
        shares = np.bincount(problem.right_repair, weights, len(problem.repairs) + 2)
        return int(shares[: len(problem.repairs)].argmax())

    apart: dict[tuple[str, ...], list[int | str]] = {}
    for branch in told.branches:
        key = (*(f"{s.finding}={sorted(s.results)}" for s in branch.seen[:-1]),
               *(s.finding for s in branch.seen[-1:]))  # fmt: skip
        apart.setdefault(key, []).append(branch.leads.name if branch.leads else right(branch))
    for ways in apart.values():
        assert len(set(ways)) == len(ways)
