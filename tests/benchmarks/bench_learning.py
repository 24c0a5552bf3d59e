"""How long tuning takes, beside pyAgrum's EM, and how it grows.

    python -m tests.benchmarks.bench_learning [MOST TICKETS]

First 2,000 invented tickets of a network with 12 causes and 30 findings, 60 % of what
could be recorded missing, no complaint and flat priors: both sides start from the same
tables. pyAgrum's EM is stopped after a few rounds, as it takes seconds for each; this
engine (EM's own steps and long ones) at the first round whose likelihood is at least as
high, and then once more when it has settled. Then time and
memory from 1,000 to 1,000,000 tickets (default) on an invented model, each size in a
process of its own. Every figure is measured in this run; nothing is asserted.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Dense, Kind, Variable
from faultfinder.model.reading.reader import parse_model
from tests.closed_tickets import drawn
from tests.invented_models import SMALL_LID
from tests.networks import make_model, root

CAUSES, FINDINGS, TICKETS, MISSING = 12, 30, 2_000, 0.6
THEIR_ROUNDS = 4


class _Enough(KeyboardInterrupt):
    """Ends tuning where the other side's likelihood is reached."""


def network(seed: int, drift: float) -> CompiledModel:
    """12 causes, 30 findings on one or two causes each; `drift` moves all figures."""
    rng = np.random.default_rng(seed)
    noise = np.random.default_rng(seed + 1)

    def moved(table: Any) -> Any:
        table = np.asarray(table) * np.exp(noise.normal(0.0, drift, np.shape(table)))
        return table / table.sum(axis=-1, keepdims=True)

    variables = []
    for number in range(CAUSES):
        present = rng.uniform(0.05, 0.3)
        variables.append(root(f"cause{number}", Kind.CAUSE, *moved([1 - present, present])))
    for number in range(FINDINGS):
        names = rng.choice(CAUSES, size=int(rng.integers(1, 3)), replace=False)
        parents = tuple(f"cause{k}" for k in sorted(names))
        states = ("s0", "s1") if number % 3 else ("s0", "s1", "s2")
        table = moved(rng.dirichlet(np.full(len(states), 0.8), 2 ** len(parents)) * 0.9 + 0.03)
        shape = [2] * len(parents) + [len(states)]
        told = Dense(parents, table.reshape(shape))
        name = f"finding{number}"
        variables.append(Variable(name, Kind.FINDING, name, states, told))
    return compile_model(make_model(variables))


def against_pyagrum() -> None:
    truth, begin = network(1, 0.0), network(1, 0.5)
    tickets = drawn(truth, TICKETS, seed=2, missing=MISSING, unlabelled=MISSING)
    theirs, seconds, rounds = pyagrum_em(begin, tickets)
    target = likelihood(begin, theirs, tickets)
    print(f"{CAUSES} causes, {FINDINGS} findings, {TICKETS:,} tickets, {MISSING:.0%} missing")
    print(f"  pyAgrum: {seconds:.2f} s, {rounds} rounds, log-likelihood {target:.3f}", flush=True)
    for accelerate in (False, True):
        before = time.perf_counter()
        tuned = stopped_at(begin, tickets, target, accelerate)
        took = time.perf_counter() - before
        how = "long steps" if accelerate else "own steps"
        print(
            f"  this engine, {how}: {took:.2f} s with intervals, {tuned.rounds} rounds, "
            f"log-likelihood {tuned.log_likelihood:.3f}; {seconds / took:.0f} times as fast"
        )
    before = time.perf_counter()
    tuned = tune(begin, tickets, default_worth=0.0, max_rounds=5000)
    print(
        f"  this engine, settled: {time.perf_counter() - before:.2f} s, {tuned.rounds} rounds, "
        f"log-likelihood {tuned.log_likelihood:.3f}",
        flush=True,
    )


def stopped_at(
    begin: CompiledModel, tickets: list[ClosedTicket], target: float, accelerate: bool
) -> Tuned:
    def progress(rounds: int, value: float) -> None:
        if value >= target:
            raise _Enough

    return tune(
        begin,
        tickets,
        default_worth=0.0,
        accelerate=accelerate,
        max_rounds=5000,
        tolerance=0.0,
        progress=progress,
    )


def likelihood(begin: CompiledModel, tables: dict[str, Any], tickets: list[ClosedTicket]) -> float:
    """Log-likelihood of tickets under other tables of the same network."""
    from dataclasses import replace

    model = begin.model
    told = tuple(replace(v, distribution=Dense(v.parents, tables[v.name])) for v in model.variables)
    compiled = compile_model(replace(model, variables=told))
    return tune(compiled, tickets, max_rounds=1, default_worth=0.0).log_likelihood


def pyagrum_em(
    begin: CompiledModel, tickets: list[ClosedTicket]
) -> tuple[dict[str, Any], float, int]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyagrum as gum
    network = begin.network
    net = gum.BayesNet()
    for name, states in zip(network.names, network.states, strict=True):
        net.add(gum.LabelizedVariable(name, name, list(states)))
    for name, parents in zip(network.names, network.parents, strict=True):
        for parent in parents:
            net.addArc(network.names[parent], name)
    for name, parents, table in zip(network.names, network.parents, network.tables, strict=True):
        axes = [network.names[p] for p in parents] + [name]
        potential = net.cpt(name)
        # pyAgrum's arrays have their first variable last.
        order = [axes.index(n) for n in reversed(potential.names)]
        potential.fillWith(table.transpose(order).reshape(-1).tolist())
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "rows.csv"
        names = list(network.names)
        lines = [",".join(names)]
        for ticket in tickets:
            row = dict(ticket.findings)
            if ticket.causes is not None:
                for cause in begin.causes:
                    row[names[cause]] = "s1" if names[cause] in ticket.causes else "s0"
            lines.append(",".join(row.get(name, "?") for name in names))
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        before = time.perf_counter()
        learner = gum.BNLearner(str(file), net, ["?"])
        learner.useNoPrior()
        learner.useEM(1e-6, 0.0)
        learner.EMsetMaxIter(THEIR_ROUNDS)
        found = learner.learnParameters(net, False)
        seconds = time.perf_counter() - before
    tables = {}
    for name, parents in zip(network.names, network.parents, strict=True):
        potential = found.cpt(name)
        axes = list(reversed(potential.names))
        wanted = [network.names[p] for p in parents] + [name]
        tables[name] = np.array(potential.toarray()).transpose([axes.index(n) for n in wanted])
    return tables, seconds, int(learner.EMnbrIterations())


# --- growth


def one_size(count: int) -> None:
    """Tune on `count` tickets from a generator that holds no more than a block of them."""
    compiled = compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))

    spent = 0.0

    def stream() -> Iterator[ClosedTicket]:
        nonlocal spent
        for start in range(0, count, 20_000):
            before = time.perf_counter()
            block = drawn(compiled, min(20_000, count - start), seed=start + 1)
            spent += time.perf_counter() - before
            yield from block

    for _ in stream():
        pass
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    spent = 0.0
    before = time.perf_counter()
    tuned = tune(compiled, stream())
    took = time.perf_counter() - before - spent
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"  {count:>9,} tickets: {tuned.patterns:>7,} patterns, {tuned.rounds} rounds, "
        f"{took:6.1f} s besides drawing, peak {peak:.0f} MB ({base:.0f} MB by drawing alone)",
        flush=True,
    )


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        one_size(int(sys.argv[2]))
        return
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    against_pyagrum()
    print("Growth, invented model with 4 causes and 8 recorded variables", flush=True)
    size = 1_000
    while size <= most:
        command = [sys.executable, "-m", "tests.benchmarks.bench_learning", "--one", str(size)]
        subprocess.run(command, check=True)
        size *= 10


if __name__ == "__main__":
    main()
