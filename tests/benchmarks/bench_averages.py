"""Printed averages against simulated machines under the tree that is printed, and the gap that
is printed with them.

    python -m tests.benchmarks.bench_averages [STATES [MACHINES [SEED]]]

STATES states a family (default 10) are drawn from its own model: a machine, and one to four of
the findings that are made at intake. Each is planned as `plan` does it (roll-out, depth 6, fold
7 %), and the tree walked by MACHINES machines (default 20,000) drawn from the network with the
same findings. Prints a line a state and medians; nothing is asserted.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from faultfinder.cli.plan_command import MOST_STEPS
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.decide.plan import Plan, make_plan
from faultfinder.decide.simulation import Outcome, simulate
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Kind
from tests.as_printed import AsPrinted
from tests.drawn_machines import draw_machines

FAMILIES = ("thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop")
MODELS = Path(__file__).parents[2] / "models"
"""The models that come along, not those of an earlier version that most tests go by."""


def drawn_states(
    compiled: CompiledModel, count: int, rng: np.random.Generator
) -> Iterator[dict[str, str]]:
    """What was found at intake on drawn machines: one to four findings made where it starts."""
    model, network = compiled.model, compiled.network
    stops = {rule.finding for rule in model.stop_rules}
    names = [
        name
        for check in model.checks
        for name in check.observes
        if check.stage == model.start
        and model.by_name[name].kind is Kind.FINDING
        and name not in stops
    ]
    for row in draw_machines(compiled, count, rng):
        chosen = rng.choice(len(names), int(rng.integers(1, 5)), replace=False)
        numbers = [(names[place], network.index[names[place]]) for place in chosen]
        yield {name: network.states[number][row[number]] for name, number in numbers}


def planned(told: Consultation) -> Plan:
    """The plan as the command makes it."""
    return make_plan(told.problem, told.policy, fold_below=0.07, depth=6, most=MOST_STEPS)


def walked(told: Consultation, plan: Plan, machines: int, rng: np.random.Generator) -> Outcome:
    """Machines drawn with the same findings, taken through the printed tree."""
    case = told.case
    drawn = draw_machines(case.model, machines, rng, case.findings)
    policy = AsPrinted(told.problem, plan)
    return simulate(case.model, told.problem, policy, case.terms, drawn, rng)


def main(states: int, machines: int, seed: int) -> None:
    print(f"{'family':18}{'printed':>9}{'walked':>9}{'+-':>6}{'off':>7}{'next':>8}{'least':>8}"
          f"{'gap':>7}{'left out':>10}{'s':>6}")  # fmt: skip
    for family in FAMILIES:
        compiled, rng = load_model(MODELS / f"{family}.yaml"), np.random.default_rng(seed)
        offs, gaps, agree = [], [], 0
        for findings in drawn_states(compiled, states, rng):
            told = consult(Case(compiled, findings))
            begin = time.perf_counter()
            plan = planned(told)
            spent = time.perf_counter() - begin
            try:
                money = walked(told, plan, machines, rng).money
            except FaultfinderError:
                print(f"{family:18} too rare to be drawn: {findings}")
                continue
            error = float(money.std() / np.sqrt(len(money)))
            off = plan.expected_cost / float(money.mean()) - 1.0
            gap = plan.expected_cost / plan.least - 1.0
            near = max(0.02 * money.mean(), 3.0 * error)
            agree += bool(abs(plan.expected_cost - money.mean()) <= near)
            offs.append(off)
            gaps.append(gap)
            step = told.advice.cost if told.advice is not None else np.nan
            print(f"{family:18}{plan.expected_cost:9.1f}{money.mean():9.1f}{error:6.1f}{off:7.1%}"
                  f"{step:8.1f}{plan.least:8.1f}{gap:7.1%}{plan.neglected:10.1%}"
                  f"{spent:6.1f}", flush=True)  # fmt: skip
        print(f"{family}: {agree} of {len(offs)} within the larger of 2 % and three standard "
              f"errors; off by {np.median(offs):.1%} (median); printed gap {np.median(gaps):.1%} "
              f"(median), {np.quantile(gaps, 0.9):.1%} (90th percentile)\n")  # fmt: skip


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*[*given, *(10, 20_000, 26)[len(given) :]])
