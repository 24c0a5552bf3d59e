"""What learning from closed tickets promises: exact counts, EM that never falls, refusals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em import estimates as em
from faultfinder.learning.em.engine import build_engine, with_parts
from faultfinder.learning.em.estimates import complaint_share, tune
from faultfinder.learning.em.expected_counts import expect
from faultfinder.learning.em.intervals import intervals
from faultfinder.learning.em.parameters import read_families, rewritten
from faultfinder.learning.em.patterns import gather
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.figures import Place
from faultfinder.model.parts import (
    Dense,
    FaultModel,
    Kind,
    Link,
    NoisyMax,
    Row,
    SimpleTest,
    Table,
    Variable,
)
from faultfinder.model.reading.reader import parse_model
from tests.brute_force import joint_of_model
from tests.closed_tickets import drawn
from tests.em_by_hand import expected_counts, log_likelihood, weights_of
from tests.invented_models import SMALL_LID
from tests.networks import Case, cases, make_model, root
from tests.small_model import SMALL_MODEL

QUICK = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


@pytest.fixture(scope="module")
def small() -> CompiledModel:
    return compile_model(parse_model(SMALL_MODEL.encode(), "small.yaml"))


@pytest.fixture(scope="module")
def lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))


def key(place: Place) -> tuple[str, str, object]:
    which: object = (place.parent, place.state) if place.kind == "link" else place.row
    return place.variable, place.kind, which


def tickets_of(case: Case, draw: Any) -> list[ClosedTicket]:
    """Up to four tickets that can be: subsets of the case's findings, some with labels."""
    model, joint = case.model, case.joint
    findings = {n: r for n, r in case.findings.items() if n not in case.causes}
    findings = {n: r for n, r in findings.items() if model.by_name[n].kind is not Kind.CONDITION}
    tickets = []
    for number in range(draw(st.integers(1, 4))):
        seen = {n: r for n, r in findings.items() if draw(st.booleans())}
        causes = None
        if draw(st.booleans()):
            causes = tuple(c for c in case.causes if draw(st.booleans()))
        ticket = ClosedTicket(number + 1, "2024-01-01", seen, causes)
        if weights_of(joint, model, ticket).sum() <= 0.0:
            ticket = replace(ticket, causes=None)
        if weights_of(joint, model, ticket).sum() > 0.0:
            tickets.append(ticket)
    return tickets


# --- expected counts


@QUICK
@given(st.data())
def test_expected_counts_are_those_of_counting_every_joint_state_and_draw(
    data: st.DataObject,
) -> None:
    case = data.draw(cases())
    assume(case.joint.table.size <= 20_000)
    tickets = tickets_of(case, data.draw)
    assume(tickets)
    compiled, model = case.compiled, case.model
    patterns = gather(compiled, tickets)
    families = read_families(compiled)
    used = np.ones(len(patterns.codec.columns), dtype=bool)
    engine = build_engine(compiled, patterns.codec, families, used, 1.0)
    found = expect(engine.at({f.number: f.file for f in families}), patterns)
    by_hand: dict[Any, Any] = {}
    for ticket in tickets:
        weights = weights_of(case.joint, model, ticket)
        for where, counts in expected_counts(
            model, case.joint, weights, 1.0, set(ticket.findings)
        ).items():
            by_hand[where] = by_hand.get(where, 0.0) + counts
    for family in families:
        counts = found.counts.get(family.number, np.zeros_like(family.file))
        for place, row in zip(family.places, counts, strict=True):
            wanted = by_hand.get(key(place), np.zeros(family.file.shape[1]))
            assert row == pytest.approx(wanted, abs=1e-9), place
    assert found.log_likelihood == pytest.approx(log_likelihood(model, tickets), abs=1e-9)


@QUICK
@given(st.data())
def test_tables_from_the_file_s_figures_are_those_of_the_compiled_network(
    data: st.DataObject,
) -> None:
    case = data.draw(cases())
    for family in read_families(case.compiled):
        for number, table in family.form.tables(family.file).items():
            assert table == pytest.approx(case.compiled.network.tables[number], abs=1e-12)


def test_links_of_a_condition_with_many_causes_are_counted_draw_by_draw() -> None:
    # Such a family is split into steps in the network; here with three states.
    causes = [root(f"cause{k}", Kind.CAUSE, 0.5, 0.3, 0.2) for k in range(4)]
    rng = np.random.default_rng(0)
    names = tuple(cause.name for cause in causes)

    def link() -> Link:
        return Link(tuple(rng.dirichlet(np.ones(3)).tolist()))

    told = NoisyMax(names, link(), {name: {"s1": link(), "s2": link()} for name in names})
    states = ("s0", "s1", "s2")
    worst = Variable("worst", Kind.CONDITION, "worst", states, told)
    table = Dense(("worst",), rng.dirichlet(np.ones(3), 3))
    seen = Variable("seen", Kind.FINDING, "seen", states, table)
    compiled = compile_model(make_model([*causes, worst, seen]))
    assert len(compiled.network.names) > compiled.network.own
    tickets = [
        ClosedTicket(1, "2024-01-01", {"seen": "s1"}, None),
        ClosedTicket(2, "2024-01-01", {"seen": "s0"}, ("cause1", "cause2")),
        ClosedTicket(3, "2024-01-01", {"seen": "s2"}, ("cause0", "cause1", "cause3")),
    ]
    patterns, families = gather(compiled, tickets), read_families(compiled)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(compiled, patterns.codec, families, used, 1.0)
    found = expect(engine.at({f.number: f.file for f in families}), patterns)
    joint = joint_of_model(compiled.model)
    each = [
        expected_counts(
            compiled.model, joint, weights_of(joint, compiled.model, t), 1.0, set(t.findings)
        )
        for t in tickets
    ]
    for family in families:
        for place, row in zip(family.places, found.counts[family.number], strict=True):
            wanted = sum(counts.get(key(place), np.zeros(3)) for counts in each)
            assert row == pytest.approx(wanted, abs=1e-12), place


def test_hundreds_of_unlikely_findings_do_not_underflow() -> None:
    cause = root("cause", Kind.CAUSE, 0.5, 0.5)
    pairs = [root(f"other{k}", Kind.CAUSE, 0.5, 0.5) for k in range(40)]
    findings = []
    for k in range(400):
        # 40 different scopes with the same home cause, ten findings on each.
        parents = ("cause", f"other{k % 40}")
        table = Dense(parents, np.tile([1.0 - 1e-9, 1e-9], (2, 2, 1)))
        findings.append(Variable(f"f{k}", Kind.FINDING, "f", ("s0", "s1"), table))
    compiled = compile_model(make_model([cause, *pairs, *findings]))
    ticket = ClosedTicket(1, "2024-01-01", {f"f{k}": "s1" for k in range(400)}, ("cause",))
    patterns, families = gather(compiled, [ticket]), read_families(compiled)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(compiled, patterns.codec, families, used, 1.0)
    found = expect(engine.at({f.number: f.file for f in families}), patterns)
    assert found.log_likelihood == pytest.approx(400 * np.log(1e-9) + 41 * np.log(0.5), rel=1e-12)


def test_a_model_rewritten_with_the_file_s_figures_is_the_same_model(small: CompiledModel) -> None:
    families = read_families(small)
    again = rewritten(small.model, families, {f.number: f.file for f in families})
    for before, after in zip(small.model.variables, again.variables, strict=True):
        assert compile_model(again).network.names == small.network.names
        assert before.distribution == after.distribution


def with_figure(model: FaultModel, family: Any, group: int, values: Any) -> FaultModel:
    figures = family.file.copy()
    figures[group] = values
    return rewritten(model, [family], {family.number: figures})


@pytest.mark.parametrize("label_error", [0.0, 0.1])
def test_counts_give_the_slope_of_the_likelihood_with_unseen_machines_and_wrong_labels(
    small: CompiledModel, label_error: float
) -> None:
    # Fisher's identity: N_k - theta_k sum(N) is the slope along each logit of a group.
    tickets = drawn(small, 12, seed=3, unlabelled=0.4)
    share = complaint_share(small)
    patterns = gather(small, tickets)
    families = read_families(small, share)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(small, patterns.codec, families, used, share)
    found = expect(engine.at({f.number: f.file for f in families}), patterns, label_error)
    whole = log_likelihood(small.model, tickets, label_error, share)
    assert found.log_likelihood == pytest.approx(whole, rel=1e-10)
    step = 1e-5
    for family in families:
        if family.number not in found.counts:
            continue
        for group in np.flatnonzero(family.free):
            theta, counts = family.file[group], found.counts[family.number][group]
            for state in np.flatnonzero(theta):
                sides = []
                for sign in (1, -1):
                    moved = theta * np.exp(sign * step * (np.arange(len(theta)) == state))
                    model = with_figure(small.model, family, group, moved / moved.sum())
                    sides.append(log_likelihood(model, tickets, label_error, share))
                slope = (sides[0] - sides[1]) / (2 * step)
                wanted = counts[state] - theta[state] * counts.sum()
                assert slope == pytest.approx(wanted, abs=1e-4), (family.places[group], state)


@pytest.mark.parametrize("label_error", [0.0, 0.1])
def test_frequent_labels_passed_by_themselves_count_the_same(
    lid: CompiledModel, label_error: float
) -> None:
    tickets = drawn(lid, 1500, seed=12, unlabelled=0.3)
    patterns = gather(lid, tickets)
    families = read_families(lid, 0.3)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(lid, patterns.codec, families, used, 0.3)
    parts = with_parts(engine, patterns)
    assert len(parts.parts) >= 5
    assert all(part.sparse.rows < engine.sparse.rows for part in parts.parts.values())
    figures = {f.number: f.file for f in families}
    whole = expect(engine.at(figures), patterns, label_error)
    apart = expect(parts.at(figures), patterns, label_error)
    assert apart.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-12)
    for number, counts in whole.counts.items():
        assert apart.counts[number] == pytest.approx(counts, abs=1e-8)
        assert apart.spoken[number] == pytest.approx(whole.spoken[number], abs=1e-8)
    assert intervals(parts.at(figures), patterns, label_error)[families[0].number][
        0
    ] == pytest.approx(intervals(engine.at(figures), patterns, label_error)[families[0].number][0])


# --- EM


def test_intervals_follow_from_the_scores_of_each_ticket() -> None:
    """Tickets on which everything is told, so that a score is what was seen less its chance: the
    covariance and the slopes are worked out here, the slopes by small steps."""
    cause = root("c", Kind.CAUSE, 0.7, 0.3)
    rows = Row({"c": ("s1",)}, (0.2, 0.8)), Row({}, (0.9, 0.1))
    f = Variable("f", Kind.FINDING, "f", ("no", "yes"), Table(("c",), rows))
    rows = Row({"c": ("s1",)}, (0.2, 0.5, 0.3)), Row({}, (0.6, 0.1, 0.3))
    g = Variable("g", Kind.FINDING, "g", ("x", "y", "z"), Table(("c",), rows))
    compiled = compile_model(make_model([cause, f, g]))
    rng = np.random.default_rng(12)
    seen = np.stack([rng.random(40) < 0.3, rng.integers(2, size=40), rng.integers(3, size=40)])
    tickets = [
        ClosedTicket(n, "2024-01-01", {"f": f.states[b], "g": g.states[d]}, ("c",) if a else ())
        for n, (a, b, d) in enumerate(seen.T.tolist())
    ]
    patterns, families = gather(compiled, tickets), read_families(compiled)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(compiled, patterns.codec, families, used, 1.0)
    figures = {family.number: family.file for family in families}
    names = [compiled.network.names[family.number] for family in families]
    # The figures in a row: (family, group, states but the likeliest).
    free = [
        (place, group, [k for k in range(len(theta)) if k != int(theta.argmax())])
        for place, family in enumerate(families)
        for group, theta in enumerate(family.file)
    ]
    scores = []
    for a, b, d in seen.T.tolist():
        told = {"c": (0, a), "f": (1 - a, b), "g": (1 - a, d)}
        vector = []
        for place, group, states in free:
            in_force, state = told[names[place]]
            theta = families[place].file[group]
            vector += [((state == k) - theta[k]) * (in_force == group) for k in states]
        scores.append(vector)
    told_by_all = np.array(scores).T @ np.array(scores) + 1e-6 * np.eye(len(scores[0]))
    at = 0
    for place, group, states in free:
        theta, worth = families[place].file[group], families[place].prior[group].sum()
        own = theta[states]
        block = slice(at, at + len(states))
        told_by_all[block, block] += worth * (np.diag(own) - np.outer(own, own))
        at += len(states)
    covariance = np.linalg.inv(told_by_all)

    def logits(theta: np.ndarray, states: list[int], step: np.ndarray) -> np.ndarray:
        eta = np.log(theta)
        eta[states] += step
        moved = np.exp(eta) / np.exp(eta).sum()
        return np.log(moved / (1.0 - moved))

    found, at = intervals(engine.at(figures), patterns), 0
    for place, group, states in free:
        theta = families[place].file[group]
        slopes = np.array([
            (logits(theta, states, step) - logits(theta, states, -step)) / 2e-5
            for step in 1e-5 * np.eye(len(states))
        ])  # fmt: skip
        part = covariance[at : at + len(states), at : at + len(states)]
        wide = 1.6448536 * np.sqrt(np.einsum("ik,ij,jk->k", slopes, part, slopes))
        low, high = (bound[group] for bound in found[families[place].number])
        middle = np.log(theta / (1.0 - theta))
        assert low == pytest.approx(1.0 / (1.0 + np.exp(-(middle - wide))), rel=1e-6)
        assert high == pytest.approx(1.0 / (1.0 + np.exp(-(middle + wide))), rel=1e-6)
        at += len(states)


def test_the_log_posterior_never_falls_and_settles(lid: CompiledModel) -> None:
    tickets = drawn(lid, 400, seed=1, unlabelled=0.5)
    for accelerate in (True, False):
        tuned = tune(lid, tickets, label_error=0.05, accelerate=accelerate, max_rounds=500)
        assert tuned.converged
        trace = np.array(tuned.log_posterior)
        assert np.all(np.diff(trace) >= -1e-7 * np.abs(trace[:-1]))
        assert trace[-1] > trace[0] + 1.0


def test_long_steps_reach_the_same_figures_in_fewer_rounds(lid: CompiledModel) -> None:
    tickets = drawn(lid, 300, seed=8, unlabelled=0.5)
    plain = tune(lid, tickets, accelerate=False, max_rounds=5000, tolerance=1e-13)
    fast = tune(lid, tickets, max_rounds=5000, tolerance=1e-13)
    assert fast.rounds < plain.rounds
    assert fast.log_posterior[-1] == pytest.approx(plain.log_posterior[-1], abs=1e-4)
    for one, other in zip(fast.figures, plain.figures, strict=True):
        assert one.after == pytest.approx(other.after, abs=2e-3)


def test_a_fall_of_the_log_posterior_is_an_error_and_not_passed_over(
    lid: CompiledModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    # An M-step that goes the wrong way must be noticed.
    real = em.maximise

    def backwards(families: Any, counts: Any, figures: Any) -> Any:
        return {
            v: f[:, ::-1] * 0.5 + 0.5 / f.shape[1]
            for v, f in real(families, counts, figures).items()
        }

    monkeypatch.setattr(em, "maximise", backwards)
    model = compile_model(replace(lid.model, variables=tuple(dense(lid.model))))
    with pytest.raises(AssertionError, match="log posterior fell"):
        tune(model, drawn(lid, 100, seed=2), accelerate=False)


def dense(model: FaultModel) -> Any:
    """Findings whose zeros are lifted, so that a wrong M-step leaves everything possible."""
    from tests.brute_force import family_table

    for variable in model.variables:
        if variable.kind is Kind.FINDING:
            table = family_table(model, variable) * 0.9 + 0.1 / len(variable.states)
            variable = replace(variable, distribution=Dense(variable.parents, table))
        yield variable


def test_an_interrupt_returns_what_there_is(lid: CompiledModel) -> None:
    tickets = drawn(lid, 200, seed=4, unlabelled=0.5)

    def stop(rounds: int, value: float) -> None:
        if rounds == 3:
            raise KeyboardInterrupt

    tuned = tune(lid, tickets, progress=stop)
    assert not tuned.converged
    assert tuned.rounds == 3
    assert "Stopped after 3 rounds" in tuned.warnings[0]
    assert tuned.figures == tune(lid, tickets, max_rounds=3).figures


def test_equal_tickets_count_as_often_as_they_are_and_order_does_not_matter(
    lid: CompiledModel,
) -> None:
    tickets = drawn(lid, 60, seed=5, missing=0.7)
    once = gather(lid, tickets)
    assert len(once.codes) < 60
    assert once.tickets.sum() == 60
    thrice = gather(lid, tickets * 3)
    assert np.array_equal(thrice.codes, once.codes)
    assert np.array_equal(thrice.weights, 3 * once.weights)
    shuffled = [tickets[k] for k in np.random.default_rng(0).permutation(60)]
    one, other = tune(lid, tickets, max_rounds=9), tune(lid, iter(shuffled), max_rounds=9)
    for a, b in zip(one.figures, other.figures, strict=True):
        assert a.after == pytest.approx(b.after, abs=1e-10)
    # One at a time, with nothing grouped, the counts are the same.
    families = read_families(lid)
    used = np.asarray(once.codes.any(axis=0))
    engine = build_engine(lid, once.codec, families, used, 0.3)
    at = engine.at({f.number: f.file for f in families})
    grouped = expect(at, once)
    single = [expect(at, gather(lid, [ticket])) for ticket in tickets]
    for number, counts in grouped.counts.items():
        apart = sum(found.counts[number] for found in single)
        assert counts == pytest.approx(apart, abs=1e-8)


def test_what_is_certain_in_the_file_stays_and_nothing_else_becomes_zero(
    lid: CompiledModel,
) -> None:
    tuned = tune(lid, drawn(lid, 500, seed=6))
    for name, table in tuned.tables.items():
        number = lid.network.index[name]
        before = lid.network.tables[number]
        assert np.array_equal(table == 0.0, before == 0.0), name
        assert table.sum(axis=-1) == pytest.approx(1.0, abs=1e-12)
    again = compile_model(tuned.model)
    for number, name in enumerate(lid.network.names):
        assert again.network.tables[number] == pytest.approx(tuned.tables[name], abs=1e-12)


def test_figures_on_which_no_ticket_speaks_stay_as_in_the_file(lid: CompiledModel) -> None:
    tickets = [
        replace(t, findings={n: r for n, r in t.findings.items() if n != "supply_volts"})
        for t in drawn(lid, 200, seed=7)
    ]
    tuned = tune(lid, tickets)
    volts = [f for f in tuned.figures if f.place.variable == "supply_volts"]
    assert volts
    for figure in volts:
        assert figure.after == pytest.approx(figure.before, abs=1e-12)
        assert figure.tickets == 0.0
    assert any("No ticket records supply_volts" in said for said in tuned.warnings)


def test_every_form_of_figure_is_named_with_its_place(small: CompiledModel) -> None:
    tuned = tune(small, drawn(small, 60, seed=9), max_rounds=3)
    kinds = {f.place.kind for f in tuned.figures}
    assert kinds == {"chance", "leak", "link", "row", "sensitivity", "specificity"}
    for figure in tuned.figures:
        told = small.model.by_name[figure.place.variable].distribution
        if figure.place.kind == "link":
            assert isinstance(told, NoisyMax)
            assert figure.place.parent is not None
            assert figure.place.state is not None
            link = told.links[figure.place.parent][figure.place.state]
            assert figure.before == pytest.approx(link.gives)
        if figure.place.kind == "sensitivity":
            assert isinstance(told, SimpleTest)
            assert figure.before[1] == told.sensitivity
        assert all(
            a <= b <= c for a, b, c in zip(figure.low, figure.after, figure.high, strict=True)
        )


def test_everyday_commands_do_not_load_learning_and_learning_no_heavy_library() -> None:
    import subprocess
    import sys

    code = (
        "import sys, faultfinder.learning.em.estimates, faultfinder.learning.watch.drift, "
        "faultfinder.learning.watch.unlikely; "
        "heavy = {'scipy', 'pgmpy', 'pandas', 'matplotlib'} & set(sys.modules); "
        "sys.exit(str(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parents[1], check=False)
    assert done.returncode == 0
