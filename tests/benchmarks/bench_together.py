"""Whether several repairs before one powered look would make jobs cheaper.

    OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.bench_together [--states 6] [--machines 300]

Two or three cheap repairs of one stage are added to a problem as one repair more, with their costs
together, one look, and a cause left only where all of them leave it. The same policy plays the
same drawn machines with and without. Beside the mean of all jobs stands that of jobs in which the
policy, without them, repairs in an open stage. Judges nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from faultfinder import Case, consult, load_model
from faultfinder.decide.policies import PolicyMaker, policy_maker
from faultfinder.decide.problem import Problem, RepairAction
from faultfinder.decide.shop import Shop
from faultfinder.decide.simulation import Drawn, draw_machines
from faultfinder.decide.walk import PASSES, walk
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.parts import Kind

FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")
CHEAP, CURES, BEST = 60.0, 0.01, 6
"""Only repairs below this cost and above this chance are put together, of each stage the best."""


def with_bundles(problem: Problem) -> Problem:
    """The problem with repairs together as further repairs."""
    cures = problem.fixed_after(frozenset())[1] @ problem.in_classes(problem.weights)
    places: dict[tuple[int, int], list[int]] = {}
    for number, repair in enumerate(problem.repairs):
        if repair.cost <= CHEAP and cures[number] > CURES:
            places.setdefault((repair.stage, repair.test_stage), []).append(number)
    more = []
    for (stage, look), numbers in places.items():
        numbers.sort(key=lambda n: -cures[n] / problem.inner_costs[n])
        for count in (2, 3):
            for some in combinations(numbers[:BEST], count):
                parts = [problem.repairs[number] for number in some]
                more.append(
                    RepairAction(
                        "+".join(part.name for part in parts),
                        sum(part.cost for part in parts),
                        stage,
                        look,
                        1.0 - np.prod([1.0 - part.mends for part in parts], axis=0),
                        sum(part.shop_share for part in parts),
                        frozenset[str]().union(*(part.behind for part in parts)),
                        frozenset[int]().union(*(part.closes for part in parts)),
                    )
                )
    return replace(problem, repairs=(*problem.repairs, *more))


@dataclass(frozen=True)
class Played:
    """Each machine's money, whether it was repaired in an open stage, and by several together."""

    money: NDArray[np.float64]
    openly: NDArray[np.bool_]
    together: NDArray[np.bool_]


def played(
    compiled: CompiledModel,
    problem: Problem,
    shop: Shop,
    maker: PolicyMaker,
    machines: NDArray[np.int64],
    seed: int,
) -> Played:
    """A policy on drawn machines to the end of every job (as `simulation.simulate`)."""
    drawn = Drawn(compiled, problem, machines.copy(), np.random.default_rng(seed))
    money = np.zeros(len(machines))
    openly, together = np.zeros((2, len(machines)), dtype=np.bool_)
    home = problem.stages.index(compiled.model.start)
    for step in walk(problem, maker(problem, shop), drawn):
        money[step.group] += step.cost
        end = step.situation.stage
        if step.action.kind == "check":
            end = problem.checks[step.action.number].stage
        elif step.action.kind == "repair":
            repair = problem.repairs[step.action.number]
            end = repair.test_stage
            openly[step.group] |= repair.stage != home
            together[step.group] |= "+" in repair.name
        for way in step.ways:
            if step.action.kind == "repair" and way.result == PASSES:
                back = np.where(drawn.faulty(way.group), problem.comeback, 0.0)
                money[way.group] += problem.finish[end] + back
            elif way.then is None:
                money[way.group] += problem.finish[end] + problem.give_up
    return Played(money, openly, together)


def drawn_cases(name: str, states: int, rng: np.random.Generator) -> Iterator[Case]:
    """Machines of a family, two findings known of each."""
    compiled = load_model(name)
    model, network = compiled.model, compiled.network
    stopping = {rule.finding for rule in model.stop_rules}
    seen = [v.name for v in model.of_kind(Kind.FINDING) if v.name not in stopping]
    for machine in draw_machines(compiled, states, rng):
        chosen = [str(one) for one in rng.choice(seen, 2, replace=False)]
        numbers = [network.index[one] for one in chosen]
        told = [network.states[number][int(machine[number])] for number in numbers]
        yield Case(compiled, dict(zip(chosen, told, strict=True)))


def change(before: NDArray[np.float64], after: NDArray[np.float64]) -> str:
    """By how much the mean changes, with its standard error, in percent."""
    gone = after - before
    error = gone.std() / max(len(gone), 1) ** 0.5
    return f"{100 * gone.mean() / before.mean():+6.2f} +- {100 * error / before.mean():.2f} %"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--states", type=int, default=6)
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--policy", default="roll-out")
    options = parser.parse_args()
    maker = policy_maker(options.policy)
    rng = np.random.default_rng(7000)
    pairs: list[tuple[Played, Played]] = []
    for name in FAMILIES:
        for case in drawn_cases(name, options.states, rng):
            machines = draw_machines(case.model, options.machines, rng, case.findings)
            problem, seed = consult(case).problem, int(rng.integers(2**31))
            pair = [
                played(case.model, one, case.terms, maker, machines, seed)
                for one in (problem, with_bundles(problem))
            ]
            pairs.append((pair[0], pair[1]))
            before = np.concatenate([one.money for one, _ in pairs])
            after = np.concatenate([other.money for _, other in pairs])
            openly = np.concatenate([one.openly for one, _ in pairs])
            print(
                f"{name:18}{pair[0].money.mean():8.1f}{pair[1].money.mean():8.1f} "
                f"together in {pair[1].together.mean():.2f}; so far: all {change(before, after)}, "
                f"repaired open ({openly.mean():.2f}) {change(before[openly], after[openly])}",
                flush=True,
            )


if __name__ == "__main__":
    main()
