"""A published network with priced looks and repairs: a car that does not start.

Network and prices: github.com/arianacarnielli/P-androide (student project on the value of
information, Sorbonne, 2019/20), `code/simpleCar2.bif` and `code/ProblemDefinition.py`; the network
is an example of the aGrUM software. Numbers and structure only. The optima are of exact dynamic
programming, made once outside this project (the short list by two programs written apart), for
this variant: at least one of the five causes is present, a repair always mends its part, the
engine is tried after each repair, free, and looks at a mended part and at what depends on it are
closed. Service mends anything for 500.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from faultfinder.decide.policies import look_ahead, one_step, roll_out
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import start
from tests.problems import policy_cost, problem

CAUSES = ("battery", "oil", "tank", "line", "starter")
DEAD = 0.98 * 0.01 + 0.02 * 0.99
CHARGING = 1.0 - 0.998 * 0.999 * 0.999
PRESENT = (1.0 - (1.0 - DEAD) * (1.0 - CHARGING), 0.01, 0.006, 0.004, 0.002)
REPAIRS = {"battery": 200.0, "oil": 75.0, "tank": 50.0, "line": 150.0, "starter": 40.0}
LOOKS = {
    # P(the look is not as it should be | states of the causes named), and its price
    "lights": (("battery",), {(0,): 0.02, (1,): 1.0}, 2.0),
    "oil light": (
        ("battery", "oil"),
        {(0, 0): 0.001, (0, 1): 0.98, (1, 0): 0.0, (1, 1): 0.0},
        1.0,
    ),
    "dipstick": (("oil",), {(0,): 0.001, (1,): 0.999}, 7.0),
    "battery": (("battery",), {(0,): 0.0, (1,): 1.0}, 20.0),
    "starter": (("starter",), {(0,): 0.0, (1,): 1.0}, 10.0),
    "oil": (("oil",), {(0,): 0.0, (1,): 1.0}, 50.0),
    "line": (("line",), {(0,): 0.0, (1,): 1.0}, 60.0),
}
SHORT = (["lights", "dipstick", "battery", "starter", "oil"], ["battery", "oil", "tank", "starter"])
WHOLE = (list(LOOKS), list(REPAIRS))


def car(looks: list[str], repairs: list[str]) -> Problem:
    states = np.array(list(product((0, 1), repeat=len(CAUSES))))
    weights = np.prod(np.where(states == 1, PRESENT, 1.0 - np.array(PRESENT)), axis=1)
    weights[0] = 0.0
    checks = {}
    for name in looks:
        parents, bad, price = LOOKS[name]
        columns = [CAUSES.index(parent) for parent in parents]
        row = [bad[tuple(state)] for state in states[:, columns].tolist()]
        checks[name] = (price, [row, [1.0 - share for share in row]])
    mends = {name: (REPAIRS[name], {CAUSES.index(name): 1.0}) for name in repairs}
    made = problem(states, weights / weights.sum(), mends, checks, give_up=500.0)
    closing = (
        replace(
            repair,
            closes=frozenset(n for n, look in enumerate(looks) if repair.name in LOOKS[look][0]),
        )
        for repair in made.repairs
    )
    return replace(made, repairs=tuple(closing))


def test_the_belief_at_the_start_is_the_published_one() -> None:
    made = car(*SHORT)
    held = made.weights @ (made.scenarios != 0)
    assert held == pytest.approx([0.613327, 0.183210, 0.109926, 0.073284, 0.036642], abs=5e-7)


@pytest.mark.parametrize(
    ("allowed", "least", "first"),
    [(SHORT, 192.294546, "lights"), (WHOLE, 164.555649, "oil light")],
)
def test_the_best_plan_costs_what_it_must_and_ours_little_more(
    allowed: tuple[list[str], list[str]], least: float, first: str
) -> None:
    made = car(*allowed)
    best = Exact(made).decide(start(made))
    assert best.expected_cost == pytest.approx(least, abs=5e-7)
    assert made.checks[best.number].name == first
    ratios = {
        name: policy_cost(made, policy.make(made, Shop())) / least
        for name, policy in (("roll-out", roll_out), ("look-ahead", look_ahead),
                             ("one-step", one_step))
    }  # fmt: skip
    print(len(made.checks), {name: round(ratio, 4) for name, ratio in ratios.items()})
    assert min(ratios.values()) >= 1.0 - 1e-9
    assert ratios["roll-out"] <= 1.05
