"""The exact planner finds what trying everything finds, the others what their words say."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder.decide import abreast as side_by_side
from faultfinder.decide.abreast import Abreast, Stories, told_once
from faultfinder.decide.plan import make_plan
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.policies.look_ahead import LookAhead
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.policies.roll_out import CHEAP, LEVEL, NEAR, RollOut
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order, evaluate_order, order_cost
from faultfinder.decide.situation import (
    Action,
    Situation,
    after_check,
    after_repair,
    check_cost,
    promising_repairs,
    repair_cost,
    repair_now,
    repair_step,
    start,
)
from faultfinder.decide.together import Telling
from tests.problems import brute_force, policy_cost, small_problems


@given(small_problems())
@settings(max_examples=300, deadline=None)
def test_no_plan_is_cheaper_than_the_exact_one(case: Problem) -> None:
    """Against brute force: noisy tests, stage moves, imperfect repairs and missed looks."""
    assert Exact(case).decide(start(case)).expected_cost == pytest.approx(
        brute_force(case, start(case)), abs=1e-6
    )


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_following_the_exact_planner_costs_what_it_says(case: Problem) -> None:
    planner = Exact(case)
    assert policy_cost(case, planner) == pytest.approx(
        planner.decide(start(case)).expected_cost, abs=1e-6
    )


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_no_planner_beats_the_exact_one(case: Problem) -> None:
    least = Exact(case).decide(start(case)).expected_cost
    for planner in (LookAhead(case), OneStep(case, 5.0)):
        assert policy_cost(case, planner) >= least - 1e-6


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_an_order_costs_the_same_however_it_is_worked_out(case: Problem) -> None:
    order = best_order(case, case.weights, case.stage)
    steps = [step.repair for step in order.steps]
    # The quick figure looks less far, so it is never below what the order costs.
    assert order_cost(case, case.weights, case.stage) >= order.cost - 1e-9
    again = evaluate_order(case, case.weights, case.stage, steps)
    assert again.cost == pytest.approx(order.cost)


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_folding_a_branch_still_pays_for_it(case: Problem) -> None:
    plan = make_plan(case, LookAhead(case), fold_below=0.3, depth=2)
    total = sum(
        node.reached * node.cost
        for node in plan.root.walk()
        if node.kind in ("check", "repair", "order", "hand over")
    ) + sum(node.reached * node.expected_cost for node in plan.root.walk() if node.kind == "closed")
    assert total == pytest.approx(plan.expected_cost, abs=1e-6)


def open_checks(case: Problem, at: Situation) -> list[int]:
    return [check for check in range(len(case.checks)) if check not in at.checked]


def bits(case: Problem, at: Situation, check: int) -> float:
    """What a check tells of the scenario: entropy before less entropy after."""

    def entropy(weights: np.ndarray) -> float:
        some = weights[weights > 0.0]
        return float(-(some * np.log2(some)).sum())

    ways = after_check(case, at, check)
    return entropy(at.weights) - sum(p * entropy(then.weights) for _, p, then in ways)


def alone(case: Problem, at: Situation, check: int) -> float:
    """The cost of a check and the best repair order after each result."""
    ways = after_check(case, at, check)
    return check_cost(case, at, check) + sum(p * repair_cost(case, then) for _, p, then in ways)


def repaired(case: Problem, at: Situation, repair: int) -> float:
    """The cost of a repair and the best repair order after it."""
    cost, fails, then = repair_step(case, at, repair)
    return cost if then is None else cost + fails * repair_cost(case, then)


@given(small_problems(checks_most=4), st.sampled_from([(9, 9, 9), (1, 1, 1), (4, 3, 1), (1, 9, 0)]))
@settings(max_examples=150, deadline=None)
def test_looking_ahead_weighs_a_check_with_the_best_that_follows(
    case: Problem, wide: tuple[int, int, int]
) -> None:
    """All that it looks at is tried here without bounds and without an order."""
    width, inner, repairs = wide
    begin = start(case)

    def followed(at: Situation) -> float:
        told = {c: bits(case, at, c) for c in open_checks(case, at)}
        telling = [c for c in told if told[c] >= 1e-3]
        telling.sort(key=lambda c: -told[c] / max(check_cost(case, at, c), 1e-9))
        ways = [repair_cost(case, at), *(alone(case, at, c) for c in telling[:inner])]
        return min(*ways, *(repaired(case, at, r) for r in promising_repairs(case, at, repairs)),
                   np.inf)  # fmt: skip

    found = LookAhead(case, width, inner, repairs).decide(begin)
    by_cost = sorted(open_checks(case, begin), key=lambda check: (alone(case, begin, check), check))
    beyond: dict[int, int] = {}
    for check in by_cost:
        stage = case.checks[check].stage
        if stage != case.stage:
            rival = beyond.setdefault(stage, check)
            if bits(case, begin, check) > bits(case, begin, rival):
                beyond[stage] = check
    stop = repair_now(case, begin)
    for one in found.weighed:
        by_itself = alone(case, begin, one.number)
        cost = by_itself
        if one.number in by_cost[:width] or one.number in beyond.values():
            ways = after_check(case, begin, one.number)
            deep = check_cost(case, begin, one.number) + sum(p * followed(at) for _, p, at in ways)
            cost = min(cost, deep)
        assert one.expected_cost == pytest.approx(cost, rel=1e-6)
        assert one.saves == pytest.approx(stop.expected_cost - cost, abs=1e-4)
        assert one.saves_alone == pytest.approx(stop.expected_cost - by_itself, abs=1e-4)
        assert one.follow_up in {-1, *by_cost} - {one.number}
    costs = [one.expected_cost for one in found.weighed]
    assert costs == sorted(costs)
    assert sorted(one.number for one in found.weighed) == sorted(by_cost)
    best = {("check", one.number): one.expected_cost for one in found.weighed}
    best[stop.kind, stop.number] = stop.expected_cost
    for repair in promising_repairs(case, begin, 3):
        cost, fails, then = repair_step(case, begin, repair)
        best["repair", repair] = cost if then is None else cost + fails * followed(then)
    least = min(best.values())
    assert found.expected_cost == pytest.approx(least, rel=1e-6)
    assert min(best[found.kind, found.number], stop.expected_cost) == pytest.approx(least, rel=1e-6)


@given(
    small_problems(checks_most=4), st.sampled_from([0.0, 0.2, 0.6]),
    st.sampled_from([(9, 0), (1, 0), (1, 1), (1, 2), (2, 1)]),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_roll_out_weighs_a_step_by_following_the_simple_policy(
    case: Problem, fold: float, wide: tuple[int, int]
) -> None:
    """Each open check and likely repair is taken, and the simple policy followed by hand."""
    width, inside = wide
    begin = start(case)
    policy = RollOut(case, 5.0, width, fold, inside, repairs=9)
    base = OneStep(case, 5.0)

    def follow(at: Situation, reached: float) -> float:
        if reached < fold:
            return repair_cost(case, at)
        action = base.decide(at)
        if action.kind == "check":
            ways = after_check(case, at, action.number)
            return check_cost(case, at, action.number) + sum(
                p * follow(then, reached * p) for _, p, then in ways
            )
        if action.kind == "repair":
            return repairing(at, action.number, reached)
        return case.give_up + float(case.finish[at.stage])

    def repairing(at: Situation, repair: int, reached: float) -> float:
        cost, fails, then = repair_step(case, at, repair)
        if then is None:
            return cost
        later = follow(then, reached * fails)
        return cost + fails * (min(later, repair_cost(case, then)) if reached >= 1.0 else later)

    stop = repair_now(case, begin)
    costs = {}
    for check in open_checks(case, begin):
        costs[check] = check_cost(case, begin, check) + sum(
            p * min(follow(then, p), repair_cost(case, then))
            for _, p, then in after_check(case, begin, check)
        )
    found = policy.decide(begin)
    telling = Telling(case).bits(case.weights)
    weighed = {one.number: one for one in found.weighed}
    # Those that tell most for their cost, and the most telling of other stages.
    score = Telling(case).score(telling, case.stage)
    told = sorted((c for c in costs if telling[c] > 1e-4), key=lambda c: -score[c])
    beyond = {
        stage: max((c for c in told if case.checks[c].stage == stage), key=lambda c: telling[c])
        for stage in {case.checks[c].stage for c in told} - {case.stage}
    }
    deepest = sorted(beyond.values(), key=lambda c: -telling[c])[:inside]
    tried = list(dict.fromkeys([*told[:width], *deepest]))
    assert set(weighed) == set(tried)
    # Those that cost less than the best are weighed with the best made right after them, too.
    own = {check: check_cost(case, begin, check) for check in tried}
    best_check = min(tried, key=lambda c: costs[c], default=-1)

    def with_best(at: Situation, reached: float) -> float:
        if reached < fold:
            return repair_cost(case, at)
        if not case.is_open(best_check, at.checked):
            return np.inf
        return check_cost(case, at, best_check) + sum(
            p * follow(then, reached * p) for _, p, then in after_check(case, at, best_check)
        )

    near_best = costs.get(best_check, 0.0) * (1.0 + NEAR)
    for check in [c for c in tried if own[c] <= own[best_check] * CHEAP and costs[c] <= near_best]:
        costs[check] = own[check] + sum(
            p * min(follow(then, p), repair_cost(case, then), with_best(then, p))
            for _, p, then in after_check(case, begin, check)
        )
    for check, one in weighed.items():
        assert one.expected_cost == pytest.approx(costs[check])
        assert one.saves == pytest.approx(stop.expected_cost - costs[check], abs=1e-6)
        by_itself = stop.expected_cost - alone(case, begin, check)
        assert one.saves_alone == pytest.approx(by_itself, abs=1e-6)
        ways = after_check(case, begin, check)
        then = {base.decide(at).number for _, _, at in ways if base.decide(at).kind == "check"}
        assert one.follow_up in (then or {-1})
    rising = sorted(costs[c] for c in weighed)
    assert [one.expected_cost for one in found.weighed] == pytest.approx(rising)
    # Level in cost, the one that tells most about the right repair for its cost.
    best: Action = stop
    if weighed and min(costs[c] for c in weighed) < stop.expected_cost - 1e-6:
        near = [c for c in weighed if costs[c] <= min(costs[o] for o in weighed) * (1.0 + LEVEL)]
        near = [c for c in near if costs[c] < stop.expected_cost]
        best = weighed[max(near, key=lambda c: score[c])]
    cheaper = {r: repairing(begin, r, 1.0) for r in promising_repairs(case, begin, 9)}
    margin = policy.clearly * best.expected_cost if best.kind == "check" else 0.0
    least = min(cheaper.values(), default=np.inf)
    if abs(least - best.expected_cost + margin) < 1e-6:
        return
    if least < best.expected_cost - margin:
        assert (found.kind, found.expected_cost) == ("repair", pytest.approx(least))
    else:
        assert (found.kind, found.number) == (best.kind, best.number)


@given(small_problems())
@settings(max_examples=100, deadline=None)
def test_the_promising_repairs_are_those_that_cure_most_for_their_cost(case: Problem) -> None:
    begin = start(case)
    # The scenario without a fault comes first.
    cures = {r: float(case.after_repair(case.weights, r)[0]) for r in range(len(case.repairs))}
    ratio = {r: cures[r] / case.act_cost[case.stage, r] for r in cures if cures[r] > 1e-6}
    assert promising_repairs(case, begin, 9) == sorted(ratio, key=lambda r: -ratio[r])
    assert promising_repairs(case, begin, 1) == promising_repairs(case, begin, 9)[:1]
    if ratio:
        made = after_repair(case, begin, next(iter(ratio)))[3]
        if made is not None:
            assert next(iter(ratio)) not in promising_repairs(case, made, 9)


def same(stories: Stories, wanted: list[tuple[float, Situation]]) -> None:
    """The stories are those situations, in that order."""
    assert len(stories) == len(wanted)
    for row, (chance, at) in enumerate(wanted):
        assert stories.chance[row] == pytest.approx(chance)
        assert stories.weights[row] == pytest.approx(at.weights, abs=1e-12)
        assert stories.stages[row] == at.stage
        assert set(np.flatnonzero(stories.made[row])) == set(at.checked)
        assert set(np.flatnonzero(stories.repaired[row])) == set(at.repaired)


@given(small_problems(checks_most=4))
@settings(max_examples=100, deadline=None)
def test_stories_side_by_side_go_as_each_would_alone(case: Problem) -> None:
    """With none thinned out: two checks and a repair each, on all that have come so far."""
    followed = Abreast(case, 1e-15)
    stories, alone = told_once(case, start(case), 1), [(1.0, start(case))]
    same(stories, alone)
    for check in range(len(case.checks)):
        stories = followed.check(stories, np.full(len(stories), check))
        alone = [(p * q, then) for p, at in alone for _, q, then in after_check(case, at, check)]
        same(stories, alone)
    for repair in range(len(case.repairs)):
        passes, _, then = followed.repair(stories, np.full(len(stories), repair))
        told = [(p, after_repair(case, at, repair)) for p, at in alone]
        assert passes == pytest.approx([one[0] for _, one in told])
        same(then, [(p * one[2], one[3]) for p, one in told if one[3] is not None])


@given(small_problems(), st.floats(0.05, 0.6))
@settings(max_examples=60, deadline=None)
def test_rare_stories_are_thinned_out_and_stand_for_all_of_them(case: Problem, rare: float) -> None:
    if not case.checks:
        return
    exact = {r: p for r, p, _ in after_check(case, start(case), 0)}
    followed, times, total = Abreast(case, rare), 40, 0.0
    for _ in range(times):
        then = followed.check(told_once(case, start(case), 1), np.array([0]))
        for chance in then.chance:
            likely = [p for p in exact.values() if p >= rare]
            assert any(chance == pytest.approx(p) for p in (rare, *likely))
        total += float(then.chance.sum())
    assert total == pytest.approx(times * sum(exact.values()), abs=rare + 1e-6)


@given(small_problems(checks_most=4))
@settings(max_examples=30, deadline=None)
def test_few_stories_at_a_time_are_the_same_stories(case: Problem) -> None:
    followed = Abreast(case, 1e-15)
    stories = told_once(case, start(case), 1)
    for check in range(len(case.checks)):
        stories = followed.check(stories, np.full(len(stories), check))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(side_by_side, "AT_ONCE", 2 * len(case.weights))
        followed.wait(stories)
        followed.wait(stories.take(np.zeros(0, dtype=np.int64)))
        parts = list(followed.going())
    assert [len(part) for part in parts[:-1]] == [2] * (len(parts) - 1)
    assert 1 <= len(parts[-1]) <= 2
    assert [c for part in parts for c in part.chance] == stories.chance.tolist()
