"""`faultfinder next` and `faultfinder model`: what is typed, what is said, what is refused."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from faultfinder.cli.main import commands
from faultfinder.inference.loading import load_model
from faultfinder.report.wording import harmless
from tests.invented_models import SMALL_LID, write_small_lid

Run = Callable[..., Result]
LIT_BUT_EMPTY = ("--saw", "backlight=on", "--saw", "image=none")
DARK = ("-s", "backlight=dark", "-s", "image=none")


@pytest.fixture
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Models, kept results and settings of this test alone."""
    models = tmp_path / "models"
    models.mkdir()
    write_small_lid(models)
    monkeypatch.setenv("FAULTFINDER_MODELS", str(models))
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.delenv("FAULTFINDER_SHOP", raising=False)
    return models


@pytest.fixture
def run(own_folders: Path) -> Run:
    def invoke(*words: str) -> Result:
        return CliRunner().invoke(commands, list(words), prog_name="faultfinder")

    return invoke


def ask(run: Run, *words: str) -> Result:
    return run("next", "-m", "small_lid", *words)


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
    from faultfinder import diagnose

    before = diagnose(model, {"backlight": "off"}).causes["panel"]
    after = diagnose(model, {"backlight": "off", "image": "spoilt"}).causes["panel"]
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
        "model",
        "stage",
        "target",
        "findings",
        "unclear",
        "evidence_probability",
        "causes",
        "checks",
        "next",
        "warnings",
        "stop",
        "tried",
        "advice",
        "currency",
    ]
    assert list(told["causes"][0]) == ["cause", "title", "probability", "states"]
    assert list(told["checks"][0]) == [
        "check",
        "title",
        "gain_bits",
        "minutes",
        "cost",
        "gain_per_cost",
        "worth",
        "outcomes",
        "stage",
    ]
    assert told["next"] == told["checks"][0]["check"]
    assert told["model"] == "small_lid"
    for check in told["checks"]:
        assert sum(check["outcomes"].values()) == pytest.approx(1.0)


def test_the_json_form_and_the_python_surface_tell_the_same(run: Run) -> None:
    from faultfinder import diagnose

    told = json.loads(ask(run, *DARK, "--json").output)
    d = diagnose(load_model("small_lid"), {"backlight": "off", "image": "none"})
    assert {c["cause"]: c["probability"] for c in told["causes"]} == dict(d.causes)
    assert [c["gain_bits"] for c in told["checks"]] == [c.gain_bits for c in d.checks]


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


# What is refused


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["-s", "backlite=off"], 'This model has no finding "backlite". Did you mean backlight?'),
        (["-s", "backlight=offf"], '"offf" is not a result of backlight. Did you mean off?'),
        (["-s", "backlight"], '"backlight" is no finding with its result.'),
        (["-s", "backlight="], '"backlight=" has no result'),
        (["-s", "=off"], '"=off" is no finding with its result.'),
        (
            ["-s", "backlight=off", "-s", "backlight=on"],
            "backlight is given twice: as off and as on.",
        ),
        (["-s", "supply_volts=3.1"], 'The reading "3.1" of supply_volts has no unit.'),
        (["-s", "supply_volts=3.1 A"], 'supply_volts is read in V, not in "A".'),
        (["--stage", "cover"], 'There is no teardown stage "cover". Did you mean cover_off?'),
        (["--target", "panle"], 'There is no cause "panle". Did you mean panel?'),
        (["--target", "panel,,cable"], '"panel,,cable" is no target.'),
        (["--why", "look_gless"], 'This model has no check "look_gless". Did you mean look_glass?'),
        (["--frobnicate"], "--frobnicate"),
    ],
)
def test_misuse_is_one_sentence_on_stderr_and_status_2(
    run: Run, words: list[str], sentence: str
) -> None:
    for form in ([], ["--json"]):
        result = ask(run, *words, *form)
        assert result.exit_code == 2
        assert sentence in result.stderr
        assert result.stdout == ""
        assert "Traceback" not in result.output


def test_contradicting_findings_are_named_and_refused_with_status_1(run: Run) -> None:
    result = ask(run, "-s", "panel=fine", "-s", "glass=cracked", "-s", "image=none")
    assert result.exit_code == 1
    assert "contradict each other" in result.stderr
    assert "panel=fine" in result.stderr
    assert "glass=cracked" in result.stderr
    assert "image" not in result.stderr


def test_a_check_that_is_done_or_could_not_be_told_has_no_rank(run: Run) -> None:
    done = ask(run, "-s", "glass=whole", "--why", "look_glass")
    tried = ask(run, "-s", "glass=unknown", "--why", "look_glass")
    assert (done.exit_code, tried.exit_code) == (1, 1)
    assert "known already" in done.stderr
    assert "could not be told" in tried.stderr


def test_an_unknown_model_names_those_at_hand(run: Run) -> None:
    result = run("next", "-m", "smal_lid")
    assert result.exit_code == 2
    assert "small_lid" in result.stderr


def test_an_empty_model_folder_is_a_sentence_and_status_2(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.setenv("FAULTFINDER_MODELS", str(empty))
    result = run("next")
    assert result.exit_code == 2
    assert str(empty) in result.stderr


def test_a_faulty_model_file_lists_all_its_faults(run: Run, own_folders: Path) -> None:
    broken = SMALL_LID.replace("chance: {dead: 0.05}", "chance: {dead: 1.05}").replace(
        "start: closed", "start: clsoed"
    )
    (own_folders / "small_lid.yaml").write_text(broken)
    for words in (("next", "-m", "small_lid"), ("model", "check", "small_lid")):
        result = run(*words)
        assert result.exit_code == 2
        assert result.stdout == ""
        faults = result.stderr.splitlines()
        assert len(faults) >= 2
        assert all("small_lid.yaml:" in fault for fault in faults)


# Text that would act on a terminal

NASTY = "\x1b[31m\x07\r\x9b2J\u202e"


@pytest.mark.parametrize(
    "words",
    [
        ["-s", f"backlight={NASTY}"],
        ["-s", f"{NASTY}=off"],
        ["-s", NASTY],
        ["--stage", NASTY],
        ["--target", NASTY],
        ["--why", NASTY],
        [f"--{NASTY}"],
        [NASTY],
    ],
)
def test_escape_sequences_are_echoed_harmlessly(run: Run, words: list[str]) -> None:
    result = ask(run, *words)
    assert result.exit_code == 2
    assert not set(NASTY) - set("[31m2J") & set(result.output)
    assert "\\x1b[31m" in result.output


def test_escape_sequences_in_a_model_file_are_shown_harmlessly(run: Run, own_folders: Path) -> None:
    marked = SMALL_LID.replace("title: Panel broken", 'title: "Panel \\e[31m broken"')
    (own_folders / "small_lid.yaml").write_text(marked)
    result = ask(run)
    assert "\x1b" not in result.output


def test_harmless_keeps_plain_text_and_shows_the_rest_as_codes() -> None:
    assert harmless("3.1 V Ω ä") == "3.1 V Ω ä"
    assert harmless("a\x1b[0m\nb\x7f\udcff\u202e") == "a\\x1b[0m\\nb\\x7f\\udcff\\u202e"


def test_the_wordings_are_as_their_docstrings_show() -> None:
    import doctest

    from faultfinder.report import wording

    tried = doctest.testmod(wording)
    assert tried.attempted > 5
    assert tried.failed == 0


def test_no_escape_sequence_is_printed_when_it_is_not_a_terminal(run: Run) -> None:
    assert "\x1b" not in ask(run, *DARK).output


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
    assert "only the complaint" in done.stdout


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


def test_completion_stays_silent_when_there_is_no_model(own_folders: Path) -> None:
    assert complete(["faultfinder", "next", "-m", "nowhere", "-s", "b"], 5) == []
