"""`faultfinder model sensitivity`: held against models compiled anew with a figure moved."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder.assess.figures import figures_of, odds_times, with_figure
from faultfinder.assess.moved_ranking import MovedRanking
from faultfinder.assess.sensitivity import Hinge, ranked_checks, sensitivity
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.model.answers import find_stage
from faultfinder.model.parts import FaultModel, Link, NoisyMax, SimpleTest, Table
from faultfinder.model.reading.reader import parse_model
from tests.conftest import Run
from tests.consulted import look_at
from tests.invented_models import SMALL_LID
from tests.networks import Case, cases
from tests.small_shop import small_shop


def small_lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID, "small_lid.yaml"))


def named_by_a_full_diagnosis(
    model: FaultModel, findings: Mapping[str, str | None], stage: str | None = None
) -> str:
    """The next check of a model compiled anew; "" for none."""
    compiled = compile_model(model)
    told = look_at(compiled, findings, stage=stage, only=ranked_checks(compiled))
    best = next(iter(told.most_telling), None)
    return best.check if best is not None and best.worth else ""


def beyond(hinge: Hinge, factor: float) -> tuple[float, float]:
    """The figure a little before and a little beyond the place where the advice changes."""
    turn = min(
        (t for t in (hinge.down, hinge.up) if t is not None),
        key=lambda t: max(t.factor, 1.0 / t.factor),
    )
    further = factor if turn.factor > 1.0 else 1.0 / factor
    return (
        odds_times(hinge.figure.value, turn.factor / further),
        odds_times(hinge.figure.value, turn.factor * further),
    )


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
    found = sensitivity(compiled, findings, stage=stage)
    assert found.check == named_by_a_full_diagnosis(compiled.model, findings, stage)
    assert found.hinges
    for hinge in found.hinges:
        before, after = beyond(hinge, 1.002)
        near = with_figure(compiled.model, hinge.figure, before)
        far = with_figure(compiled.model, hinge.figure, after)
        assert named_by_a_full_diagnosis(near, findings, stage) == found.check
        assert named_by_a_full_diagnosis(far, findings, stage) != found.check


@pytest.mark.parametrize("findings", [{}, {"backlight": "off", "image": "none"}])
def test_no_figure_left_out_has_a_smaller_margin(findings: dict[str, str | None]) -> None:
    compiled = small_lid()
    found = sensitivity(compiled, findings)
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
            assert named_by_a_full_diagnosis(model, findings) == found.check


@pytest.mark.parametrize("findings", [{}, {"backlight": "off", "start_signs": "clear"}])
def test_the_shop_model_changes_where_it_is_said_to(findings: dict[str, str | None]) -> None:
    compiled = load_model("thin_clamshell")
    begun = time.process_time()
    found = sensitivity(compiled, findings)
    assert time.process_time() - begun < 20.0
    assert len(found.hinges) == 10
    assert found.hanging >= 10
    for hinge in found.hinges[:2]:
        assert hinge.figure.basis is not None
        before, after = beyond(hinge, 1.002)
        near = with_figure(compiled.model, hinge.figure, before)
        far = with_figure(compiled.model, hinge.figure, after)
        assert named_by_a_full_diagnosis(near, findings) == found.check
        assert named_by_a_full_diagnosis(far, findings) != found.check


@given(cases(), st.data())
@settings(max_examples=120, deadline=None)
def test_moving_a_table_names_what_a_model_compiled_anew_names(
    case: Case, data: st.DataObject
) -> None:
    """Over models of every form: histories under findings, checks of several things, and all."""
    figures = figures_of(case.model)
    if not figures:
        return
    figure = data.draw(st.sampled_from(figures))
    factors = data.draw(st.lists(st.floats(0.02, 50.0), min_size=1, max_size=3))
    values = [odds_times(figure.value, factor) for factor in factors]
    compiled = case.compiled
    # Some of the checks only, or those that look at a cause itself would always lead.
    names = [check.name for check in case.model.checks]
    checks = data.draw(st.lists(st.sampled_from(names), min_size=1, max_size=3, unique=True))
    shop = Shop()
    ranking = MovedRanking.start(
        compiled, case.findings, (), find_stage(case.model, None), shop, checks
    )
    for value, named in zip(values, ranking.leaders(figure, values), strict=True):
        fresh = compile_model(with_figure(case.model, figure, value))
        try:
            told = look_at(fresh, case.findings, only=checks)
        except ImpossibleEvidence:
            assert named is None
            continue
        scores = {check.check: check.gain_per_cost for check in told.most_telling}
        best = max(scores.values(), default=0.0)
        least = 1.0 / shop.worth_per_bit
        if abs(best - least) < 1e-7:
            continue
        if best < least:
            assert named == ""
        else:
            # Checks that tell as much are level; either may be named.
            assert named is not None
            assert scores[named] == pytest.approx(best, abs=1e-7)


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
    ranking = MovedRanking.start(compiled, {}, (), "closed", Shop(), ranked_checks(compiled))
    tried = 0
    for figure in figures_of(compiled.model):
        if figure.variable != "no_picture":
            continue
        values = [odds_times(figure.value, factor) for factor in (0.02, 0.2, 6.0, 60.0)]
        for value, named in zip(values, ranking.leaders(figure, values), strict=True):
            moved = with_figure(compiled.model, figure, value)
            assert named == named_by_a_full_diagnosis(moved, {})
            tried += 1
    assert tried >= 16


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
