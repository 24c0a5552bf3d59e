"""All checks ranked with three findings known: this engine against pgmpy and pyAgrum.

    python -m tests.benchmarks.bench_decision            # all of it, about five minutes
    python -m tests.benchmarks.bench_decision --quick    # without the slow loops on the shop model

What is measured. The gain in bits, about the joint state of all causes, of every check that is
open when three findings (and the complaint) are known. The contenders (contenders.py):

- this engine: a consultation, which also works out the beliefs of all causes, costs, warnings;
- (a) pgmpy's variable elimination in a loop, a check and a result at a time: the joint belief
  of all causes after each result, and its entropy. Nothing is left out: on the shop model each
  of those tables has millions of entries, and is made in full;
- (a, strong) pgmpy, one small query a check: over the check and the part of the target it
  depends on, which this engine's rules worked out beforehand, free of charge;
- (b) pyAgrum's lazy propagation with all causes as one joint target, a check and a result
  at a time;
- (b, strong) pyAgrum, one pass with a joint target per check, over the same small parts as in
  (a, strong), free of charge too.

"cold" is the first ranking in a fresh process, after imports and with the model ready; "ready"
is what came before it there (imports, reading or building the model). "warm" is the median of
rankings in this process, the three evidence sets taken in turn so that nothing remembered from
the last one helps ("n" of them; a slow loop runs once, in this process only). All rows of a
table are measured in the same run. Agreement is the largest difference of any gain from this
engine's. Then: how time and memory grow from 10 to 24 causes and 30 to 300 checks, on models
made up for it. Nothing is asserted about time.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Sequence

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.parts import FaultModel, Kind, Link, NoisyMax, Row, Table, Variable
from tests.benchmarks.contenders import CONTENDERS, Gains, Rank, cases, ranked
from tests.networks import make_model, root

LOOPS = [name for name in CONTENDERS if "result at a time" in name]


def main() -> None:
    parser = argparse.ArgumentParser(description="Ranking all checks: time, memory, agreement.")
    parser.add_argument("--quick", action="store_true", help="no slow loops on the shop model")
    parser.add_argument("--cold", nargs=2, metavar=("CASE", "CONTENDER"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.cold:
        _cold_here(*chosen.cold)
        return
    print(f"{os.cpu_count()} processors, Python {sys.version.split()[0]}, numpy {np.__version__}")
    for short in cases():
        compare(short, skip_loops=short == "shipped" or (chosen.quick and short == "shop"))
    grow()


def _cold_here(short: str, contender: str) -> None:
    begin = time.perf_counter()
    rank = CONTENDERS[contender](cases()[short]())
    ready = time.perf_counter()
    rank(0)
    end = time.perf_counter()
    print(json.dumps({"ready": ready - begin, "cold": end - ready}))


def _cold(short: str, contender: str) -> dict[str, float]:
    words = [sys.executable, "-m", "tests.benchmarks.bench_decision", "--cold", short, contender]
    begin = time.perf_counter()
    done = subprocess.run(words, check=True, capture_output=True, text=True)
    whole = time.perf_counter() - begin
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    # What the process took besides the ranking: start, imports, model.
    return {"cold": found["cold"], "ready": whole - found["cold"]}


def _warm(rank: Rank, rounds: int) -> tuple[float, list[Gains]]:
    """Median seconds, and the gains by evidence set."""
    times, gains = [], []
    for number in range(rounds):
        begin = time.perf_counter()
        found = rank(number % 3)
        times.append(time.perf_counter() - begin)
        if number < 3:
            gains.append(found)
    return statistics.median(times), gains


def compare(short: str, skip_loops: bool) -> None:
    """One table: a row per contender."""
    case = cases()[short]()
    model = case.compiled.model
    joint = int(np.prod([len(model.by_name[c].states) for c in case.causes], dtype=np.int64))
    print(
        f"\n{case.name}: {len(case.causes)} causes ({joint:,} joint states), "
        f"{len(case.checks)} open checks, {len(case.compiled.network.names)} variables"
    )
    print(
        f"{'':45}{'ready s':>9}{'cold ms':>10}{'warm ms':>10}{'n':>4}"
        f"{'ratio cold':>12}{'ratio warm':>12}{'agreement':>12}"
    )
    base: dict[str, float] = {}
    own: list[Gains] = []
    for name, make in CONTENDERS.items():
        heavy = name in LOOPS and short in ("shop", "shipped")
        if heavy and skip_loops:
            print(f"{name:45}   left out")
            continue
        rounds = 1 if heavy else 9 if name in LOOPS else 21
        rank = make(case)
        if not heavy:
            rank(0)
        warm, gains = _warm(rank, rounds)
        # A slow loop runs once, here: a fresh process for it would only double the wait.
        first = {} if heavy else _cold(short, name)
        if not base:
            base, own = {"warm": warm, **first}, gains
        apart = max(
            abs(found[check] - ours[check])
            for found, ours in zip(gains, own, strict=False)
            for check in ours
        )
        assert all(found.keys() == ours.keys() for found, ours in zip(gains, own, strict=False))
        ready, cold, ratio = "-", "-", "-"
        if first:
            ready, cold = f"{first['ready']:.2f}", f"{first['cold'] * 1e3:.1f}"
            ratio = f"{first['cold'] / base['cold']:.1f}"
        print(
            f"{name:45}{ready:>9}{cold:>10}{warm * 1e3:10.2f}{rounds:4}"
            f"{ratio:>12}{warm / base['warm']:12.1f}{apart:12.1e}",
            flush=True,
        )


def grown_model(causes: int, checks: int, near: bool, seed: int = 3) -> FaultModel:
    """A model made up for measuring: binary causes, hidden conditions of four causes each,
    findings with noise on one or two conditions; every tenth check has two findings.

    `near`: conditions take neighbouring causes, and findings neighbouring conditions, as in
    a machine whose faults share paths; else any.
    """
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.01, 0.1, causes).tolist()
    variables = [root(f"cause{i}", Kind.CAUSE, 1 - p[i], p[i]) for i in range(causes)]
    sure, hit = Link((1.0, 0.0)), {"s1": Link((0.0, 1.0))}
    hidden = causes // 2
    for number in range(hidden):
        places = (
            [(2 * number + step) % causes for step in range(4)]
            if near
            else rng.choice(causes, 4, replace=False).tolist()
        )
        names = tuple(f"cause{place}" for place in places)
        rule = NoisyMax(names, sure, dict.fromkeys(names, hit))
        variables.append(Variable(f"hidden{number}", Kind.CONDITION, "", ("s0", "s1"), rule))
    observed: dict[str, tuple[str, ...]] = {}
    findings = checks + checks // 10
    for number in range(findings):
        first = int(rng.integers(hidden))
        second = (first + 1) % hidden if near else int(rng.integers(hidden))
        names = tuple(dict.fromkeys(f"hidden{i}" for i in (first, second)[: 1 + number % 2]))
        rows = []
        for name in names:
            low = float(rng.uniform(0.02, 0.3))
            rows.append(Row({name: ("s1",)}, (low, 1 - low)))
        table = Table(names, (*rows, Row({}, (0.95, 0.05))))
        variables.append(Variable(f"finding{number}", Kind.FINDING, "", ("no", "yes"), table))
    for number in range(checks):
        what = [f"finding{number}"]
        if number % 10 == 9:
            what.append(f"finding{checks + number // 10}")
        observed[f"check{number}"] = tuple(what)
    return make_model(variables, observed)


def grow() -> None:
    """Time and memory from 10 to 24 causes and 30 to 300 checks."""
    print(
        "\nGrowth on models made up for it, three findings known, joint state of all causes.\n"
        "Memory is the peak of what Python and numpy allocate (tracemalloc), in runs of its own."
    )
    print(
        f"{'conditions of':16}{'causes':>7}{'checks':>7}{'joint states':>13}{'tree entries':>13}"
        f"{'compile ms':>11}{'rank ms':>9}{'compile MB':>11}{'rank MB':>9}"
    )
    for near in (True, False):
        for causes in (10, 15, 20, 24):
            for checks in (30, 100, 300):
                _grow_row(grown_model(causes, checks, near), causes, checks, near)


def _grow_row(model: FaultModel, causes: int, checks: int, near: bool) -> None:
    known = {f"finding{i}": "yes" if i < 2 else "no" for i in range(3)}
    begin = time.perf_counter()
    compiled = compile_model(model)
    compiling = time.perf_counter() - begin
    ranked(compiled, known)
    times = []
    for _ in range(9):
        begin = time.perf_counter()
        ranked(compiled, known)
        times.append(time.perf_counter() - begin)
    peaks = _peaks(model, compiled, known)
    print(
        f"{'neighbours' if near else 'any causes':16}{causes:7}{checks:7}{2**causes:13,}"
        f"{compiled.tree.size:13,}{compiling * 1e3:11.0f}{statistics.median(times) * 1e3:9.1f}"
        f"{peaks[0]:11.1f}{peaks[1]:9.1f}",
        flush=True,
    )


def _peaks(model: FaultModel, compiled: CompiledModel, known: dict[str, str]) -> Sequence[float]:
    """Peak megabytes of compiling and of ranking, each above what was there before."""
    peaks = []
    for work in (lambda: compile_model(model), lambda: ranked(compiled, known)):
        tracemalloc.start()
        work()
        peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
    return peaks


if __name__ == "__main__":
    main()
