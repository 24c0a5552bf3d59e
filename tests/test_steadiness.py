"""How often the advice stays when the figures move is counted right, and moves them as it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.steadiness import (
    FARTHEST,
    SEED,
    drawn,
    moved,
    steadiness,
)
from faultfinder.inference.compiled import CompiledModel, compile_model, with_variable
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Basis, NoisyMax, Table
from faultfinder.report.consultation.view import View
from faultfinder.report.consultation.why import why_page
from tests import MODELS
from tests.small_shop import small_shop


@pytest.mark.parametrize(
    ("worth", "spread"), [(4.0, 1.0), (100.0, 0.2), (400.0, 0.1), (0.01, FARTHEST)]
)
def test_a_figure_of_so_many_tickets_moves_by_the_standard_error_of_its_log_odds(
    worth: float, spread: float
) -> None:
    rng = np.random.default_rng(3)
    rows = np.array([moved((0.5, 0.5), worth, rng) for _ in range(4000)])
    steps = np.log(rows[:, 1] / rows[:, 0])
    assert steps.std() == pytest.approx(spread, rel=0.05)
    assert abs(steps.mean()) < 4.0 * spread / np.sqrt(len(steps))
    assert rows.sum(axis=1) == pytest.approx(np.ones(len(rows)))


def test_what_is_certain_or_impossible_stays() -> None:
    rng = np.random.default_rng(3)
    assert moved((0.0, 1.0, 0.0), 1.0, rng) == (0.0, 1.0, 0.0)
    row = moved((0.0, 0.3, 0.7), 5.0, rng)
    assert row[0] == 0.0
    assert row[1] != 0.3
    assert sum(row) == pytest.approx(1.0)


def with_worth(compiled: CompiledModel, worth: float) -> CompiledModel:
    """Every figure counting for so many tickets."""
    basis = Basis("guess", "invented", worth)
    variables = []
    for variable in compiled.model.variables:
        told = variable.distribution
        if isinstance(told, Table):
            told = replace(told, rows=tuple(replace(row, basis=basis) for row in told.rows))
        elif isinstance(told, NoisyMax):
            links = {
                parent: {state: replace(link, basis=basis) for state, link in states.items()}
                for parent, states in told.links.items()
            }
            told = replace(told, leak=replace(told.leak, basis=basis), links=links)
        variables.append(replace(variable, distribution=told, basis=basis))
    return compile_model(replace(compiled.model, variables=tuple(variables)))


def test_figures_that_were_counted_a_million_times_move_no_advice() -> None:
    sure = with_worth(compile_model(small_shop()), 1e6)
    for known in ({}, {"look": "faint"}):
        found = consult(Case(sure, known)).steadiness
        assert found is not None
        assert (found.same, found.near, found.other) == (found.draws, found.draws, "")


@pytest.mark.parametrize("known", [{"screen_light": "dark"}, {"image": "lines_down"}])
def test_the_tries_are_consulted_like_any_machine(known: dict[str, str]) -> None:
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    told = consult(Case(compiled, known))
    found = steadiness(told, draws=4)
    assert found is not None
    rng = np.random.default_rng(SEED)
    steps = []
    for _ in range(4):
        step = consult(Case(drawn(compiled, rng), known)).next_step
        assert step is not None
        steps.append((step.kind, step.name))
    step = told.next_step
    assert step is not None
    same = steps.count((step.kind, step.name))
    near = sum(one == (step.kind, step.name) or one[1] in told.round for one in steps)
    assert (found.draws, found.same, found.near) == (4, same, near)
    others = [name for kind, name in steps if (kind, name) != (step.kind, step.name)]
    assert (found.other in others) if others else found.other == ""


def test_the_page_of_why_says_how_steady_the_step_is() -> None:
    told = consult(Case(load_model(MODELS / "thin_clamshell.yaml"), {"screen_light": "dark"}))
    found = told.steadiness
    assert found is not None
    words = " ".join(why_page(View(told, why=told.order[0].check)).split())
    assert f"stays the step in {found.same} of {found.draws} tries" in words


def times(gives: tuple[float, ...], odds: float) -> tuple[float, ...]:
    """The row with the odds of all but the first state multiplied."""
    row = np.array(gives) * np.array([1.0, *[odds] * (len(gives) - 1)])
    return tuple((row / row.sum()).tolist())


def test_a_cause_with_other_odds_changes_the_step_as_it_is_said() -> None:
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    known = {"screen_light": "dark", "external_monitor": "good"}
    told = consult(Case(compiled, known))
    step = told.next_step
    assert step is not None
    assert 1 <= len(told.tips) <= 2
    for tip in told.tips:
        assert (tip.kind, tip.name) != (step.kind, step.name)
        # The same odds by a base rate as much higher or lower.
        odds = (tip.then / (1 - tip.then)) / (tip.chance / (1 - tip.chance))
        cause = compiled.model.by_name[tip.cause]
        told_by = cause.distribution
        if isinstance(told_by, NoisyMax):
            leak = replace(told_by.leak, gives=times(told_by.leak.gives, odds))
            other = replace(cause, distribution=replace(told_by, leak=leak))
        else:
            assert isinstance(told_by, Table)
            rows = tuple(replace(row, gives=times(row.gives, odds)) for row in told_by.rows)
            other = replace(cause, distribution=replace(told_by, rows=rows))
        moved = consult(Case(with_variable(compiled, other), known))
        assert moved.causes[tip.cause] == pytest.approx(tip.then, abs=0.03)
        found = moved.next_step
        assert found is not None
        assert (found.kind, found.name) == (tip.kind, tip.name)


def test_the_page_of_why_says_which_causes_the_step_hangs_on() -> None:
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    told = consult(Case(compiled, {"screen_light": "dark", "external_monitor": "good"}))
    words = " ".join(why_page(View(told, why=told.order[0].check)).split())
    tip = told.tips[0]
    title = compiled.model.by_name[tip.cause].title
    assert f"It would change with {title} {tip.then * 100:.0f} % likely and not" in words


def test_where_a_look_comes_before_all_else_no_chance_changes_it() -> None:
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    assert consult(Case(compiled, {"after": "fall_or_blow"})).tips == ()
