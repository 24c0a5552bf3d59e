"""Beliefs of the engine against counting every joint state, on random small models."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import faultfinder
from faultfinder.errors import FaultfinderError
from faultfinder.inference import compiled as compiling
from faultfinder.inference.compiled import compile_model
from faultfinder.inference.contradiction import fit_of_each
from faultfinder.inference.posterior import (
    Evidence,
    beliefs,
    certain,
    evidence_from,
    log_probability,
    posterior,
)
from faultfinder.model import network as arrays
from faultfinder.model.network import to_network
from faultfinder.model.parts import (
    Dense,
    FaultModel,
    Kind,
    Link,
    NoisyMax,
    Row,
    Table,
    Variable,
)
from tests.brute_force import Joint, family_table, joint_of_model
from tests.consulted import look_at
from tests.networks import Case, cases, make_model, root, state_names, to_pgmpy

CLOSE = 1e-9
slowly = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def hold_causes_against(joint: Joint, case: Case, diagnosis: faultfinder.Diagnosis) -> None:
    """Every cause, its states, and P(evidence), as the oracle has them."""
    assert diagnosis.evidence_probability == pytest.approx(joint.probability(case.evidence))
    assert set(diagnosis.causes) == set(case.causes)
    for cause in case.causes:
        exact = joint.posterior(cause, case.evidence)
        assert diagnosis.cause_states[cause] == pytest.approx(exact, abs=CLOSE)
        assert sum(diagnosis.cause_states[cause].values()) == pytest.approx(1.0, abs=CLOSE)
        faulty = sum(exact[state] for state in case.model.faulty_states(cause))
        assert diagnosis.causes[cause] == pytest.approx(faulty, abs=CLOSE)


@given(cases())
@settings(max_examples=200, deadline=None)
def test_causes_are_as_counted(case: Case) -> None:
    diagnosis = look_at(case.compiled, case.findings)
    hold_causes_against(case.joint, case, diagnosis)
    shares = list(diagnosis.causes.values())
    assert shares == sorted(shares, reverse=True)


@given(cases())
@settings(max_examples=100, deadline=None)
def test_every_variable_is_as_counted(case: Case) -> None:
    """Hidden conditions, histories and findings left out of the tree as well."""
    evidence = evidence_from(case.compiled, case.findings)
    calibrated = beliefs(case.compiled, evidence)
    for number, variable in enumerate(case.model.variables):
        believed = posterior(case.compiled, calibrated, number)[:, 0]
        exact = list(case.joint.posterior(variable.name, case.evidence).values())
        if number not in evidence.likelihoods:
            assert believed == pytest.approx(exact, abs=CLOSE)


@given(cases(), st.data())
@settings(max_examples=50, deadline=None)
def test_order_of_findings_does_not_matter(case: Case, data: st.DataObject) -> None:
    first = look_at(case.compiled, case.findings)
    turned = dict(data.draw(st.permutations(list(case.findings.items()))))
    second = look_at(case.compiled, turned)
    assert second.causes == pytest.approx(first.causes, abs=1e-12)
    assert second.evidence_probability == pytest.approx(first.evidence_probability)
    gains = {check.check: check.gain_bits for check in first.most_telling}
    assert {check.check: check.gain_bits for check in second.most_telling} == pytest.approx(
        gains, abs=1e-12
    )


@given(cases(), st.data())
@slowly
def test_any_network_with_evidence_on_any_node(case: Case, data: st.DataObject) -> None:
    """Through pgmpy, where hidden nodes and causes can be known like any other."""
    names = list(case.joint.names)
    chosen = data.draw(st.lists(st.sampled_from(names), max_size=4, unique=True))
    flat = case.joint.table.reshape(-1)
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    place = int(rng.choice(flat.size, p=flat / flat.sum()))
    where = np.unravel_index(place, case.joint.table.shape)
    known = {name: case.joint.states[name][int(where[case.joint.axis(name)])] for name in chosen}
    engine = faultfinder.from_pgmpy(
        to_pgmpy(case),
        {cause: case.joint.states[cause][1:] for cause in case.causes},
        [name for name in names if name not in case.causes],
    )
    diagnosis = look_at(engine, known)
    hold_causes_against(case.joint, Case(engine.model, engine, case.joint, known), diagnosis)


@given(cases(), st.data())
@settings(max_examples=60, deadline=None)
def test_a_batch_is_its_columns_one_by_one(case: Case, data: st.DataObject) -> None:
    """Columns with certain, uncertain and impossible evidence, side by side."""
    network = case.compiled.network
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    variables = data.draw(
        st.lists(st.sampled_from(range(network.own)), min_size=1, max_size=3, unique=True)
    )
    width = data.draw(st.integers(2, 5))
    columns = {}
    for number in variables:
        card = network.cards[number]
        kinds = [certain(card, int(rng.integers(card))), rng.random(card), np.ones(card)]
        columns[number] = np.stack([kinds[int(rng.integers(3))] for _ in range(width)], axis=1)
    known = evidence_from(case.compiled, case.findings)
    together = beliefs(case.compiled, known.with_columns(columns))
    for column in range(width):
        alone = known.with_columns({n: table[:, column] for n, table in columns.items()})
        single = beliefs(case.compiled, alone)
        assert together.log_evidence[column] == pytest.approx(single.log_evidence[0])
        assert log_probability(case.compiled, alone)[0] == pytest.approx(single.log_evidence[0])
        for number in range(network.own):
            batch = posterior(case.compiled, together, number)
            assert batch[:, column] == pytest.approx(
                posterior(case.compiled, single, number)[:, 0], abs=CLOSE
            )
        weights = case.joint.weights(case.evidence)
        for number, table in columns.items():
            view = [1] * weights.ndim
            view[number] = -1
            weights = weights * table[:, column].reshape(view)
        total = float(weights.sum())
        assert math.exp(single.log_evidence[0]) == pytest.approx(total, abs=1e-12)


@given(cases(), st.integers(1, 40))
@slowly
def test_families_that_do_not_fit_the_tree(case: Case, budget: int) -> None:
    """With a small budget findings' families stay out, and the tree grows when one is seen."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiling, "TREE_BUDGET", budget)
        small = compile_model(case.model)
    diagnosis = look_at(small, case.findings)
    hold_causes_against(case.joint, case, diagnosis)


def noisy(name: str, kind: Kind, parents: list[Variable], card: int, seed: int) -> Variable:
    """A noisy-MAX with a leak, and strengths from a seeded generator."""
    rng = np.random.default_rng(seed)

    def link() -> Link:
        return Link(tuple(rng.dirichlet(np.ones(card)).tolist()))

    links = {parent.name: {state: link() for state in parent.states[1:]} for parent in parents}
    names = tuple(parent.name for parent in parents)
    return Variable(name, kind, name, state_names(card), NoisyMax(names, link(), links))


def dense(model: FaultModel, name: str) -> FaultModel:
    """The same model with one family as a plain table, counted out by the oracle."""
    changed = tuple(
        replace(v, distribution=Dense(v.parents, family_table(model, v))) if v.name == name else v
        for v in model.variables
    )
    return replace(model, variables=changed)


def chain_product(model: FaultModel, name: str) -> np.ndarray:
    """P(variable | parents) by multiplying out the steps of a split family."""
    network = to_network(model)
    steps = [
        number
        for number, own in enumerate(network.names)
        if own == name or own.startswith(f"{name}~")
    ]
    wanted = [*(network.index[parent] for parent in model.by_name[name].parents)]
    wanted.append(network.index[name])
    scopes = [[*network.parents[number], number] for number in steps]
    # einsum wants small numbers for axes.
    rank = {v: place for place, v in enumerate(sorted({v for scope in scopes for v in scope}))}
    operands: list[object] = []
    for number, scope in zip(steps, scopes, strict=True):
        operands += [network.tables[number], [rank[v] for v in scope]]
    result: np.ndarray = np.einsum(*operands, [rank[v] for v in wanted], optimize=True)
    return result


@pytest.mark.parametrize(
    ("cards", "card"), [((2, 2, 2), 2), ((2, 3, 2, 2), 3), ((3, 2, 3, 2, 2), 4)]
)
def test_a_split_condition_is_its_dense_table(cards: tuple[int, ...], card: int) -> None:
    """A hidden noisy-MAX condition of more than two parents becomes a chain."""
    causes = [
        root(f"cause{i}", Kind.CAUSE, 0.7, *[0.3 / (n - 1)] * (n - 1)) for i, n in enumerate(cards)
    ]
    hidden = noisy("hidden", Kind.CONDITION, causes, card, seed=sum(cards))
    seen = noisy("seen", Kind.FINDING, [hidden], 3, seed=1)
    model = make_model([*causes, hidden, seen])
    network = to_network(model)
    assert len(network.names) > network.own, "the family was not split"
    assert chain_product(model, "hidden") == pytest.approx(family_table(model, hidden), abs=1e-14)
    joint = joint_of_model(model)
    whole = to_network(dense(model, "hidden"))
    assert len(whole.names) == whole.own
    for state in seen.states:
        known = {"seen": state}
        split = look_at(compile_model(model), known)
        plain = look_at(compile_model(dense(model, "hidden")), known)
        for cause in split.cause_states:
            exact = joint.posterior(cause, known)
            assert split.cause_states[cause] == pytest.approx(exact, abs=CLOSE)
            assert plain.cause_states[cause] == pytest.approx(exact, abs=CLOSE)


def test_a_finding_of_more_than_4096_parent_states_is_split() -> None:
    """Seven causes of four states: 16,384 parent states, split; six of them: kept whole."""
    causes = [root(f"cause{i}", Kind.CAUSE, 0.8, 0.1, 0.06, 0.04) for i in range(7)]
    large = noisy("large", Kind.FINDING, causes, 3, seed=5)
    small = noisy("small", Kind.FINDING, causes[:6], 3, seed=6)
    model = make_model([*causes, large])
    network = to_network(model)
    assert arrays.DENSE_LIMIT < 4**7
    assert [name for name in network.names if "~" in name] == [f"large~{i}" for i in range(1, 7)]
    assert chain_product(model, "large") == pytest.approx(family_table(model, large), abs=1e-14)
    assert not [n for n in to_network(make_model([*causes, small])).names if "~" in n]
    joint = joint_of_model(model)
    for state in large.states:
        diagnosis = look_at(compile_model(model), {"large": state})
        assert diagnosis.evidence_probability == pytest.approx(joint.probability({"large": state}))
        for cause in diagnosis.cause_states:
            exact = joint.posterior(cause, {"large": state})
            assert diagnosis.cause_states[cause] == pytest.approx(exact, abs=CLOSE)


@given(cases())
@slowly
def test_split_findings_are_as_counted(case: Case) -> None:
    """Every noisy-MAX of two parents or more as a chain, by a lowered limit."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(arrays, "DENSE_LIMIT", 1)
        split = compile_model(case.model)
    diagnosis = look_at(split, case.findings)
    hold_causes_against(case.joint, case, diagnosis)


@given(cases())
@settings(max_examples=40, deadline=None)
def test_a_finding_that_could_not_be_told_changes_no_belief(case: Case) -> None:
    open_names = [v.name for v in case.model.of_kind(Kind.FINDING) if v.name not in case.findings]
    before = look_at(case.compiled, case.findings)
    after = look_at(case.compiled, {**case.findings, **dict.fromkeys(open_names)})
    assert after.causes == pytest.approx(before.causes, abs=1e-12)
    assert set(after.case.unclear) == set(open_names)
    told = {check.check for check in after.most_telling}
    for check in case.model.checks:
        left = [name for name in check.observes if name not in case.findings]
        if left and set(left) <= set(open_names):
            assert check.name not in told


def many_findings(count: int, yes: float) -> FaultModel:
    """One cause, and `count` findings that are twice as likely when it is there."""
    cause = root("cause", Kind.CAUSE, 0.9, 0.1)
    findings = [
        Variable(
            f"finding{i}",
            Kind.FINDING,
            "",
            ("no", "yes"),
            Table(
                ("cause",),
                (Row({"cause": ("s1",)}, (1 - yes, yes)), Row({}, (1 - yes / 2, yes / 2))),
            ),
        )
        for i in range(count)
    ]
    return make_model([cause, *findings])


@pytest.mark.parametrize(("count", "yes"), [(300, 0.1), (400, 0.1), (20, 1e-20), (1500, 0.5)])
def test_many_or_tiny_findings_do_not_underflow(count: int, yes: float) -> None:
    """All findings seen: the odds of the cause are 2**count to 9, however small the product."""
    compiled = compile_model(many_findings(count, yes))
    evidence = evidence_from(compiled, {f"finding{i}": "yes" for i in range(count)})
    calibrated = beliefs(compiled, evidence)
    log_yes = math.log(0.1) + count * math.log(yes)
    log_no = math.log(0.9) + count * math.log(yes / 2)
    exact = np.logaddexp(log_yes, log_no)
    assert calibrated.log_evidence[0] == pytest.approx(float(exact))
    share = posterior(compiled, calibrated, compiled.network.index["cause"])[1, 0]
    assert share == pytest.approx(math.exp(log_yes - exact))


@pytest.mark.parametrize(("count", "no"), [(40, 1e-20), (400, 1e-3)])
def test_findings_that_pull_both_ways_do_not_underflow(count: int, no: float) -> None:
    """Half of the findings speak for the cause, half against it: it stays at even odds."""
    findings = []
    for number in range(count):
        one, other = (1 - no, no), (no, 1 - no)
        rows = (
            Row({"cause": ("s1",)}, (one, other)[number % 2]),
            Row({}, (other, one)[number % 2]),
        )
        table = Table(("cause",), rows)
        findings.append(Variable(f"finding{number}", Kind.FINDING, "", ("no", "yes"), table))
    compiled = compile_model(make_model([root("cause", Kind.CAUSE, 0.5, 0.5), *findings]))
    evidence = evidence_from(compiled, {finding.name: "yes" for finding in findings})
    calibrated = beliefs(compiled, evidence)
    assert posterior(compiled, calibrated, 0)[:, 0] == pytest.approx([0.5, 0.5])
    exact = count / 2 * (math.log(no) + math.log1p(-no))
    assert calibrated.log_evidence[0] == pytest.approx(exact)


@pytest.mark.parametrize(("count", "card"), [(300, 10), (400, 10), (1100, 2)])
def test_many_variables_without_evidence_do_not_underflow(count: int, card: int) -> None:
    """The product of all tables is tiny; P(nothing known) is one all the same."""
    causes = [root(f"cause{i}", Kind.CAUSE, *[1 / card] * card) for i in range(count)]
    compiled = compile_model(make_model(causes, {"look": ("cause0",)}))
    assert beliefs(compiled, Evidence({})).log_evidence[0] == pytest.approx(0.0, abs=1e-9)


def test_a_table_too_large_is_refused_in_a_sentence() -> None:
    causes = [root(f"cause{i}", Kind.CAUSE, 0.9, 0.1) for i in range(24)]
    rows = Table(tuple(cause.name for cause in causes), (Row({}, (0.5, 0.5)),))
    finding = Variable("finding", Kind.FINDING, "finding", ("no", "yes"), rows)
    with pytest.raises(FaultfinderError, match="33,554,432 numbers"):
        compile_model(make_model([*causes, finding]))


def test_uncertain_evidence_multiplies() -> None:
    """Two likelihoods on one variable are multiplied, not replaced."""
    cause = root("cause", Kind.CAUSE, 0.5, 0.5)
    compiled = compile_model(make_model([cause], {"look": ("cause",)}))
    once = Evidence({0: np.array([0.2, 0.8])})
    twice = once.with_columns({0: np.array([0.4, 0.6])})
    believed = posterior(compiled, beliefs(compiled, twice), 0)[:, 0]
    assert believed.tolist() == pytest.approx([0.08 / 0.56, 0.48 / 0.56])


@given(cases())
@slowly
def test_how_a_finding_fits_is_its_probability_given_all_others(case: Case) -> None:
    """Read from the beliefs, or worked out by leaving it out: P(all) over P(all others)."""
    evidence = evidence_from(case.compiled, case.findings)
    now = beliefs(case.compiled, evidence)
    fits = fit_of_each(case.compiled, evidence, now)
    assert fits.keys() == evidence.likelihoods.keys()
    for number, fit in fits.items():
        name = case.compiled.network.names[number]
        others = {other: one for other, one in case.findings.items() if other != name}
        without = Evidence(
            {n: v for n, v in evidence.likelihoods.items() if n != number}, evidence.silent
        )
        rarer = float(log_probability(case.compiled, without)[0])
        assert fit == pytest.approx(np.exp(now.log_evidence[0] - rarer), rel=1e-9), others
