"""Published networks: beliefs and gains against pgmpy, pyAgrum, scipy and scikit-learn.

The files alarm, asia, child, hepar2 and win95pts are those inside the pgmpy package.
Asked of each: 200 seeded evidence sets drawn from the network itself, beliefs of single
causes, and the gains of three checks (of one or two nodes) about a joint target of up to
four causes. pgmpy agrees to 1e-9; pyAgrum to 1e-6, because its file reader rounds.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import faultfinder
from tests.consulted import look_at
from tests.networks import pgmpy_network, published, state_names, unscaled
from tests.outside.reference import (
    NETWORKS,
    SETS,
    Question,
    agrum_joints,
    agrum_network,
    elimination_of,
    forward_sample,
    gain_bits,
    pgmpy_joint,
    questions,
    states_of,
)


def wanted_by(question: Question) -> list[tuple[str, ...]]:
    """The nodes whose joint belief answers each check."""
    return [(*question.causes, *left) for left in question.checks.values()]


def hold_against(
    question: Question,
    answer: faultfinder.Diagnosis,
    tables: list[np.ndarray],
    tolerance: float,
) -> None:
    """Marginals of the causes, outcome probabilities and gains, from joint tables."""
    states = {cause: list(answer.cause_states[cause]) for cause in question.causes}
    ranked = {check.check: check for check in answer.most_telling}
    for check, table in zip(question.checks, tables, strict=True):
        for axis, cause in enumerate(question.causes):
            away = tuple(other for other in range(table.ndim) if other != axis)
            exact = dict(zip(states[cause], table.sum(axis=away).tolist(), strict=True))
            assert answer.cause_states[cause] == pytest.approx(exact, abs=tolerance)
        rows = int(np.prod(table.shape[: len(question.causes)]))
        flat = table.reshape(rows, -1)
        outcomes = list(ranked[check].outcomes.values())
        assert outcomes == pytest.approx(flat.sum(axis=0).tolist(), abs=tolerance)
        assert ranked[check].gain_bits == pytest.approx(gain_bits(flat), abs=tolerance)


@pytest.mark.parametrize("name", NETWORKS)
def test_against_pgmpy_variable_elimination(name: str) -> None:
    network = published(name)
    elimination = elimination_of(network)
    asked = 0
    for question in questions(name):
        answer = look_at(question.engine, question.known, list(question.causes))
        tables = [
            pgmpy_joint(elimination, network, wanted, question.known)
            for wanted in wanted_by(question)
        ]
        hold_against(question, answer, tables, 1e-9)
        asked += 1
    assert asked == SETS


def test_columns_rounded_in_the_file_are_scaled() -> None:
    """alarm's file has columns that sum to 1 within 1e-7 only; beliefs still sum to one."""
    raw, scaled = unscaled("alarm"), published("alarm")
    worst = max(float(np.abs(table.values.sum(axis=0) - 1).max()) for table in raw.get_cpds())
    assert 1e-9 < worst < 1e-6
    for node in ("PVSAT", "VENTTUBE", "CATECHOL"):
        faulty = {node: states_of(raw, node)[1:]}
        one, other = (
            look_at(faultfinder.from_pgmpy(network, faulty, ["BP", "HR"]))
            for network in (raw, scaled)
        )
        assert one.evidence_probability == pytest.approx(1.0, abs=1e-12)
        assert one.cause_states[node] == pytest.approx(other.cause_states[node], abs=1e-12)


@pytest.mark.parametrize("name", NETWORKS)
def test_against_pyagrum_lazy_propagation(name: str, tmp_path: Path) -> None:
    network = published(name)
    bayes_net = agrum_network(name, tmp_path)
    for node in network.nodes():
        assert bayes_net.variable(node).domainSize() == len(states_of(network, node))
    asked = 0
    for question in questions(name):
        answer = look_at(question.engine, question.known, list(question.causes))
        tables, evidence = agrum_joints(bayes_net, network, wanted_by(question), question.known)
        hold_against(question, answer, tables, 1e-6)
        assert answer.evidence_probability == pytest.approx(evidence, rel=1e-5)
        asked += 1
    assert asked == SETS


@pytest.mark.parametrize("name", NETWORKS)
def test_gains_against_scipy_and_scikit_learn(name: str) -> None:
    """Mutual information of the same joint tables (pgmpy's), by two more libraries."""
    from scipy.stats import entropy
    from sklearn.metrics import mutual_info_score

    network = published(name)
    elimination = elimination_of(network)
    for question in questions(name, count=40):
        answer = look_at(question.engine, question.known, list(question.causes))
        ranked = {check.check: check.gain_bits for check in answer.most_telling}
        for check, wanted in zip(question.checks, wanted_by(question), strict=True):
            table = pgmpy_joint(elimination, network, wanted, question.known)
            flat = table.reshape(int(np.prod(table.shape[: len(question.causes)])), -1)
            parts = (flat.sum(axis=1), flat.sum(axis=0), flat.reshape(-1))
            causes, results, both = (float(entropy(part, base=2)) for part in parts)
            assert ranked[check] == pytest.approx(causes + results - both, abs=1e-9)
            # scikit-learn takes whole counts: the shares of 2**30 cases, rounded.
            counts = np.rint(flat * 2**30).astype(np.int64)
            counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
            nats = mutual_info_score(None, None, contingency=counts)
            assert ranked[check] == pytest.approx(nats / np.log(2), abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_gains_of_whole_counts_against_scipy_and_scikit_learn(seed: int) -> None:
    """A table of counts as a cause and a finding: all three from the same numbers."""
    from scipy.stats import entropy
    from sklearn.metrics import mutual_info_score

    rng = np.random.default_rng(seed)
    rows, columns = (int(n) for n in rng.integers(2, 6, 2))
    counts = rng.integers(0, 400, (rows, columns)) + np.eye(rows, columns, dtype=np.int64)
    counts[:, 0] += 1
    network = pgmpy_network(
        {
            "cause": (state_names(rows), (), [(counts.sum(axis=1) / counts.sum()).tolist()]),
            "finding": (
                state_names(columns),
                ("cause",),
                (counts / counts.sum(axis=1, keepdims=True)).tolist(),
            ),
        }
    )
    engine = faultfinder.from_pgmpy(network, {"cause": state_names(rows)[1:]}, ["finding"])
    (check,) = look_at(engine, {}).most_telling
    nats = mutual_info_score(None, None, contingency=counts)
    assert check.gain_bits == pytest.approx(nats / np.log(2), abs=1e-9)
    parts = (counts.sum(axis=1), counts.sum(axis=0), counts.reshape(-1))
    causes, results, both = (float(entropy(part, base=2)) for part in parts)
    assert check.gain_bits == pytest.approx(causes + results - both, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", ["hepar2", "win95pts"])
def test_twelve_causes_at_once_are_never_refused(name: str, seed: int) -> None:
    """A target of 4,096 joint states, with findings: every other node and some pairs get a
    gain, and three of them are held against pgmpy's table over all twelve."""
    network = published(name)
    rng = np.random.default_rng(seed)
    nodes = sorted(map(str, network.nodes()))
    binary = [node for node in nodes if len(states_of(network, node)) == 2]
    causes = [str(node) for node in rng.choice(binary, size=12, replace=False)]
    others = [node for node in nodes if node not in causes]
    checks: dict[str, tuple[str, ...]] = {node: (node,) for node in others}
    for number in range(6):
        checks[f"pair{number}"] = tuple(map(str, rng.choice(others, size=2, replace=False)))
    engine = faultfinder.from_pgmpy(
        network, {cause: states_of(network, cause)[1:] for cause in causes}, checks
    )
    drawn = forward_sample(network, rng)
    seen = [str(node) for node in rng.choice(others, size=3 * (seed % 2), replace=False)]
    known = {node: states_of(network, node)[drawn[node]] for node in seen}
    answer = look_at(engine, known, causes)
    left = {c: tuple(n for n in what if n not in known) for c, what in checks.items()}
    assert {check.check for check in answer.most_telling} == {c for c, what in left.items() if what}
    few = {c: left[c] for c in [*map(str, rng.choice(others, 4)), "pair0", "pair1"] if left[c]}
    question = Question(engine, known, tuple(causes), few)
    elimination = elimination_of(network)
    tables = [pgmpy_joint(elimination, network, group, known) for group in wanted_by(question)]
    hold_against(question, answer, tables, 1e-9)
