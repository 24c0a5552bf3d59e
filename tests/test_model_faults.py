"""Whatever is wrong in a model file is told with its line, what was found and what is right."""

from __future__ import annotations

import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultfinder.errors import ModelFileError, Problem
from faultfinder.model.reading.faults import PROBLEM_LIMIT
from faultfinder.model.reading.reader import parse_model
from tests.slips import CHANCES, HEAD, VARIABLES, Slip
from tests.slips_network import DISTRIBUTIONS
from tests.slips_shop import NOT_YAML, SHOP
from tests.small_model import SMALL_MODEL

FILE = "models/small.yaml"
DEAD = "chance: {dead: 0.02}"
LAST_ROW = "      - otherwise: {on: 0.97, flickers: 0.02, off: 0.01}\n"
ISOLATED_BACK = "  - {from: isolated, to: cover_off, minutes: 1}\n"


def problems_of(text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(ModelFileError) as caught:
        parse_model(text, FILE)
    return caught.value.problems


def changed(*pairs: tuple[str, str]) -> str:
    """The small model with each `old` replaced once; it must be there."""
    text = SMALL_MODEL
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def line_of(text: str, fragment: str) -> int:
    assert text.count(fragment) >= 1, fragment
    return text[: text.index(fragment)].count("\n") + 1


ALL = [
    pytest.param(slip, id=slip.says.replace(" ", "-"))
    for slip in [*HEAD, *VARIABLES, *CHANCES, *DISTRIBUTIONS, *SHOP, *NOT_YAML]
]


@pytest.mark.parametrize("slip", ALL)
def test_a_slip_is_told_with_line_and_what_would_be_right(slip: Slip) -> None:
    text = changed((slip.old, slip.new))
    line = line_of(text, slip.at or slip.new)
    if (slip.at or slip.new).startswith("\n"):
        line += 1
    expected = Problem(FILE, line, slip.found, slip.right)
    assert expected in problems_of(text), "\n".join(map(str, problems_of(text)))


@pytest.mark.parametrize("slip", ALL)
def test_one_slip_does_not_bring_up_a_crowd(slip: Slip) -> None:
    assert len(problems_of(changed((slip.old, slip.new)))) <= 2


def test_the_unchanged_model_has_no_problem() -> None:
    assert parse_model(SMALL_MODEL, FILE).name == "small"


def test_all_problems_are_told_at_once_in_the_order_of_the_lines() -> None:
    slips = [HEAD[0], HEAD[5], CHANCES[11], DISTRIBUTIONS[17], SHOP[0], SHOP[10], SHOP[15]]
    slips.append(DISTRIBUTIONS[9])
    text = changed(*((slip.old, slip.new) for slip in slips))
    problems = problems_of(text)
    assert {problem.found for problem in problems} == {slip.found for slip in slips}
    assert [problem.line for problem in problems] == sorted(problem.line for problem in problems)


def test_a_problem_reads_as_file_line_and_two_sentences() -> None:
    (problem,) = problems_of(changed(("{flickers: 0.9, off: 0.05}", "{flickers: 0.9, off: 0.3}")))
    assert str(problem) == (
        "models/small.yaml:72: Row 2 of the table of backlight: the chances of "
        '"flickers" and "off" add up to 1.20. They must leave room for "on": at most 1.'
    )


# --- what takes more than one change


def test_a_loop_is_named_from_end_to_end() -> None:
    text = changed(
        (DEAD, "noisy_or: {leak: 0.02, links: {corroded: 0.1}}"),
        ("liquid: {yes: 0.3}", "strip: {dead: 0.3}"),
    )
    assert Problem(
        FILE,
        line_of(text, "  strip:\n"),
        "These depend on each other in a loop: strip <- corroded <- strip.",
        "Take one of the arrows out.",
    ) in problems_of(text)


def test_a_variable_that_depends_on_itself_is_a_loop() -> None:
    text = changed(("liquid: {yes: 0.3}", "corroded: {yes: 0.3}"))
    assert "These depend on each other in a loop: corroded <- corroded." in [
        problem.found for problem in problems_of(text)
    ]


def test_a_cause_without_any_finding_below_it_is_told() -> None:
    text = changed(
        ("      strip: {dead: dark}\n", ""),
        ("any_of: [light, picture]", "any_of: [light, picture, strip]"),
    )
    found = [problem.found for problem in problems_of(text)]
    assert "No finding depends on the cause strip, so no check can ever tell it." in found


def test_a_state_of_a_cause_that_changes_nothing_is_told() -> None:
    text = changed(
        ("      connector: {half: flickers}\n", ""),
        ("shows: [half, off]", "shows: [off]"),
    )
    assert Problem(
        FILE,
        line_of(text, "states: [seated, half, off]"),
        "The state half of the cause connector changes nothing: all that depends on it "
        '("picture" and "connector_seen") treats it like seated.',
        "Let something depend on it, or leave it out.",
    ) in problems_of(text)


def test_a_check_that_no_moves_lead_to_is_told() -> None:
    text = changed(
        ('  - {from: cover_off, to: isolated, minutes: 1, caution: "Pull by the tab."}\n', "")
    )
    assert Problem(
        FILE,
        line_of(text, "  look_connector:"),
        "Check look_connector is done in the stage isolated, and no moves lead there from closed.",
        "Add the move that leads to isolated.",
    ) in problems_of(text)


def test_a_stage_on_the_way_to_a_used_one_is_used() -> None:
    text = changed(
        (
            "observes: [supply_volts]\n    minutes: 4\n    stage: cover_off",
            "observes: [supply_volts]\n    minutes: 4\n    stage: isolated",
        ),
        ("    stage: cover_off\n    minutes: 10", "    stage: isolated\n    minutes: 10"),
    )
    assert parse_model(text, FILE).stages_by_name["cover_off"]


def test_work_without_power_and_no_way_to_power_is_told() -> None:
    found = [problem.found for problem in problems_of(changed((ISOLATED_BACK, "")))]
    assert (
        "Repair reseat_connector is done in isolated, and from there no powered stage "
        "can be reached."
    ) in found


def test_a_proof_that_no_repair_names_is_told() -> None:
    text = SMALL_MODEL.replace("    proof: [brightness]\n", "")
    found = [problem.found for problem in problems_of(text)]
    assert found == ["No repair names the proof brightness."]


def test_what_is_missing_altogether_is_told_piece_by_piece() -> None:
    found = {problem.found for problem in problems_of("faultfinder_model: 1\n")}
    assert found == {
        f"The model file has no {key}."
        for key in ("name", "title", "start", "causes", "findings", "stages", "checks")
    }


def test_a_model_with_repairs_needs_a_complaint() -> None:
    begin, end = SMALL_MODEL.index("complaint:"), SMALL_MODEL.index("causes:")
    found = {problem.found for problem in problems_of(SMALL_MODEL[:begin] + SMALL_MODEL[end:])}
    assert "The model file has no complaint." in found


def test_a_table_over_too_many_combinations_is_refused_without_being_written_out() -> None:
    extra = "".join(
        f"  extra{number}: {{states: [no, yes], chance: {{yes: 0.01}}}}\n" for number in range(40)
    )
    rows = "".join(
        f"      - {{when: {{extra{number}: yes}}, gives: {{off: 0.5}}}}\n" for number in range(40)
    )
    names = ", ".join(f"extra{number}" for number in range(40))
    text = changed(
        ("causes:\n", "causes:\n" + extra),
        (LAST_ROW, rows + LAST_ROW),
        ("any_of: [light, picture]", f"any_of: [light, picture, {names}]"),
        (
            "mends: {strip: 0.95",
            "mends: {" + ", ".join(f"extra{n}: 1" for n in range(40)) + ", strip: 0.95",
        ),
    )
    start = time.perf_counter()
    (problem,) = problems_of(text)
    assert time.perf_counter() - start < 5
    size = 2**40 * 3 * 2 * 3  # the extra ones, light and picture, times the results
    assert problem.found == (
        f"The table of backlight over its 42 parents would hold {size:,} numbers."
    )
    assert problem.right.startswith("At most 1,000,000:")


def test_a_large_table_below_the_limit_is_checked_case_by_case() -> None:
    extra = "".join(
        f"  extra{number}: {{states: [no, yes], chance: {{yes: 0.01}}}}\n" for number in range(15)
    )
    names = ", ".join(f"extra{number}" for number in range(15))
    whens = ", ".join(f"extra{number}: yes" for number in range(15))
    text = changed(
        ("causes:\n", "causes:\n" + extra),
        (LAST_ROW, f"      - {{when: {{light: steady, {whens}}}, gives: {{off: 0.5}}}}\n"),
        ("any_of: [light, picture]", f"any_of: [light, picture, {names}]"),
        (
            "mends: {strip: 0.95",
            "mends: {" + ", ".join(f"extra{n}: 1" for n in range(15)) + ", strip: 0.95",
        ),
    )
    (problem,) = problems_of(text)
    # light steady and not all extra ones yes, for both states of picture
    uncovered = (2**15 - 1) * 2
    assert problem.found.endswith(f"extra14 = no (and {uncovered - 1:,} more).")


# --- files that are no model at all


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "The file is empty."),
        (b"# only a remark\n", "The file is empty."),
        (b"hello", 'The model file is "hello".'),
        (b"- a\n- b\n", "The model file is a list."),
        (b"a" * 2_000_001, "The file holds 2,000,001 bytes."),
        (SMALL_MODEL.encode("utf-16"), "The byte 0xff here is not UTF-8."),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "The byte 0x89 here is not UTF-8."),
    ],
)
def test_a_file_that_is_no_model_is_told_in_a_sentence(content: bytes, found: str) -> None:
    (problem,) = problems_of(content)
    assert (problem.line, problem.found) == (1, found)


def test_a_byte_that_is_not_utf_8_is_told_with_its_line() -> None:
    (problem,) = problems_of(SMALL_MODEL.replace("Small invented", "Größe").encode("latin-1"))
    assert (problem.line, problem.found) == (3, "The byte 0xf6 here is not UTF-8.")


def test_an_alias_bomb_is_refused_at_once() -> None:
    bomb = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{name}: &{name} [{', '.join(['*' + before] * 9)}]\n"
        for before, name in zip("abcdefghi", "bcdefghij", strict=True)
    )
    start = time.perf_counter()
    (problem,) = problems_of(bomb)
    assert time.perf_counter() - start < 2
    assert problem.line == 5  # 9 to the power of 5 is the first above the limit
    assert problem.found.startswith("Up to here the file holds more than 30,000 values")


@pytest.mark.parametrize("opening", ["[", "{a: ", "- ", "? "])
def test_nesting_without_end_is_refused(opening: str) -> None:
    (problem,) = problems_of(opening * 50_000)
    assert problem.found == "The nesting goes deeper than 40 levels here."


def test_a_file_with_nothing_right_in_it_stops_being_listed() -> None:
    problems = problems_of("".join(f"key{number}: 1\n" for number in range(2000)))
    assert len(problems) == PROBLEM_LIMIT + 1
    assert problems[-1].found == f"The reading stopped after {PROBLEM_LIMIT} problems."


# --- anything at all: a sentence, never a crash


def only_sentences(content: str | bytes) -> None:
    """Reading gives a model or problems with a line and two printable sentences each."""
    problems: tuple[Problem, ...] = ()
    try:
        parse_model(content, FILE)
    except ModelFileError as refused:
        problems = refused.problems
    for problem in problems:
        assert problem.line >= 1
        assert problem.found
        assert problem.right
        assert str(problem).isprintable()


SLOWLY = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
WORDS = sorted(set(SMALL_MODEL.split()))
SCRAPS = [*WORDS, "[", "]", "{", "}", ": ", "- ", "&a ", "*a", "!x ", "<<: ", "~", "''", '"']
SCRAPS += ["1e999", ".nan", "-1", "\t", "\0", "\u00ad", "é", "---\n", "? ", "%YAML 3\n", "\ud800"]
EDITS = st.lists(
    st.tuples(
        st.sampled_from(["cut", "put", "swap lines", "drop line", "swap word"]),
        st.integers(0, 10**6),
        st.integers(0, 10**6),
        st.sampled_from(SCRAPS),
    ),
    min_size=1,
    max_size=5,
)


def edited(edits: list[tuple[str, int, int, str]]) -> str:
    text = SMALL_MODEL
    for kind, first, second, scrap in edits:
        at = first % (len(text) + 1)
        lines = text.splitlines(keepends=True) or [""]
        one, other = first % len(lines), second % len(lines)
        if kind == "cut":
            text = text[:at] + text[at + second % 40 :]
        elif kind == "put":
            text = text[:at] + scrap + text[at:]
        elif kind == "swap lines":
            lines[one], lines[other] = lines[other], lines[one]
            text = "".join(lines)
        elif kind == "drop line":
            del lines[one]
            text = "".join(lines)
        else:
            words = text.split(" ")
            words[first % len(words)] = scrap
            text = " ".join(words)
    return text


@SLOWLY
@given(EDITS)
def test_a_model_file_edited_at_random_is_read_or_refused_in_sentences(
    edits: list[tuple[str, int, int, str]],
) -> None:
    only_sentences(edited(edits))


@SLOWLY
@given(
    st.lists(
        st.sampled_from(
            [slip for group in (HEAD, VARIABLES, CHANCES, DISTRIBUTIONS, SHOP) for slip in group]
        ),
        min_size=2,
        max_size=6,
    )
)
def test_any_mixture_of_slips_is_refused_in_sentences(slips: list[Slip]) -> None:
    text = SMALL_MODEL
    for slip in slips:
        text = text.replace(slip.old, slip.new, 1)
    only_sentences(text)


@SLOWLY
@given(st.one_of(st.text(max_size=300), st.binary(max_size=300)))
def test_any_text_or_bytes_are_refused_in_sentences(content: str | bytes) -> None:
    with pytest.raises(ModelFileError):
        parse_model(content, FILE)
    only_sentences(content)
