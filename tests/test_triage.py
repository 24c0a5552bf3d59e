"""Dealing out the morning's work."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultfinder.consultation.triage import DRAWS, deal, minutes_to_decision, missing_tools
from faultfinder.decide.policies import roll_out_once
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import after_check, check_cost, start
from faultfinder.inference.compiled import compile_model
from faultfinder.inference.loading import load_model
from tests import MODELS
from tests.consulted import look_at

MINUTES = st.lists(st.floats(0.5, 200.0), min_size=1, max_size=6)


@given(MINUTES)
def test_on_one_bench_no_order_waits_less_on_average(minutes: list[float]) -> None:
    """W. E. Smith, Naval Research Logistics Quarterly 3 (1956) 59: shortest first; the
    statement itself is checked here against every order."""

    def waiting(order: tuple[float, ...]) -> float:
        return float(np.cumsum((0.0, *order[:-1])).sum())

    turns = deal(enumerate(minutes), 1)
    assert sum(turn.begins for turn in turns) == pytest.approx(
        min(waiting(order) for order in permutations(minutes))
    )


@given(MINUTES, st.integers(1, 4))
def test_every_ticket_gets_one_turn_and_no_bench_does_two_at_once(
    minutes: list[float], benches: int
) -> None:
    turns = deal(enumerate(minutes), benches)
    assert sorted(turn.ticket for turn in turns) == list(range(len(minutes)))
    for bench in range(1, benches + 1):
        own = sorted((t for t in turns if t.bench == bench), key=lambda t: t.begins)
        for before, after in pairwise(own):
            assert after.begins == pytest.approx(before.begins + before.minutes)


def test_the_expected_minutes_are_those_of_following_the_policy() -> None:
    """Against drawing machines and following the same policy on each."""
    compiled = load_model("thin_clamshell")
    model, shop = compiled.model, Shop()
    findings = {"backlight": "off", "image": "none", "earlier_repair": "yes"}
    consultation = look_at(compiled, findings)
    problem = consultation.problem
    told = minutes_to_decision(consultation)
    assert told == minutes_to_decision(look_at(compiled, findings))
    policy = roll_out_once.make(problem, shop)
    first = policy.decide(start(problem))
    rng = np.random.default_rng(7)
    drawn = []
    for _ in range(1500):
        truth = rng.choice(len(problem.weights), p=problem.weights)
        situation, minutes = start(problem), 0.0
        action = first
        while action.kind == "check":
            check = problem.checks[action.number]
            cost = check_cost(problem, situation, action.number)
            minutes += cost - model.checks_by_name[check.name].consumables
            chances = check.likelihood[:, truth]
            result = rng.choice(len(chances), p=chances / chances.sum())
            situation = {r: s for r, _, s in after_check(problem, situation, action.number)}[result]
            action = policy.decide(situation)
        drawn.append(minutes)
    error = float(np.std(drawn)) * (1 / DRAWS + 1 / len(drawn)) ** 0.5
    assert abs(told - np.mean(drawn)) < 3 * error


def test_without_a_tool_its_checks_do_not_count() -> None:
    compiled = load_model("thin_clamshell")
    model = compiled.model
    left = tuple(check for check in model.checks if not missing_tools(check, ["METER"]))
    assert 0 < len(left) < len(model.checks)
    fewer = compile_model(replace(model, checks=left))
    told = minutes_to_decision(look_at(compiled, {"backlight": "off"}), ["METER"])
    assert told == minutes_to_decision(look_at(fewer, {"backlight": "off"}))


def test_without_a_tool_what_waits_for_what_stays_as_it_was() -> None:
    """Each check that is left waits for the same ones by name, those that are gone left out."""
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    problem = look_at(compiled, {"screen_light": "dark"}).problem
    waits = [c for c in problem.checks if c.behind]
    before = {name for c in waits for name in (problem.checks[one].name for one in c.behind)}
    # The first check goes, so that every number moves, and one that others wait for.
    gone = {0, next(n for n, c in enumerate(problem.checks) if n and c.name in before)}
    fewer = problem.without(gone)
    left = {c.name for c in fewer.checks}
    assert [c.name for c in fewer.checks] == [
        c.name for n, c in enumerate(problem.checks) if n not in gone
    ]
    assert any(c.behind for c in fewer.checks)
    for check in fewer.checks:
        was = next(c for c in problem.checks if c.name == check.name)
        assert {fewer.checks[one].name for one in check.behind} == {
            problem.checks[one].name for one in was.behind
        } & left
