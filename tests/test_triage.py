"""Dealing out the morning's work."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultfinder.consultation.bench import build_problem
from faultfinder.consultation.triage import DRAWS, deal, minutes_to_decision, missing_tools
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import after_check, check_cost, start
from faultfinder.inference.loading import load_model

MINUTES = st.lists(st.floats(0.5, 200.0), min_size=1, max_size=6)


@given(MINUTES)
def test_on_one_bench_no_order_waits_less_on_average(minutes: list[float]) -> None:
    """W. E. Smith, Naval Research Logistics Quarterly 3 (1956) 59: shortest first (citation
    from memory; the statement itself is checked here against every order)."""

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
    problem = build_problem(compiled, findings, at_once=2, lost=5e-3)
    told = minutes_to_decision(problem, shop, model, lambda check: True)
    assert told == minutes_to_decision(problem, shop, model, lambda check: True)
    policy = OneStep(problem, shop.worth_per_bit)
    rng = np.random.default_rng(7)
    drawn = []
    for _ in range(1500):
        truth = rng.choice(len(problem.weights), p=problem.weights)
        situation, minutes = start(problem), 0.0
        while (action := policy.decide(situation)).kind == "check":
            check = problem.checks[action.number]
            cost = check_cost(problem, situation, action.number)
            minutes += cost - model.checks_by_name[check.name].consumables
            chances = check.likelihood[:, truth]
            result = rng.choice(len(chances), p=chances / chances.sum())
            situation = {r: s for r, _, s in after_check(problem, situation, action.number)}[result]
        drawn.append(minutes)
    error = float(np.std(drawn)) * (1 / DRAWS + 1 / len(drawn)) ** 0.5
    assert abs(told - np.mean(drawn)) < 3 * error


def test_without_a_tool_its_checks_do_not_count() -> None:
    compiled = load_model("thin_clamshell")
    problem = build_problem(compiled, {"backlight": "off"}, at_once=2, lost=5e-3)
    checks = compiled.model.checks_by_name
    assert any(missing_tools(checks[action.name], ["METER"]) for action in problem.checks)
    assert minutes_to_decision(problem, Shop(), compiled.model, lambda check: False) == 0.0
