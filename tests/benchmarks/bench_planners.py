"""How the planners do over simulated tickets, and against the exact optimum.

    python -m tests.benchmarks.bench_planners [TICKETS]

Prints mean money and minutes, needless dear parts and the share solved over
tickets drawn from the shop model (default 20,000), for the default planner,
one-step, the checks in the file's order, the cheapest check first, and replacing
the assembly at once; each with the time per decision. Then, on reduced models, the
ratio to the exact optimum. Every figure is measured in this run; nothing is asserted.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from faultfinder.consultation.bench import build_problem
from faultfinder.decide.policies import roll_out
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.policies.look_ahead import LookAhead
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.policies.roll_out import RollOut
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.simulation import simulate
from faultfinder.decide.situation import Action, Policy, Situation, check_cost, repair_now, start
from faultfinder.errors import FaultfinderError
from faultfinder.inference.loading import load_model
from tests.drawn_machines import draw_machines
from tests.problems import policy_cost

SURE = 0.8
"""The habits below stop checking once one repair cures with this probability (assumed)."""


@dataclass(frozen=True, eq=False)
class Habit:
    """Checks in a fixed order until one repair is likely enough to cure, then repairs."""

    problem: Problem
    cheapest_first: bool

    def decide(self, situation: Situation) -> Action:
        problem = self.problem
        cures = problem.fixed_after(frozenset())[1] @ problem.in_classes(situation.weights)
        tried = list(situation.repaired)
        cures[tried] = 0.0
        left = [c for c in range(len(problem.checks)) if c not in situation.checked]
        if left and cures.max(initial=0.0) < SURE:
            if self.cheapest_first:
                left.sort(key=lambda check: (check_cost(problem, situation, check), check))
            return Action("check", left[0], 0.0)
        return repair_now(problem, situation)


@dataclass(frozen=True, eq=False)
class PartFirst:
    """The dearest part at once, then the best repair order."""

    problem: Problem
    part: int

    def decide(self, situation: Situation) -> Action:
        if self.part not in situation.repaired:
            return Action("repair", self.part, 0.0)
        return repair_now(self.problem, situation)


@dataclass
class Timed:
    """A planner with a stopwatch; a situation seen before is not asked again."""

    inner: Policy
    seconds: float = 0.0
    asked: int = 0
    slowest: float = 0.0

    def decide(self, situation: Situation) -> Action:
        begin = time.perf_counter()
        action = self.inner.decide(situation)
        spent = time.perf_counter() - begin
        self.seconds += spent
        self.asked += 1
        self.slowest = max(self.slowest, spent)
        return action


def main(tickets: int) -> None:
    shop = Shop()
    compiled = load_model("thin_clamshell")
    problem = build_problem(compiled, {}, shop=shop, lost=1e-3)
    rng = np.random.default_rng(1)
    machines = draw_machines(compiled, tickets, rng)
    prices = [compiled.model.repairs_by_name[r.name].part.likely for r in problem.repairs]
    policies: dict[str, Policy] = {
        "roll-out as advised": roll_out.make(problem, shop),
        "roll-out, looking wider": RollOut(problem, shop.worth_per_bit),
        "look-ahead": LookAhead(problem),
        "one-step": OneStep(problem, shop.worth_per_bit),
        "checks in the file's order": Habit(problem, cheapest_first=False),
        "cheapest check first": Habit(problem, cheapest_first=True),
        "replace assembly at once": PartFirst(problem, int(np.argmax(prices))),
    }
    print(f"{tickets:,} tickets drawn from {compiled.model.name}; only the complaint is known.")
    print(f"Problem: {len(problem.weights):,} scenarios, {len(problem.checks)} checks, "
          f"{len(problem.repairs)} repairs.")  # fmt: skip
    print(f"{'policy':28}{'money':>8}{'+-':>6}{'minutes':>9}{'checks':>8}{'needless':>10}"
          f"{'solved':>8}{'ms/dec.':>9}{'slowest':>9}")  # fmt: skip
    for name, policy in policies.items():
        timed = Timed(policy)
        out = simulate(compiled, problem, timed, shop, machines, np.random.default_rng(2))
        error = 1.96 * out.money.std() / np.sqrt(len(out.money))
        print(f"{name:28}{out.money.mean():8.1f}{error:6.1f}{out.minutes.mean():9.1f}"
              f"{out.checks.mean():8.1f}{out.needless.mean():10.1%}{out.solved.mean():8.1%}"
              f"{1000 * timed.seconds / timed.asked:9.1f}"
              f"{1000 * timed.slowest:9.0f}")  # fmt: skip
    against_exact(compiled, shop, rng)


def against_exact(compiled, shop: Shop, rng: np.random.Generator) -> None:  # type: ignore[no-untyped-def]
    """Ratios to the exact optimum on the shop model cut down to a few checks and repairs."""
    whole = build_problem(compiled, {}, shop=shop, at_once=2)
    print("\nReduced models (4 checks, 4 repairs, likely scenarios of the shop model):")
    makers: list[tuple[str, Callable[[Problem], Policy]]] = [
        ("roll-out", lambda p: RollOut(p, shop.worth_per_bit)),
        ("look-ahead", LookAhead),
        ("one-step", lambda p: OneStep(p, shop.worth_per_bit)),
    ]
    ratios: dict[str, list[float]] = {name: [] for name, _ in makers}
    seconds: list[float] = []
    for _ in range(30):
        checks = rng.choice(len(whole.checks), 4, replace=False)
        repairs = rng.choice(len(whole.repairs), 4, replace=False)
        reduced = replace(
            whole,
            checks=tuple(whole.checks[c] for c in sorted(checks)),
            repairs=tuple(whole.repairs[r] for r in sorted(repairs)),
        )
        begin = time.perf_counter()
        try:
            least = Exact(reduced).decide(start(reduced)).expected_cost
        except FaultfinderError:
            continue
        seconds.append(time.perf_counter() - begin)
        for name, maker in makers:
            ratios[name].append(policy_cost(reduced, maker(reduced)) / least)
    for name, found in ratios.items():
        print(f"  {name:12} mean ratio {np.mean(found):.4f}, worst {np.max(found):.4f} "
              f"over {len(found)} models")  # fmt: skip
    print(f"  exact: {np.mean(seconds):.2f} s a model on average")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
