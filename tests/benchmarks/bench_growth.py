"""How long a whole answer takes as a model grows: 10 to 24 causes, 30 to 300 checks, 1 to 6 stages.

    OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.bench_growth

Models made up for it (`bench_decision.grown_model`, conditions of neighbouring causes and of any),
a repair for each cause, checks and repairs spread over the stages; three findings known. Processor
time, the least of three; what is exact and what is not stands beside it. Judges nothing.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

from faultfinder import Case, Shop, consult
from faultfinder.decide.policies import policy_maker
from faultfinder.decide.situation import start
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.parts import FaultModel, Kind, Move, Price, Repair, Retest, Stage
from tests.benchmarks.bench_decision import grown_model

CAUSES, CHECKS, STAGES = (10, 15, 20, 24), (30, 100, 300), (1, 3, 6)
SHOP = Shop(hand_over=400.0)


def deep_model(causes: int, checks: int, stages: int, near: bool = True) -> FaultModel:
    """A grown model with stages in a row, five minutes apart."""
    model = grown_model(causes, checks, near)
    names = [f"stage{number}" for number in range(stages)]
    pairs = [*pairwise(names), *pairwise(names[::-1])]
    faults = [v.name for v in model.variables if v.kind is Kind.CAUSE]
    return replace(
        model,
        stages=tuple(Stage(name, name, powered=True) for name in names),
        moves=tuple(Move(a, b, 5.0) for a, b in pairs),
        start=names[0],
        checks=tuple(
            replace(check, stage=names[number % stages], minutes=2.0 + number % 5)
            for number, check in enumerate(model.checks)
        ),
        repairs=tuple(
            Repair(f"mend_{cause}", cause, {cause: {"s1": 0.9}}, names[number % stages],
                   10.0, Price(10.0, 20.0 + 5.0 * number, 300.0))
            for number, cause in enumerate(faults)
        ),
        retest=Retest(3.0, 0.03),
    )  # fmt: skip


def least(work: Callable[[], object], runs: int = 3) -> float:
    """Milliseconds of processor time, the least of some runs."""
    times = []
    for _ in range(runs):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times) * 1e3


def row(causes: int, checks: int, stages: int, near: bool = True) -> str:
    compiled: CompiledModel = compile_model(deep_model(causes, checks, stages, near))
    findings = {f"finding{i}": "yes" if i < 2 else "no" for i in range(3)}
    case = Case(compiled, findings, shop=SHOP)
    # Tables that are kept with the model are not part of an answer.
    assert consult(case).advice is not None
    told = [consult(case) for _ in range(3)]
    parts = []
    for what in ("problem", "action", "quote", "order_at_bench"):
        waiting = iter(told)
        parts.append(least(lambda what=what, waiting=waiting: getattr(next(waiting), what)))
    one = told[0]
    return (
        f"{'near' if near else 'any':>6}{causes:8}{checks:7}{stages:7}{len(one.problem.weights):9,}"
        f"{one.problem.neglected * 100:8.1f} %{len(one.too_large):6}"
        + "".join(f"{part:9.0f}" for part in parts)
    )


def exact_limit() -> str:
    """What the exact planner says of the smallest of these models."""
    told = consult(Case(compile_model(deep_model(10, 30, 1)), shop=SHOP))
    try:
        policy_maker("exact")(told.problem, SHOP).decide(start(told.problem))
    except FaultfinderError as refused:
        return str(refused)
    return "It planned."


def main() -> None:
    print(
        f"{'causes':>6}{'number':>8}{'checks':>7}{'stages':>7}{'states':>9}"
        f"{'left out':>10}{'large':>6}"
        f"{'problem':>9}{'advice':>9}{'quote':>9}{'order':>9}   (ms)"
    )
    for causes in CAUSES:
        for checks in CHECKS:
            for stages in STAGES:
                print(row(causes, checks, stages), flush=True)
    for causes in CAUSES:
        print(row(causes, 100, 3, near=False), flush=True)
    print(f"\nThe exact planner on 10 causes, 30 checks: {exact_limit()}")


if __name__ == "__main__":
    main()
