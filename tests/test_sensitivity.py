"""`faultfinder model sensitivity`: held against models compiled anew with a figure moved."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder import Case as Known
from faultfinder.assess.figures import Figure, figures_of, moved_variable, odds_times
from faultfinder.assess.sensitivity import Hinge, sensitivity
from faultfinder.cli.cores import on_cores
from faultfinder.inference.compiled import CompiledModel, compile_model, with_variable
from faultfinder.model.parts import FaultModel, Link, NoisyMax, SimpleTest, Table
from faultfinder.model.reading.reader import parse_model
from faultfinder.report.model.text import sensitivity_page
from tests.conftest import Run
from tests.consulted import look_at
from tests.invented_models import SMALL_LID
from tests.networks import Case, cases
from tests.small_shop import small_shop


def small_lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID, "small_lid.yaml"))


def with_figure(model: FaultModel, figure: Figure, value: float) -> FaultModel:
    """The model with one of its figures at `value`."""
    moved = moved_variable(model, figure, value)
    return replace(
        model, variables=tuple(moved if v.name == moved.name else v for v in model.variables)
    )


def named_by_a_consultation(
    model: FaultModel, findings: Mapping[str, str | None], stage: str | None = None
) -> str:
    """The next check of a model compiled anew; "" for none."""
    best = look_at(compile_model(model), findings, stage=stage).next
    return best.check if best is not None else ""


def around(hinge: Hinge) -> tuple[float, float]:
    """The figure a little before the place where the advice changes, and there."""
    turn = min(
        (t for t in (hinge.down, hinge.up) if t is not None),
        key=lambda t: max(t.factor, 1.0 / t.factor),
    )
    back = 1.002 if turn.factor > 1.0 else 1.0 / 1.002
    return odds_times(hinge.figure.value, turn.factor / back), turn.value


@pytest.mark.parametrize(
    ("findings", "stage"),
    [
        ({}, None),
        ({"backlight": "off"}, None),
        ({"backlight": "off", "image": "none", "lamp_image": "yes"}, "cover_off"),
        ({"glass": None, "knock": "yes", "backlight": "flickers"}, None),
    ],
)
def test_the_check_changes_where_it_is_said_to(
    findings: dict[str, str | None], stage: str | None
) -> None:
    compiled = small_lid()
    found = sensitivity(Known(compiled, findings, stage))
    assert found.check == named_by_a_consultation(compiled.model, findings, stage)
    assert found.hinges
    for hinge in found.hinges:
        before, after = around(hinge)
        near = with_figure(compiled.model, hinge.figure, before)
        far = with_figure(compiled.model, hinge.figure, after)
        assert named_by_a_consultation(near, findings, stage) == found.check
        assert named_by_a_consultation(far, findings, stage) != found.check


@pytest.mark.parametrize("findings", [{}, {"backlight": "off", "image": "none"}])
def test_no_figure_left_out_has_a_smaller_margin(findings: dict[str, str | None]) -> None:
    compiled = small_lid()
    found = sensitivity(Known(compiled, findings))
    listed = {hinge.figure for hinge in found.hinges}
    assert len(listed) == len(found.hinges) == min(10, found.hanging)
    margins = [hinge.margin for hinge in found.hinges]
    assert margins == sorted(margins)
    last = margins[-1] if found.hanging > 10 else found.farthest
    for figure in figures_of(compiled.model):
        if figure in listed:
            continue
        for factor in (last / 1.01, 1.01 / last):
            model = with_figure(compiled.model, figure, odds_times(figure.value, factor))
            assert named_by_a_consultation(model, findings) == found.check


def test_other_cores_find_the_same() -> None:
    case = Known(small_lid(), {"backlight": "off"})
    assert sensitivity(case, run=on_cores) == sensitivity(case)


def test_a_sample_of_the_figures_says_that_it_is_one() -> None:
    compiled = small_lid()
    whole = sensitivity(Known(compiled), most=1000)
    some = sensitivity(Known(compiled), sample=9, most=1000)
    assert (some.moved, some.of) == (9, whole.of)
    assert whole.moved == whole.of == len(figures_of(compiled.model))
    assert f"9 figures, drawn from {some.of:,}, moved" in " ".join(
        sensitivity_page(compiled.model, some).split()
    )
    assert "drawn from" not in sensitivity_page(compiled.model, whole)


@pytest.mark.parametrize("findings", [{}, {"backlight": "off", "knock": "yes"}])
def test_a_figure_moved_in_place_gives_the_model_compiled_anew(findings: dict[str, str]) -> None:
    compiled = small_lid()
    for figure in figures_of(compiled.model)[::5]:
        value = odds_times(figure.value, 3.0)
        variable = moved_variable(compiled.model, figure, value)
        moved = look_at(with_variable(compiled, variable), findings)
        anew = look_at(compile_model(with_figure(compiled.model, figure, value)), findings)
        assert moved.next_step == anew.next_step
        assert moved.causes == pytest.approx(anew.causes, abs=1e-12)
        assert [(one.check, one.gain_bits) for one in moved.order] == [
            (one.check, pytest.approx(one.gain_bits, abs=1e-12)) for one in anew.order
        ]


def test_large_families_split_into_steps_are_moved_as_well() -> None:
    """The complaint of this model follows from three causes with noise, in steps."""
    model = small_shop()
    links = {
        name: {state: Link((0.3, 0.7))}
        for name, state in (("strip", "dead"), ("panel", "damaged"), ("board", "dead"))
    }
    noisy = NoisyMax(tuple(links), Link((0.95, 0.05)), links)
    variables = tuple(
        replace(v, distribution=noisy) if v.name == "no_picture" else v for v in model.variables
    )
    compiled = compile_model(replace(model, variables=variables))
    assert compiled.network.own < len(compiled.network.names)
    found = sensitivity(Known(compiled), most=200)
    assert any(hinge.figure.variable == "no_picture" for hinge in found.hinges)
    for hinge in found.hinges:
        before, after = around(hinge)
        for value, changed in ((before, False), (after, True)):
            moved = with_figure(compiled.model, hinge.figure, value)
            assert (named_by_a_consultation(moved, {}) != found.check) == changed


@given(cases(), st.floats(0.001, 0.999))
@settings(max_examples=60, deadline=None)
def test_a_moved_row_still_sums_to_one_and_nothing_else_moves(case: Case, value: float) -> None:
    for figure in figures_of(case.model):
        assert 0.0 < figure.value < 1.0
        moved = with_figure(case.model, figure, value)
        for before, after in zip(case.model.variables, moved.variables, strict=True):
            if before.name != figure.variable:
                assert after is before
                continue
            distribution = after.distribution
            rows = []
            if isinstance(distribution, Table):
                rows = [row.gives for row in distribution.rows]
            elif isinstance(distribution, NoisyMax):
                rows = [distribution.leak.gives]
                rows += [k.gives for states in distribution.links.values() for k in states.values()]
            else:
                assert isinstance(distribution, SimpleTest)
                assert value in (distribution.sensitivity, distribution.specificity)
            for row in rows:
                assert sum(row) == pytest.approx(1.0, abs=1e-12)
            (same,) = [f for f in figures_of(moved) if replace(f, value=figure.value) == figure]
            assert same.value == pytest.approx(value)


def test_odds_are_multiplied() -> None:
    assert odds_times(0.2, 4.0) == pytest.approx(0.5)
    assert odds_times(odds_times(0.37, 5.0), 0.2) == pytest.approx(0.37)


def test_the_page_names_figures_margins_and_their_basis(run: Run) -> None:
    done = run("model", "sensitivity", "small_lid", "--saw", "backlight=off")
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines())) <= 80
    assert "Known: backlight=off." in done.output
    assert "Basis:" in done.output
    assert "(odds" in done.output
    told = json.loads(
        run("model", "sensitivity", "small_lid", "-s", "backlight=off", "--json").output
    )
    assert told["hinges"] == sorted(told["hinges"], key=lambda hinge: hinge["margin"])
    assert told["figures_moved"] == len(figures_of(small_lid().model))


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("small_lid", "-s", "backlihgt=off"), 2, "backlight"),
        (("small_lid", "-s", "battery_shape=swollen"), 1, "STOP"),
        (("small_lid", "--stage", "clsoed"), 2, "closed"),
        (("small_lid", "-s", "panel=fine", "-s", "glass=cracked"), 1, "contradict"),
    ],
)
def test_bad_input_gets_a_sentence(
    run: Run, words: tuple[str, ...], status: int, said: str
) -> None:
    done = run("model", "sensitivity", *words)
    assert done.exit_code == status, done.output
    assert said in done.output
    assert "Traceback" not in done.output
