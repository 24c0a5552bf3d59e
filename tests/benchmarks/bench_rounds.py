"""Rounds of checks against single checks, on the same drawn machines.

    python -m tests.benchmarks.bench_rounds [MACHINES] [SEED]

Machines with the complaint are drawn from each shipped family and played to the end of the job by
the default policy, once a check at a time and once a round at a time: the whole round is made
unless one of its results ends it, then advice is asked for again. Prints money, minutes, checks and
calls for advice, and the differences with a 95 % interval over machines (paired).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from faultfinder.consultation.bench import smallest_problem
from faultfinder.consultation.case import Case
from faultfinder.consultation.rounds import round_from
from faultfinder.decide.policies import DEFAULT, policy_maker
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.simulation import simulate
from faultfinder.decide.situation import Action, Policy, Situation, check_cost
from faultfinder.decide.together import Telling
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import FaultModel
from tests.drawn_machines import draw_machines

FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")
SHIPPED = Path(__file__).resolve().parents[2] / "models"


@dataclass(eq=False)
class Calls:
    """A policy that counts how often it is asked, one machine at a time."""

    policy: Policy
    count: int = 0

    def decide(self, situation: Situation) -> Action:
        self.count += 1
        return self.policy.decide(situation)


@dataclass(eq=False)
class InRounds:
    """The same, which makes the rest of a round before it asks again."""

    calls: Calls
    problem: Problem
    model: FaultModel
    worth_per_bit: float
    waiting: list[int] = field(default_factory=list)

    def decide(self, situation: Situation) -> Action:
        problem = self._now(situation)
        if self.waiting and not self._worth(problem, self.waiting):
            self.waiting = []
        if not self.waiting:
            action = self.calls.decide(situation)
            lead = action.number if action.kind == "check" else None
            turn = round_from(problem, lead, self.model, self.worth_per_bit).turn
            places = {check.name: number for number, check in enumerate(problem.checks)}
            self.waiting = [places[name] for name in turn]
            if not self.waiting:
                return action
        check = self.waiting.pop(0)
        return Action("check", check, check_cost(self.problem, situation, check))

    def _now(self, situation: Situation) -> Problem:
        """The problem as it stands, what was made left without a result to show."""
        checks = tuple(
            replace(
                check,
                likelihood=np.full_like(check.likelihood, 1.0 / len(check.results))
                if number in situation.checked
                else check.likelihood,
                behind=check.behind - situation.checked,
            )
            for number, check in enumerate(self.problem.checks)
        )
        return replace(self.problem, checks=checks, weights=situation.weights,
                       stage=situation.stage)  # fmt: skip

    def _worth(self, problem: Problem, checks: list[int]) -> bool:
        """Whether one of them is still worth its cost, as `round_from` ends a round."""
        bits = Telling(problem).more(problem.weights[None])[0]
        return any(bits[c] * self.worth_per_bit >= problem.checks[c].cost for c in checks)


def play(family: str, count: int, seed: int) -> np.ndarray:
    """Shape (2, 4, machines): single and rounds; money, minutes, checks and calls."""
    compiled = load_model(str(SHIPPED / f"{family}.yaml"))
    case, shop = Case(compiled), Shop()
    problem = smallest_problem(case)
    machines = draw_machines(compiled, count, np.random.default_rng(seed))
    found = np.zeros((2, 4, count))
    for number in range(count):
        for kind in range(2):
            calls = Calls(policy_maker(DEFAULT)(problem, case.terms))
            policy: Policy = calls
            if kind:
                policy = InRounds(calls, problem, compiled.model, case.terms.worth_per_bit)
            rng = np.random.default_rng([seed, number])
            one = simulate(compiled, problem, policy, shop, machines[number : number + 1], rng)
            found[kind, :, number] = one.money[0], one.minutes[0], one.checks[0], calls.count
    return found


def main(count: int = 40, seed: int = 1) -> None:
    every = []
    for family in FAMILIES:
        every.append(play(family, count, seed))
        tell(family, every[-1])
    tell("all", np.concatenate(every, axis=2))


def tell(name: str, found: np.ndarray) -> None:
    print(f"{name}, {found.shape[2]} machines, seed as given")
    for place, what in enumerate(("money, EUR", "minutes", "checks", "calls for advice")):
        single, rounds = found[:, place]
        apart = rounds - single
        half = 1.96 * apart.std(ddof=1) / np.sqrt(len(apart))
        print(
            f"  {what:18} single {single.mean():7.1f}  rounds {rounds.mean():7.1f}  "
            f"{100 * apart.mean() / single.mean():+6.1f} % "
            f"({100 * (apart.mean() - half) / single.mean():+.1f} to "
            f"{100 * (apart.mean() + half) / single.mean():+.1f})",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
