"""Expected cost of repair against published worked examples and rules."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.policies.look_ahead import LookAhead
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import _choose, best_order, evaluate_order
from faultfinder.decide.situation import Action, Situation, start
from tests.problems import (
    cheapest_permutation,
    independent_faults,
    policy_cost,
    problem,
    single_fault,
)

chances = st.floats(0.01, 1.0)
prices = st.floats(0.1, 20.0)


def jensen() -> Problem:
    """Jensen et al., AI EDAM 15 (2001) 321, section 2.2 (which action mends which cause is
    inferred from the figure; it reproduces the text's numbers)."""
    return single_fault(
        [0.20, 0.25, 0.40, 0.15],
        {
            "A1": (1.0, {0: 1.0, 1: 1.0}),
            "A2": (1.0, {1: 1.0, 2: 1.0}),
            "A3": (1.0, {2: 1.0, 3: 1.0}),
        },
    )


def test_jensen_greedy_order_costs_1_50_and_the_best_1_45() -> None:
    case = jensen()
    greedy = best_order(case, case.weights, 0)
    assert [case.repairs[step.repair].name for step in greedy.steps] == ["A2", "A1", "A3"]
    assert greedy.cost == pytest.approx(1.50)
    assert evaluate_order(case, case.weights, 0, [2, 0]).cost == pytest.approx(1.45)
    assert Exact(case).decide(start(case)).expected_cost == pytest.approx(1.45)


def test_lin_2014_figure_2_costs_2() -> None:
    """Lin, Int. J. Approx. Reasoning 55 (2014) 977, figure 2: A1, then the question, then
    A2 or A3, all at unit cost, probabilities 1/2, 1/4, 1/4."""
    case = single_fault(
        [0.5, 0.25, 0.25],
        {f"A{i + 1}": (1.0, {i: 1.0}) for i in range(3)},
        {"question": (1.0, [[0.5, 1.0, 0.0], [0.5, 0.0, 1.0]])},
    )

    class AsPrinted:
        """The strategy of the figure, whatever else might be cheaper."""

        name = "as printed"

        def decide(self, situation: Situation) -> Action:
            if 0 not in situation.repaired:
                return Action("repair", 0, 0.0)
            if 0 not in situation.checked:
                return Action("check", 0, 0.0)
            return Action("repair", 1 if situation.weights[2] > 0.5 else 2, 0.0)

    assert policy_cost(case, AsPrinted()) == pytest.approx(2.0)


def test_heckerman_observation_first_costs_19_2() -> None:
    """Heckerman, Breese & Rommelse, CACM 38 (1995) 49, figure 1: the branch costs of the
    plan that observes first, 17 / 34.9 / 30 / 28, and its expected cost 19.2 (rollback)."""
    observe, first, second = 5.0, 10.0, 20.0
    # Repair probabilities .9/.01 given o, .25/.7 given not o; the last repair always serves.
    given_o = {"first": 0.9, "second": 0.01}
    not_o = {"first": 0.25, "second": 0.7}
    # Their figure adds the costs along each branch.
    branches = {
        "o, first": observe + first + (1 - given_o["first"]) * second,
        "o, second": observe + second + (1 - given_o["second"]) * first,
        "not o, first": observe + first + (1 - not_o["first"]) * second,
        "not o, second": observe + second + (1 - not_o["second"]) * first,
    }
    assert branches == pytest.approx(
        {"o, first": 17.0, "o, second": 34.9, "not o, first": 30.0, "not o, second": 28.0}
    )
    # As one problem: the causes are mended by the first or the second repair.
    p = {"a": 0.8 * 0.9 + 0.2 * 0.25}
    p_a_o, p_b_o = 0.8 * 0.9, 0.8 * 0.1
    p_a_n, p_b_n = 0.2 * 0.3, 0.2 * 0.7
    assert p["a"] == pytest.approx(0.77)
    weights_o, weights_n = p_a_o + p_b_o, p_a_n + p_b_n
    case = single_fault(
        [p_a_o + p_a_n, p_b_o + p_b_n],
        {"first": (first, {0: 1.0}), "second": (second, {1: 1.0})},
        {
            "observe": (
                observe,
                [
                    [p_a_o / (p_a_o + p_a_n), p_b_o / (p_b_o + p_b_n)],
                    [p_a_n / (p_a_o + p_a_n), p_b_n / (p_b_o + p_b_n)],
                ],
            )
        },
    )
    planner = LookAhead(case)
    check = planner._cost_of_check(start(case), 0, 0)[0]
    # Given not o the second repair goes first: 5 + 20 + 0.3 * 10 = 28.
    assert weights_o == pytest.approx(0.8)
    assert weights_n == pytest.approx(0.2)
    assert check == pytest.approx(19.2)


@given(st.lists(st.tuples(chances, prices), min_size=1, max_size=6))
@settings(max_examples=100, deadline=None)
def test_for_a_single_fault_no_order_beats_p_over_c(faults: list[tuple[float, float]]) -> None:
    """Kalagnanam & Henrion 1990; Jensen et al. 2001, theorem 1."""
    p = np.array([chance for chance, _ in faults])
    case = single_fault(
        list(p / p.sum()), {f"R{i}": (cost, {i: 1.0}) for i, (_, cost) in enumerate(faults)}
    )
    assert best_order(case, case.weights, 0).cost == pytest.approx(
        cheapest_permutation(case), abs=1e-3, rel=1e-3
    )


@given(st.lists(st.tuples(st.floats(0.02, 0.9), prices), min_size=1, max_size=5))
@settings(max_examples=100, deadline=None)
def test_for_independent_faults_no_order_beats_p_over_c_one_minus_p(
    faults: list[tuple[float, float]],
) -> None:
    """Vomlelova, Int. J. Intell. Syst. 18 (2003) 267."""
    case = independent_faults([p for p, _ in faults], [c for _, c in faults])
    by_rule = sorted(
        range(len(faults)), key=lambda i: -faults[i][0] / (faults[i][1] * (1 - faults[i][0]))
    )
    least = cheapest_permutation(case)
    assert evaluate_order(case, case.weights, 0, by_rule).cost == pytest.approx(least)
    greedy = best_order(case, case.weights, 0).cost
    assert greedy == pytest.approx(least, rel=2e-3, abs=2e-3)


def test_for_independent_faults_plain_p_over_c_fails() -> None:
    """Vomlelova 2003: an instance found by search where p/c is dearer than p/(c(1-p))."""
    faults = [(0.9, 10.0), (0.5, 5.0)]
    case = independent_faults([p for p, _ in faults], [c for _, c in faults])
    plain = evaluate_order(case, case.weights, 0, [1, 0]).cost
    better = evaluate_order(case, case.weights, 0, [0, 1]).cost
    assert faults[1][0] / faults[1][1] > faults[0][0] / faults[0][1]
    assert better < plain


@pytest.mark.parametrize(("m", "cost"), [(1, 3.0), (2, 3.6667), (3, 4.25), (4, 4.8)])
def test_vomlelova_theorem_4(m: int, cost: float) -> None:
    """Vomlelova 2003, theorem 4: 3(m+1) equally likely faults, m disjoint observations of
    three faults each, unit costs: 2 + m(m+3)/(2(m+1))."""
    count = 3 * (m + 1)
    repairs = {f"R{i}": (1.0, {i: 1.0}) for i in range(count)}
    checks = {}
    for group in range(m):
        inside = [1.0 if i // 3 == group else 0.0 for i in range(count)]
        checks[f"O{group}"] = (1.0, [[1 - x for x in inside], inside])
    case = single_fault([1 / count] * count, repairs, checks)
    assert 2 + m * (m + 3) / (2 * (m + 1)) == pytest.approx(cost, abs=5e-5)

    # Observations one after another, then the three repairs of the group that is left.
    def roll(group: int) -> float:
        left = count - 3 * group
        three = (1 + 2 + 3) / 3
        if group == m:
            return three
        return 1.0 + 3 / left * three + (left - 3) / left * roll(group + 1)

    assert roll(0) == pytest.approx(cost, abs=5e-5)
    if m <= 2:
        assert Exact(case).decide(start(case)).expected_cost == pytest.approx(cost, abs=5e-5)
    assert policy_cost(case, LookAhead(case)) <= cost * 1.05


@given(
    st.lists(
        st.tuples(chances, prices, st.sets(st.integers(0, 3), min_size=1)), min_size=1, max_size=4
    )
)
@settings(max_examples=60, deadline=None)
def test_updating_p_over_c_is_within_a_factor_of_four(
    actions: list[tuple[float, float, set[int]]],
) -> None:
    """Lin 2014: updating p-over-C costs at most four times the optimum."""
    prior = np.array([0.4, 0.3, 0.2, 0.1])
    covered = sorted(set().union(*(mends for _, _, mends in actions)))
    weights = prior[covered] / prior[covered].sum()
    place = {cause: i for i, cause in enumerate(covered)}
    case = single_fault(
        list(weights),
        {
            f"R{i}": (cost, {place[c]: 1.0 for c in mends})
            for i, (_, cost, mends) in enumerate(actions)
        },
    )
    order = best_order(case, case.weights, 0)
    least = min(
        evaluate_order(case, case.weights, 0, o).cost
        for o in permutations(range(len(case.repairs)))
    )
    assert order.cost <= 4 * least + 1e-6


def cluster_case() -> Problem:
    """Two repairs behind one teardown of cost 6, one outside; made for this test."""
    scenarios = np.vstack([np.zeros((1, 3), dtype=np.int64), np.eye(3, dtype=np.int64)])
    return problem(
        scenarios,
        [0.0, 0.34, 0.34, 0.32],
        {"inner1": (1.0, {0: 1.0}), "inner2": (1.0, {1: 1.0}), "outer": (4.0, {2: 1.0})},
        {},
        places={"inner1": 1, "inner2": 1, "outer": 0},
        travel=[[0.0, 6.0], [0.0, 0.0]],
    )


def test_ignoring_the_cost_cluster_is_dearer() -> None:
    """Langseth & Jensen, RESS 80 (2003) 49: repairs behind one teardown share its cost.

    Each inner repair alone looks worse than the outer one (0.34/7 against 0.32/4), but
    both together are better (0.68/8 against 0.32/4).
    """
    case = cluster_case()
    ignoring = evaluate_order(case, case.weights, 0, [2, 0, 1]).cost
    mindful = best_order(case, case.weights, 0)
    assert case.repairs[mindful.steps[-1].repair].name == "outer"
    assert mindful.cost == pytest.approx(cheapest_permutation(case))
    assert mindful.cost < ignoring


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=150, deadline=None)
def test_trees_of_clusters_by_horns_rule(seed: int) -> None:
    """Horn 1972: with stages that open into one another like a tree, each opened once
    and left open, folding the best of a subtree into its opening gives the optimum."""
    rng = np.random.default_rng(seed)
    parents = [0, 0, int(rng.integers(0, 2)), int(rng.integers(0, 3))]
    opening = [0.0, *rng.uniform(0.5, 6, 3)]
    count = 6
    places = {f"R{i}": int(rng.integers(0, 4)) for i in range(count)}
    costs = rng.uniform(0.5, 6, count)
    p = rng.dirichlet(np.ones(count))

    def way(stage: int) -> list[int]:
        return [] if stage == 0 else [*way(parents[stage]), stage]

    def cost_of(order: Sequence[int]) -> float:
        opened: set[int] = set()
        total, left = 0.0, 1.0
        for repair in order:
            new = [s for s in way(places[f"R{repair}"]) if s not in opened]
            opened.update(new)
            total += left * (costs[repair] + sum(opening[s] for s in new))
            left -= p[repair]
        return total

    least = min(cost_of(order) for order in permutations(range(count)))
    # The engine's rule, step by step, with opened stages free from then on.
    opened: set[int] = set()
    order: list[int] = []
    while len(order) < count:
        travel = np.full((4, 4), np.inf)
        np.fill_diagonal(travel, 0.0)
        for stage in range(4):
            route = way(stage)
            for place, begin in enumerate([0, *route]):
                after = route[place:]
                travel[begin, stage] = sum(opening[s] for s in after if s not in opened)
        case = problem(
            np.vstack([np.zeros((1, count)), np.eye(count)]),
            [0.0, *p],
            {f"R{i}": (costs[i], {i: 1.0}) for i in range(count)},
            {},
            places=places,
            travel=travel,
        )
        left = [i for i in range(count) if i not in order]
        rises = [p[i] for i in range(count)]
        chosen = _choose(case, rises, 0, left)
        assert chosen is not None
        opened.update(way(places[f"R{chosen}"]))
        order.append(chosen)
    assert cost_of(order) == pytest.approx(least)


def test_the_planners_never_beat_the_exact_one() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        p = rng.dirichlet(np.ones(4))
        rows = rng.uniform(0, 1, (2, 4))
        case = single_fault(
            list(p),
            {f"R{i}": (float(rng.uniform(1, 9)), {i: 1.0}) for i in range(4)},
            {
                f"T{k}": (float(rng.uniform(0.2, 2)), [list(rows[k]), list(1 - rows[k])])
                for k in range(2)
            },
        )
        least = Exact(case).decide(start(case)).expected_cost
        assert policy_cost(case, LookAhead(case)) >= least - 1e-9
        assert policy_cost(case, OneStep(case, 5.0)) >= least - 1e-9
