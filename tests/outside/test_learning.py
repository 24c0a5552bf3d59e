"""Learning against published worked examples and against other libraries' EM."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from faultfinder import from_pgmpy
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.posterior import Evidence, certain, log_probability
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.drift import (
    benjamini_hochberg,
    chi_square_tail,
    fisher_exact,
    homogeneity,
)
from faultfinder.model.network import DiscreteNetwork
from faultfinder.model.parts import Basis, Kind, Row, Table, Variable
from tests.networks import make_model, pgmpy_network, root

FIXED = Basis("guess", "invented", 1e9)
"""Pseudo-counts that no data of a test can move."""

WHEN = "2024-01-01"


def figure(tuned: Tuned, variable: str, row: int | None = None) -> tuple[float, ...]:
    (found,) = [
        f.after
        for f in tuned.figures
        if f.place.variable == variable and (row is None or f.place.row == row)
    ]
    return found


# --- EM, step by step


HEADS = (5, 9, 8, 4, 7)
COINS = ("B", "A", "A", "B", "A")


def two_coins() -> CompiledModel:
    """A hidden coin, A or B with one half each, and ten tosses of it."""
    coin = Variable(
        "coin", Kind.CAUSE, "coin", ("B", "A"), Table((), (Row({}, (0.5, 0.5), FIXED),))
    )
    rows = (Row({"coin": ("A",)}, (0.4, 0.6)), Row({"coin": ("B",)}, (0.5, 0.5)))
    tosses = [
        Variable(f"toss{k}", Kind.FINDING, "toss", ("tail", "head"), Table(("coin",), rows))
        for k in range(10)
    ]
    return compile_model(make_model([coin, *tosses]))


def sets_of_tosses(labelled: bool) -> list[ClosedTicket]:
    """Each set in its ten rotations: so every toss gets the one figure that they share."""
    tickets = []
    for heads, coin in zip(HEADS, COINS, strict=True):
        for turn in range(10):
            tosses = {f"toss{(k + turn) % 10}": "head" if k < heads else "tail" for k in range(10)}
            label = (("coin",) if coin == "A" else ()) if labelled else None
            tickets.append(ClosedTicket(len(tickets) + 1, WHEN, tosses, label))
    return tickets


@pytest.mark.parametrize(("rounds", "heads_a", "heads_b"), [(1, 0.713, 0.581), (10, 0.797, 0.520)])
def test_two_coins_go_step_by_step_as_published(
    rounds: int, heads_a: float, heads_b: float
) -> None:
    # Do & Batzoglou, Nature Biotechnology 26 (2008) 897 (the figures are in the text).
    tuned = tune(
        two_coins(),
        sets_of_tosses(labelled=False),
        max_rounds=rounds,
        tolerance=0.0,
        accelerate=False,
        allow_unlabelled=True,
        default_worth=0.0,
    )
    for k in range(10):
        assert figure(tuned, f"toss{k}", 0)[1] == pytest.approx(heads_a, abs=0.0005)
        assert figure(tuned, f"toss{k}", 1)[1] == pytest.approx(heads_b, abs=0.0005)


def test_two_coins_with_labels_give_the_published_shares() -> None:
    # Do & Batzoglou (2008), the complete-data case: 24 of 30 and 9 of 20.
    tuned = tune(two_coins(), sets_of_tosses(labelled=True), default_worth=0.0)
    assert figure(tuned, "toss3", 0)[1] == pytest.approx(0.80, abs=1e-9)
    assert figure(tuned, "toss3", 1)[1] == pytest.approx(0.45, abs=1e-9)


def linkage() -> CompiledModel:
    """Cells with chances (1/2 + t/4, (1-t)/4, (1-t)/4, t/4), t being the figure to learn."""
    yes = ("yes",)
    mixed = root("mixed", Kind.CAUSE, 0.5, 0.5)
    mixed = replace(mixed, states=("no", "yes"), basis=FIXED)
    linked = Variable(
        "linked",
        Kind.CONDITION,
        "linked",
        ("none", "no", "yes"),
        Table(("mixed",), (Row({"mixed": yes}, (0.0, 0.5, 0.5)), Row({}, (1.0, 0.0, 0.0)))),
    )
    rows = (
        Row({"linked": yes}, (0.5, 0.0, 0.0, 0.5)),
        Row({"linked": ("no",)}, (0.0, 0.5, 0.5, 0.0)),
        Row({}, (1.0, 0.0, 0.0, 0.0)),
    )
    cell = Variable(
        "cell", Kind.FINDING, "cell", ("1", "2", "3", "4"), Table(("linked",), rows), basis=FIXED
    )
    return compile_model(make_model([mixed, linked, cell]))


@pytest.mark.parametrize(
    ("rounds", "value"), [(1, 0.608247), (2, 0.624321), (3, 0.626489), (50, 0.626821)]
)
def test_linkage_data_go_step_by_step_as_published(rounds: int, value: float) -> None:
    # Dempster, Laird & Rubin, J. R. Statist. Soc. B 39 (1977) 1: counts 125, 18, 20, 34.
    cells = ["1"] * 125 + ["2"] * 18 + ["3"] * 20 + ["4"] * 34
    tickets = [ClosedTicket(k, WHEN, {"cell": cell}, None) for k, cell in enumerate(cells)]
    tuned = tune(
        linkage(),
        tickets,
        max_rounds=rounds,
        tolerance=0.0,
        accelerate=False,
        allow_unlabelled=True,
        default_worth=0.0,
    )
    assert figure(tuned, "linked", 0)[2] == pytest.approx(value, abs=1e-6)


# --- textbook updates


@pytest.mark.parametrize(
    ("chance", "worth", "yes", "no", "mean"),
    [
        # Beta(7, 3), then 3 heads and 7 tails: mean 10 / 20.
        (0.7, 10.0, 3, 7, 0.5),
        # Laplace's rule of succession, 9 of 10 seen: (9 + 1) / (10 + 2).
        (0.5, 2.0, 9, 1, 10 / 12),
    ],
)
def test_one_figure_is_updated_as_beta_and_binomial_have_it(
    chance: float, worth: float, yes: int, no: int, mean: float
) -> None:
    # Conjugate updating, any textbook; e.g. Heckerman, MSR-TR-95-06 (1995).
    basis = Basis("guess", "invented", worth)
    finding = replace(root("heads", Kind.FINDING, 1 - chance, chance), basis=basis)
    compiled = compile_model(make_model([root("cause", Kind.CAUSE, 0.9, 0.1), finding]))
    tosses = ["s1"] * yes + ["s0"] * no
    tickets = [ClosedTicket(k, WHEN, {"heads": toss}, ()) for k, toss in enumerate(tosses)]
    tuned = tune(compiled, tickets, least=1)
    assert figure(tuned, "heads")[1] == pytest.approx(mean, abs=1e-12)


# --- other libraries


TABLES = {
    "a": (("n", "y"), (), [[0.6, 0.4]]),
    "b": (("n", "y"), ("a",), [[0.8, 0.2], [0.3, 0.7]]),
    "c": (("u", "v", "w"), ("a",), [[0.6, 0.3, 0.1], [0.1, 0.3, 0.6]]),
    "d": (
        ("n", "y"),
        ("b", "c"),
        [[0.9, 0.1], [0.7, 0.3], [0.4, 0.6], [0.5, 0.5], [0.3, 0.7], [0.1, 0.9]],
    ),
    "e": (("n", "y"), ("d",), [[0.85, 0.15], [0.2, 0.8]]),
}


def rows_with_gaps(count: int, missing: float, seed: int) -> list[dict[str, str]]:
    """Rows drawn from TABLES; what is missing is left out."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(count):
        drawn: dict[str, int] = {}
        for name, (states, parents, table) in TABLES.items():
            place = 0
            for parent in parents:
                place = place * len(TABLES[parent][0]) + drawn[parent]
            drawn[name] = int(rng.choice(len(states), p=table[place]))
        rows.append({n: TABLES[n][0][k] for n, k in drawn.items() if rng.random() >= missing})
    return rows


def started_elsewhere() -> dict[str, Any]:
    """The same structure with other figures, where every EM begins."""
    rng = np.random.default_rng(5)
    return {
        name: (
            states,
            parents,
            (0.7 * np.array(rows) + 0.3 * rng.dirichlet(np.ones(len(states)), len(rows))).tolist(),
        )
        for name, (states, parents, rows) in TABLES.items()
    }


def as_tickets(rows: list[dict[str, str]]) -> list[ClosedTicket]:
    """`a` is the cause: known in a row or not."""
    tickets = []
    for number, row in enumerate(rows):
        causes = None if "a" not in row else (("a",) if row["a"] == "y" else ())
        findings = {name: state for name, state in row.items() if name != "a"}
        tickets.append(ClosedTicket(number, WHEN, findings, causes))
    return tickets


def log_likelihood(network: DiscreteNetwork, rows: list[dict[str, str]]) -> float:
    """Of rows under tables, by the engine's inference (held elsewhere against others)."""
    variables = [
        Variable(name, Kind.CAUSE, name, states, Table((), ()))
        for name, states in zip(network.names, network.states, strict=True)
    ]
    from faultfinder.model.parts import Dense

    told = [
        replace(v, distribution=Dense(tuple(network.names[p] for p in parents), table))
        for v, parents, table in zip(variables, network.parents, network.tables, strict=True)
    ]
    compiled = compile_model(make_model(told))
    total = 0.0
    for row in rows:
        known = {
            compiled.network.index[n]: certain(len(TABLES[n][0]), TABLES[n][0].index(s))
            for n, s in row.items()
        }
        total += float(log_probability(compiled, Evidence(known))[0]) if known else 0.0
    return total


def test_pyagrum_s_em_finds_the_same_optimum_with_missing_values(tmp_path: Path) -> None:
    import pyagrum as gum

    rows = rows_with_gaps(800, missing=0.25, seed=2)
    begin = started_elsewhere()
    ours = tune(
        from_pgmpy(pgmpy_network(begin), {"a": ["y"]}, ["b", "c", "d", "e"]),
        as_tickets(rows),
        default_worth=0.0,
        max_rounds=3000,
        tolerance=1e-13,
    )
    assert ours.converged
    net = gum.BayesNet()
    for name, (states, _, _) in begin.items():
        net.add(gum.LabelizedVariable(name, name, list(states)))
    for name, (_, parents, _) in begin.items():
        for parent in parents:
            net.addArc(parent, name)
    for name, (states, parents, table) in begin.items():
        shape = [len(begin[parent][0]) for parent in parents]
        values = np.array(table).reshape(*shape, len(states))
        for where in np.ndindex(*shape):
            chosen = {p: begin[p][0][k] for p, k in zip(parents, where, strict=True)}
            if parents:
                net.cpt(name)[chosen] = values[where].tolist()
            else:
                net.cpt(name)[:] = values.tolist()
    file = tmp_path / "rows.csv"
    names = list(TABLES)
    lines = [",".join(names)] + [",".join(row.get(n, "?") for n in names) for row in rows]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    learner = gum.BNLearner(str(file), net, ["?"])
    learner.useNoPrior()
    learner.useEMWithDiffCriterion(1e-9, 0.0)
    learner.setMaxIter(100_000)
    theirs = learner.learnParameters(net, False)
    tables = []
    compiled = from_pgmpy(pgmpy_network(begin), {"a": ["y"]}, ["b", "c", "d", "e"])
    network = compiled.network
    for name, parents in zip(network.names, network.parents, strict=True):
        potential = theirs.cpt(name)
        order = [network.names[p] for p in parents] + [name]
        # pyAgrum's arrays have their first variable last.
        axes = list(reversed(potential.names))
        tables.append(np.array(potential.toarray()).transpose([axes.index(n) for n in order]))
    found = log_likelihood(replace(network, tables=tuple(tables)), rows)
    own = log_likelihood(
        replace(network, tables=tuple(ours.tables[n] for n in network.names)), rows
    )
    assert own == pytest.approx(ours.log_likelihood, abs=1e-3)
    assert own == pytest.approx(found, abs=1e-4)
    for name, table in zip(network.names, tables, strict=True):
        assert ours.tables[name] == pytest.approx(table, abs=2e-3), name


def test_pgmpy_s_em_finds_the_same_optimum_with_a_hidden_cause() -> None:
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.estimators import ExpectationMaximization
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.models import DiscreteBayesianNetwork

        rng = np.random.default_rng(11)
        truth = np.array([[0.9, 0.2], [0.8, 0.3], [0.15, 0.7], [0.25, 0.85], [0.1, 0.6]])
        hidden = (rng.random(600) < 0.4).astype(int)
        drawn = (rng.random((600, 5)) < truth[:, hidden].T).astype(int)
        names = [f"f{k}" for k in range(5)]
        start = np.clip(truth + rng.uniform(-0.1, 0.1, truth.shape), 0.05, 0.95)
        net = DiscreteBayesianNetwork([("h", name) for name in names], latents={"h"})
        begin = {"h": TabularCPD("h", 2, [[0.5], [0.5]], state_names={"h": [0, 1]})}
        for name, (at_0, at_1) in zip(names, start, strict=True):
            begin[name] = TabularCPD(
                name,
                2,
                [[1 - at_0, 1 - at_1], [at_0, at_1]],
                evidence=["h"],
                evidence_card=[2],
                state_names={name: [0, 1], "h": [0, 1]},
            )
        estimator = ExpectationMaximization(net, pd.DataFrame(drawn, columns=names))
        cpds = estimator.get_parameters(
            init_cpds=begin, max_iter=400, atol=1e-7, show_progress=False
        )
    theirs = {cpd.variables[0]: np.asarray(cpd.values) for cpd in cpds}
    tables: dict[str, Any] = {"h": (("0", "1"), (), [[0.5, 0.5]])}
    for name, (at_0, at_1) in zip(names, start, strict=True):
        tables[name] = (("0", "1"), ("h",), [[1 - at_0, at_0], [1 - at_1, at_1]])
    ours = tune(
        from_pgmpy(pgmpy_network(tables), {"h": ["1"]}, names),
        [
            ClosedTicket(k, WHEN, {n: str(v) for n, v in zip(names, row, strict=True)}, None)
            for k, row in enumerate(drawn.tolist())
        ],
        default_worth=0.0,
        allow_unlabelled=True,
        max_rounds=3000,
        tolerance=1e-13,
    )

    def likelihood(prior: Any, yes: Any) -> float:
        yes = np.asarray(yes)
        each = np.where(drawn[:, :, None] == 1, yes[None], 1 - yes[None]).prod(axis=1)
        return float(np.log(each @ np.asarray(prior)).sum())

    found = likelihood(theirs["h"], [theirs[n][1] for n in names])
    own = likelihood(ours.tables["h"], [ours.tables[n][:, 1] for n in names])
    assert own == pytest.approx(ours.log_likelihood, abs=1e-3)
    assert own == pytest.approx(found, abs=1e-4)


# --- the tests of drift: the engine asks scipy, so scipy is no check of them


def tail_by_recurrence(x: float, degrees: int) -> float:
    """P(chi-square > x) from one or two degrees of freedom upwards, two at a time."""
    half = x / 2.0
    tail, at = (math.erfc(math.sqrt(half)), 1) if degrees % 2 else (math.exp(-half), 2)
    while at < degrees:
        tail += half ** (at / 2.0) * math.exp(-half) / math.gamma(at / 2.0 + 1.0)
        at += 2
    return tail


def test_tails_of_chi_square_follow_from_their_recurrence() -> None:
    for degrees in range(1, 12):
        for x in (0.0, 0.01, 0.7, 3.84, 11.0, 60.0):
            wanted = tail_by_recurrence(x, degrees)
            assert chi_square_tail(x, degrees) == pytest.approx(wanted, rel=1e-9)


def test_tails_of_chi_square_are_the_printed_ones() -> None:
    """Upper critical values at .05 for 1 to 5 degrees of freedom: NIST/SEMATECH e-Handbook of
    Statistical Methods, table 1.3.6.7.4."""
    for degrees, x in enumerate((3.841, 5.991, 7.815, 9.488, 11.070), start=1):
        assert chi_square_tail(x, degrees) == pytest.approx(0.05, abs=2e-5)


def exact_by_counting(table: Any) -> float:
    """Fisher's two-sided p-value in whole numbers: all tables with the same margins are listed."""
    (a, b), (c, d) = table.tolist()
    row, column, total = a + b, a + c, a + b + c + d

    def ways(first: int) -> int:
        return math.comb(column, first) * math.comb(total - column, row - first)

    least, most = max(0, row + column - total), min(row, column)
    seen = ways(a)
    return sum(w for w in map(ways, range(least, most + 1)) if w <= seen) / math.comb(total, row)


def test_the_exact_test_counts_all_tables_with_the_same_margins() -> None:
    """The tea tasting of R. A. Fisher, The design of experiments, 1935 (as retold in a lecture,
    read there: eight cups, four of a kind; the value is counted here): three of four right,
    two-sided (1 + 16 + 16 + 1) / 70."""
    assert fisher_exact(np.array([[3, 1], [1, 3]])) == pytest.approx(34 / 70, rel=1e-12)
    rng = np.random.default_rng(3)
    for _ in range(200):
        small = rng.integers(0, 12, (2, 2))
        assert fisher_exact(small) == pytest.approx(exact_by_counting(small), rel=1e-9)


def test_the_test_of_two_rows_is_pearsons_sum_of_squares() -> None:
    rng = np.random.default_rng(5)
    for _ in range(100):
        large = rng.integers(20, 300, (2, int(rng.integers(2, 6))))
        total = int(large.sum())
        statistic = 0.0
        for i in range(2):
            for j in range(large.shape[1]):
                expected = int(large[i].sum()) * int(large[:, j].sum()) / total
                statistic += (int(large[i, j]) - expected) ** 2 / expected
        wanted = tail_by_recurrence(statistic, large.shape[1] - 1)
        assert homogeneity(large) == pytest.approx(wanted, rel=1e-7, abs=1e-300)


PUBLISHED = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
    *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000),
]
"""Benjamini & Hochberg, JRSS B 57 (1995) 289, the worked example (figures as quoted in the tests
of several statistics packages, read there; the paper itself was not at hand)."""


def test_adjusted_p_values_reject_what_the_published_example_rejects() -> None:
    adjusted = benjamini_hochberg(PUBLISHED)
    assert [value <= 0.05 for value in adjusted] == [True] * 4 + [False] * 11


def test_adjusted_p_values_follow_from_their_definition() -> None:
    values = (np.random.default_rng(4).random(25) ** 3).tolist()
    n = len(values)
    ranked = sorted(values)
    wanted = [
        min(1.0, *(p * n / (rank + 1) for rank, p in enumerate(ranked) if p >= value))
        for value in values
    ]
    assert benjamini_hochberg(values) == pytest.approx(wanted, rel=1e-12)
