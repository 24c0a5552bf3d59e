"""`faultfinder next` and `faultfinder model`: what is typed, and what is said."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from faultfinder.inference.loading import load_model
from tests.conftest import DARK, LIT_BUT_EMPTY, Run, ask
from tests.consulted import look_at
from tests.invented_models import SMALL_LID

# What it says


def test_the_page_names_causes_the_next_check_and_the_runners_up(run: Run) -> None:
    said = ask(run, *DARK).output
    for part in ("Likely causes", "Next check:", "Why:", "Then add: --saw", "After it", "%"):
        assert part in said
    assert "several causes may be present, so these do not add up to 100" in said.lower()


def test_no_line_is_wider_than_80_columns(run: Run) -> None:
    for words in (DARK, LIT_BUT_EMPTY, (), (*DARK, "--why", "measure_supply")):
        assert max(map(len, ask(run, *words).output.splitlines())) <= 80


def test_the_change_is_the_one_made_by_the_last_answer(run: Run) -> None:
    model = load_model("small_lid")

    before = look_at(model, {"backlight": "off"}).causes["panel"]
    after = look_at(model, {"backlight": "off", "image": "spoilt"}).causes["panel"]
    said = ask(run, "-s", "backlight=off", "-s", "image=spoilt").output
    (line,) = [line for line in said.splitlines() if line.strip().startswith("Panel broken  ")]
    assert line.split()[-1] == f"{round((after - before) * 100):+d}"
    assert "made by image=spoilt" in " ".join(said.split())


def test_without_findings_only_the_complaint_counts(run: Run) -> None:
    said = ask(run).output
    assert "only the complaint (no usable picture)" in said
    assert "+" not in said.split("Next check")[0]


def test_causes_are_whole_percent_and_never_falsely_certain(run: Run) -> None:
    said = ask(run, *DARK, "-s", "lamp_image=yes").output.split("Next check")[0]
    assert "under 1 %" in said
    assert "." not in said.split("Likely causes")[1].split("Several")[0]


def test_the_way_to_a_stage_comes_in_order_with_its_cautions(run: Run) -> None:
    said = " ".join(ask(run, *DARK, "-s", "lamp=yes", "--why", "look_cable").output.split())
    off = said.index("Bottom cover off (6 min)")
    live = said.index("Caution: The battery is live")
    pulled = said.index("Battery disconnected (1 min)")
    assert off < said.index("Caution: Switch off first") < live < pulled


def test_a_caution_comes_before_the_work_it_is_about(run: Run) -> None:
    said = ask(run, "-s", "backlight=off", "-s", "cable_seen=home", "--stage", "cover_off").output
    assert "Measure the light supply (measure_supply)" in said
    assert said.index("Caution: The light supply") < said.index("1. Black lead to ground.")
    assert said.index("Caution: The battery is live") < said.index("1. Black lead to ground.")


def test_the_battery_is_looked_at_as_soon_as_the_cover_is_off(run: Run) -> None:
    first = "Caution: Look at the battery (look_battery) first: if swollen, stop."
    said = " ".join(ask(run, "--why", "look_cable").output.split())
    off, pulled = said.index("Bottom cover off (6 min)"), said.index("Battery disconnected (1 min)")
    assert off < said.index(first) < pulled
    for words in (("--stage", "cover_off", "--why", "measure_supply"), ("--why", "look_battery")):
        said = " ".join(ask(run, *words).output.split())
        assert (first in said) is ("measure_supply" in words)
    known = ask(run, "-s", "battery_shape=flat", "--why", "look_cable").output
    assert first not in " ".join(known.split())
    assert first not in ask(run).output


def test_each_result_shows_its_probability_the_causes_and_what_it_suggests(run: Run) -> None:
    said = ask(run).output
    assert "backlight=off, image=none, 53 % likely" in said
    assert "It suggests: No light: cable, strip or supply." in said
    assert " -> " in said


def test_from_a_later_stage_the_way_is_shorter(run: Run) -> None:
    def minutes(*words: str) -> float:
        told = json.loads(ask(run, *DARK, "--json", *words).output)
        return next(c["minutes"] for c in told["checks"] if c["check"] == "look_cable")

    assert (minutes(), minutes("--stage", "cover_off")) == (9.0, 3.0)


def test_when_nothing_is_worth_its_cost_it_says_so_with_the_figures(run: Run) -> None:
    known = ("backlight=off", "image=none", "knock=no", "glass=whole", "cable_seen=loose")
    words = [word for one in known for word in ("-s", one)]
    said = " ".join(ask(run, *words).output.split())
    assert "No check is worth its cost any more" in said
    assert "The best one left" in said
    assert "less than the" in said
    assert json.loads(ask(run, *words, "--json").output)["next"] is None


def test_surprising_findings_are_pointed_out(run: Run) -> None:
    said = ask(run, "-s", "glass=cracked", "-s", "image=clean").output
    assert "Surprising: given all else" in said


def test_a_swollen_battery_says_stop_first_and_offers_no_check(run: Run) -> None:
    for words in ((), ("--why", "measure_supply")):
        said = ask(run, "-s", "battery_shape=swollen", *words).output
        assert said.startswith("STOP\nPut the machine down")
        assert "Next check" not in said
        assert "measure_supply" not in said
    told = json.loads(ask(run, "-s", "battery_shape=swollen", "--json").output)
    assert told["checks"] == []
    assert told["next"] is None
    assert told["stop"].startswith("Put the machine down")


def test_why_explains_gain_cost_rank_results_and_what_goes_before(run: Run) -> None:
    said = " ".join(ask(run, "--why", "measure_supply").output.split())
    for part in (
        "Measure the light supply (measure_supply) is number",
        "Gain: 0.38 bits about the joint state of all causes",
        "10.50 EUR: 4 min of its own and 6 min on the way there",
        "0.50 EUR of consumables",
        "What each result would do",
        "none (under 1 V)",
        "low (1 to 15 V)",
        "What goes before it, and why: 1. Look at light and image: tells 0.92 bits",
    ):
        assert part in said


def test_the_sum_of_single_gains_is_named_as_that(run: Run) -> None:
    assert "Gains are about: sum of single-cause gains" in ask(run, "--target", "each").output


@pytest.mark.parametrize(
    ("typed", "named"),
    [
        ("causes", "joint state of all causes"),
        ("panel,cable", "joint state of panel, cable"),
        ("strip+panel,cable", "which of strip or panel; cable"),
        ("each", "sum of single-cause gains"),
    ],
)
def test_the_gain_can_be_about_all_some_or_grouped_causes(run: Run, typed: str, named: str) -> None:
    assert json.loads(ask(run, "--target", typed, "--json").output)["target"] == named


def test_the_shop_settings_give_rate_and_currency(run: Run, tmp_path: Path) -> None:
    shop = tmp_path / "settings" / "faultfinder" / "shop.yaml"
    shop.parent.mkdir(parents=True)
    amounts = "comeback: 90\nhand_over: 400\nwaiting_per_day: 4\ndear_part: 100\n"
    shop.write_text(f"labour_per_hour: 120\ncurrency: XTS\n{amounts}worth_per_bit: 40\n")
    assert "0.92 bits in 1 min (2.00 XTS)" in ask(run).output


# What may be typed


def test_results_may_be_typed_as_they_are_spoken(run: Run) -> None:
    words = ("backlight=Dark", "supply volts=3,1 V", "knock=dropped", "lamp=y", "image=unknown")
    told = json.loads(ask(run, "--json", *(w for one in words for w in ("-s", one))).output)
    assert told["findings"] == {
        "backlight": "off",
        "supply_volts": "low",
        "knock": "yes",
        "lamp_image": "yes",
    }
    assert told["unclear"] == ["image"]


def test_what_could_not_be_told_is_not_asked_again(run: Run) -> None:
    told = json.loads(ask(run, "--json", "-s", "glass=unknown").output)
    assert "look_glass" not in [c["check"] for c in told["checks"]]


def test_the_same_finding_twice_with_one_result_is_fine(run: Run) -> None:
    assert ask(run, "-s", "backlight=off", "-s", "backlight=dark").exit_code == 0


def test_the_only_model_need_not_be_named(run: Run, own_folders: Path) -> None:
    from faultfinder.model import locate

    names = list(locate.available_models())
    result = run("next", *DARK)
    if names == ["small_lid"]:
        assert result.exit_code == 0
    else:
        assert result.exit_code == 2
        assert "Name one with --model" in result.stderr


# The JSON form


def test_the_json_form_holds_exactly_what_is_documented(run: Run) -> None:
    told = json.loads(ask(run, *DARK, "--json").output)
    assert list(told) == [
        "form",
        "model",
        "stage",
        "target",
        "findings",
        "unclear",
        "judged",
        "evidence_probability",
        "causes",
        "checks",
        "too_large",
        "next",
        "next_step",
        "pays_from",
        "made_already",
        "in_words",
        "round",
        "round_note",
        "branches",
        "suggestions",
        "warnings",
        "stop",
        "cautions",
        "tried",
        "advice",
        "currency",
        "names",
    ]
    assert list(told["causes"][0]) == ["cause", "title", "probability", "change", "states"]
    assert list(told["checks"][0]) == [
        "check",
        "title",
        "gain_bits",
        "minutes",
        "cost",
        "gain_per_cost",
        "worth",
        "saves",
        "outcomes",
        "stage",
    ]
    assert told["next"] == told["checks"][0]["check"]
    assert told["model"] == "small_lid"
    for check in told["checks"]:
        assert sum(check["outcomes"].values()) == pytest.approx(1.0)


def test_the_json_form_and_the_python_surface_tell_the_same(run: Run) -> None:

    told = json.loads(ask(run, *DARK, "--json").output)
    d = look_at(load_model("small_lid"), {"backlight": "off", "image": "none"})
    assert {c["cause"]: c["probability"] for c in told["causes"]} == dict(d.causes)
    assert [c["gain_bits"] for c in told["checks"]] == [c.gain_bits for c in d.order]
    assert told == d.as_plain()


def test_a_free_check_has_no_gain_per_cost_in_json(run: Run, own_folders: Path) -> None:
    free = SMALL_LID.replace("minutes: 0.5", "minutes: 0")
    (own_folders / "small_lid.yaml").write_text(free)
    told = json.loads(ask(run, "--json").output)
    assert told["checks"][0]["cost"] == 0.0
    assert told["checks"][0]["gain_per_cost"] is None
    assert "Next check" in ask(run).output


def test_why_in_json_adds_what_each_result_would_do(run: Run) -> None:
    told = json.loads(ask(run, *DARK, "--why", "look_cable", "--json").output)
    assert told["why"]["check"] == "look_cable"
    assert [move["to"] for move in told["why"]["way"]] == ["cover_off", "isolated"]
    assert {one["result"] for one in told["why"]["results"]} == {"home", "loose"}


# The other commands


def test_model_check_counts_what_a_file_holds(run: Run, own_folders: Path) -> None:
    for named in ("small_lid", str(own_folders / "small_lid.yaml")):
        result = run("model", "check", named)
        assert result.exit_code == 0
        (line,) = result.output.splitlines()
        assert "1 history, 4 causes, 2 conditions, 7 findings, 7 checks and 3 stages" in line
        assert "numbers in the compiled table" in line


def test_model_list_gives_names_and_titles_and_marks_a_faulty_file(
    run: Run, own_folders: Path
) -> None:
    (own_folders / "broken.yaml").write_text("faultfinder_model: 1\n")
    lines = run("model", "list").output.splitlines()
    assert any(line.split() == ["small_lid", "Small", "invented", "lid"] for line in lines)
    assert any(line.startswith("broken") and "fault" in line for line in lines)


def test_the_version_is_told(run: Run) -> None:
    assert run("--version").output.startswith("faultfinder 0.")


@pytest.mark.parametrize("words", [(), ("next",), ("model",), ("model", "check")])
def test_every_command_has_help(run: Run, words: tuple[str, ...]) -> None:
    result = run(*words, "--help")
    assert result.exit_code == 0
    assert "Usage: faultfinder" in result.output
