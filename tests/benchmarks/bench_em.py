"""EM beside pgmpy's on published networks, counted by the same stopping rule.

    python -m tests.benchmarks.bench_em [NETWORK...]

asia, alarm, win95pts and hepar2 as pgmpy carries them. Rows are drawn from each network with two
variables hidden (pgmpy's EM takes nothing else missing), and both sides begin at the same tables,
the network's own moved by a normal step of sd 0.5 in log odds; no prior. The rule: stop at the
first round in which the log-likelihood rises by less than 1e-5 of its size. Both make EM's own
steps then, so that they make the same rounds; pgmpy's first two are timed and counted up to that
many, ours are run and timed whole; what comes before the rounds is in both, intervals in ours.
Processor time, one core. That
both do the same is held by the log-likelihood of pgmpy's tables after its rounds. With `long`
steps the engine reaches at least the same likelihood.
"""

from __future__ import annotations

import sys
import time
import warnings
from dataclasses import replace
from typing import Any

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Dense, Kind, Variable
from tests.networks import make_model, published

HIDDEN = {
    "asia": ("lung", "bronc"),
    "alarm": ("HYPOVOLEMIA", "LVFAILURE"),
    "win95pts": ("PrtOn", "DrvOK"),
    "hepar2": ("PBC", "Cirrhosis"),
}
ROWS = {"asia": 2_000, "alarm": 500, "win95pts": 500, "hepar2": 500}
THEIR_ROUNDS = 2
RISE = 1e-5


class _Enough(KeyboardInterrupt):
    """Ends tuning where the rule says so."""


def tables_of(name: str) -> dict[str, tuple[tuple[str, ...], tuple[str, ...], Any]]:
    """Each variable's states, parents and table (axes parents, own)."""
    found = {}
    for node in published(name).nodes():
        table = published(name).get_cpds(node)
        values = np.moveaxis(np.asarray(table.values, dtype=float), 0, -1)
        states = tuple(str(s) for s in table.state_names[node])
        found[node] = (states, tuple(table.variables[1:]), values)
    return found


def model(name: str, sd: float) -> CompiledModel:
    """The network with every figure moved; the hidden variables are its causes."""
    rng = np.random.default_rng(7)
    variables = []
    for node, (states, parents, values) in tables_of(name).items():
        moved = values * np.exp(rng.normal(0.0, sd, values.shape)) if sd else values
        moved = moved / moved.sum(axis=-1, keepdims=True)
        kind = Kind.CAUSE if node in HIDDEN[name] else Kind.FINDING
        variables.append(Variable(node, kind, node, states, Dense(parents, moved)))
    return compile_model(make_model(variables))


def rows_of(compiled: CompiledModel, count: int) -> list[dict[str, str]]:
    network = compiled.network
    rng = np.random.default_rng(3)
    drawn = np.zeros((count, len(network.names)), dtype=int)
    for number in network.order:
        index = tuple(drawn[:, parent] for parent in network.parents[number])
        table = network.tables[number]
        share = table[index] if index else np.broadcast_to(table, (count, len(table)))
        luck = rng.random(count)[:, None] >= np.cumsum(share, axis=1)
        drawn[:, number] = np.minimum(luck.sum(axis=1), network.cards[number] - 1)
    own = range(network.own)
    return [{network.names[n]: network.states[n][row[n]] for n in own} for row in drawn]


def ours(
    begin: CompiledModel, tickets: list[ClosedTicket], accelerate: bool, target: float | None
) -> tuple[Tuned, float]:
    last = -np.inf

    def progress(rounds: int, value: float) -> None:
        nonlocal last
        settled = value - last < RISE * abs(value)
        last = value
        if settled if target is None else value >= target:
            raise _Enough

    before = time.process_time()
    tuned = tune(
        begin, tickets, default_worth=0.0, allow_unlabelled=True, accelerate=accelerate,
        tolerance=0.0, max_rounds=2_000, progress=progress,
    )  # fmt: skip
    return tuned, time.process_time() - before


def likelihood(begin: CompiledModel, theirs: list[Any], tickets: list[ClosedTicket]) -> float:
    """Log-likelihood under pgmpy's tables."""
    found = {}
    for table in theirs:
        parents = begin.model.by_name[table.variable].parents
        order = [table.variables.index(name) for name in (*parents, table.variable)]
        states = [begin.model.by_name[n].states for n in (*parents, table.variable)]
        values = np.asarray(table.values).transpose(order)
        for axis, (name, own) in enumerate(zip((*parents, table.variable), states, strict=True)):
            names = [str(s) for s in table.state_names[name]]
            if set(names) != set(own):
                continue  # Hidden: its states are numbered in our order.
            values = values.take([names.index(s) for s in own], axis=axis)
        found[table.variable] = np.clip(values, 1e-300, None)
    variables = tuple(
        replace(
            v, distribution=Dense(v.parents, found[v.name] / found[v.name].sum(-1, keepdims=True))
        )
        for v in begin.model.variables
    )
    compiled = compile_model(replace(begin.model, variables=variables))
    return tune(
        compiled, tickets, max_rounds=1, default_worth=0.0, allow_unlabelled=True
    ).log_likelihood


def pgmpy_em(
    name: str, begin: CompiledModel, rows: list[dict[str, str]]
) -> tuple[list[Any], float, float]:
    """pgmpy's tables after THEIR_ROUNDS rounds, and the seconds of the first round with what comes
    before it, and of another."""
    import pandas as pd

    warnings.simplefilter("ignore")
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork
    from pgmpy.parameter_estimator import DiscreteEM

    variables = begin.model.variables
    states = {v.name: list(v.states) for v in variables}
    for hidden in HIDDEN[name]:
        # Its E-step numbers the states of what is hidden.
        states[hidden] = list(range(len(states[hidden])))
    first = {}
    for variable in variables:
        number = begin.network.index[variable.name]
        values = np.moveaxis(variable.distribution.values, -1, 0)  # type: ignore[union-attr]
        parents = variable.parents
        first[variable.name] = TabularCPD(
            variable.name,
            begin.network.cards[number],
            values.reshape(len(variable.states), -1),
            evidence=list(parents) or None,
            evidence_card=[len(states[p]) for p in parents] or None,
            state_names={n: states[n] for n in (variable.name, *parents)},
        )
    net = DiscreteBayesianNetwork([(p, v.name) for v in variables for p in v.parents])
    net.add_nodes_from([v.name for v in variables])
    net.latents = set(HIDDEN[name])
    seen = [v.name for v in variables if v.name not in HIDDEN[name]]
    frame = pd.DataFrame([{n: row[n] for n in seen} for row in rows])
    took = []
    for rounds in (0, THEIR_ROUNDS):
        learner = DiscreteEM(
            latent_card={n: len(states[n]) for n in HIDDEN[name]},
            max_iter=max(rounds, 1), atol=0.0, n_jobs=1, init_cpds=dict(first),
            state_names=dict(states), show_progress=False,
        )  # fmt: skip
        before = time.process_time()
        learner.fit(net, frame)
        took.append(time.process_time() - before)
    return learner.parameters_, took[0], (took[1] - took[0]) / (THEIR_ROUNDS - 1)


def main() -> None:
    for name in sys.argv[1:] or HIDDEN:
        truth, begin = model(name, 0.0), model(name, 0.5)
        rows = rows_of(truth, ROWS[name])
        hidden = set(HIDDEN[name])
        tickets = [
            ClosedTicket(n, "", {k: v for k, v in row.items() if k not in hidden}, None)
            for n, row in enumerate(rows, 1)
        ]
        theirs, first, second = pgmpy_em(name, begin, rows)
        trace = tune(
            begin, tickets, default_worth=0.0, allow_unlabelled=True, accelerate=False,
            tolerance=0.0, max_rounds=THEIR_ROUNDS + 1,
        )  # fmt: skip
        reached = likelihood(begin, theirs, tickets)
        own, took = min((ours(begin, tickets, False, None) for _ in range(3)), key=lambda p: p[1])
        long, quick = min(
            (ours(begin, tickets, True, own.log_likelihood) for _ in range(3)), key=lambda p: p[1]
        )
        whole = first + second * (own.rounds - 1)
        before = time.process_time()
        tune(begin, tickets, default_worth=0.0, allow_unlabelled=True, max_rounds=1)
        alone = (took - (time.process_time() - before)) / (own.rounds - 1)
        print(
            f"{name}: {ROWS[name]:,} rows, hidden {' and '.join(HIDDEN[name])}\n"
            f"  pgmpy {second:.2f} s a round, {own.rounds} rounds, {whole:.1f} s; log-likelihood "
            f"after {THEIR_ROUNDS} rounds {reached:.4f}, here {trace.log_likelihood:.4f}\n"
            f"  this engine, own steps: {took:.3f} s, {whole / took:.0f} times as fast; a round "
            f"alone {1e3 * alone:.2f} ms, {second / alone:.0f} times\n"
            f"  long steps: {quick:.3f} s, {long.rounds} rounds, {whole / quick:.0f} times",
            flush=True,
        )


if __name__ == "__main__":
    main()
