"""Gains in bits against counting every joint state, on random small models."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import faultfinder
from faultfinder.errors import TargetTooLarge
from faultfinder.inference import compiled as compiling
from faultfinder.inference import information as gains
from faultfinder.inference.compiled import compile_model, readout
from faultfinder.inference.posterior import beliefs, evidence_from
from faultfinder.inference.target import TargetSpec, resolve_target
from faultfinder.inference.tree import JunctionTree
from faultfinder.model.parts import Kind, Link, NoisyMax, Row, Table, Variable
from faultfinder.model.reading.reader import parse_model
from faultfinder.report.consultation.short import screens
from faultfinder.report.consultation.text import next_page
from faultfinder.report.consultation.view import View
from tests.brute_force import Joint, Labels, entropy, mutual_information
from tests.consulted import look_at
from tests.networks import Case, cases, make_model, root, to_pgmpy

CLOSE = 1e-9
often = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))


@st.composite
def targets(draw: st.DrawFn, case: Case) -> TargetSpec:
    """All causes, some of them, a partition of some, or the sum of single causes."""
    causes = draw(st.permutations(case.causes))
    form = draw(st.sampled_from(["all", "some", "blocks", "sum"]))
    if form == "all":
        return "causes"
    if form == "sum":
        return "sum-of-single-causes"
    chosen = causes[: draw(st.integers(1, len(causes)))]
    if form == "some":
        return list(chosen)
    blocks: list[list[str]] = []
    for cause in chosen:
        place = draw(st.integers(0, len(blocks)))
        if place == len(blocks):
            blocks.append([cause])
        else:
            blocks[place].append(cause)
    return blocks


def target_labels(case: Case, target: TargetSpec) -> list[Labels]:
    """The target as numbers per joint state; several when single gains are summed."""
    if target == "causes":
        return [case.joint.joint_labels(case.causes)]
    if target == "sum-of-single-causes":
        return [case.joint.joint_labels([cause]) for cause in case.causes]
    assert not isinstance(target, str)
    if all(isinstance(item, str) for item in target):
        return [case.joint.joint_labels([str(item) for item in target])]
    faulty = case.model.faulty_states
    return [case.joint.block_labels([[(name, faulty(name)) for name in block] for block in target])]


def exact_gain(
    joint: Joint, labels: Sequence[Labels], open_names: Sequence[str], known: Mapping[str, str]
) -> float:
    results = joint.joint_labels(open_names)
    return sum(mutual_information(joint.contingency(target, results, known)) for target in labels)


def hold_gains_against_count(case: Case, target: TargetSpec) -> None:
    """Gains, outcome probabilities and bounds of every open check, for one target."""
    diagnosis = look_at(case.compiled, case.findings, target)
    labels = target_labels(case, target)
    known = case.evidence
    wanted = {
        check.name: [name for name in check.observes if name not in known]
        for check in case.model.checks
    }
    assert {check.check for check in diagnosis.most_telling} == {
        n for n, left in wanted.items() if left
    }
    everything = np.zeros(case.joint.table.size, dtype=np.intp)
    for check in diagnosis.most_telling:
        left = wanted[check.check]
        shares = list(check.outcomes.values())
        assert shares == pytest.approx(case.joint.outcomes(left, known), abs=CLOSE)
        assert sum(shares) == pytest.approx(1.0, abs=CLOSE)
        assert check.gain_bits == pytest.approx(
            exact_gain(case.joint, labels, left, known), abs=CLOSE
        )
        bound = sum(
            min(entropy(case.joint.contingency(everything, part, known)), entropy(shares))
            for part in labels
        )
        assert 0.0 <= check.gain_bits <= bound + CLOSE
        assert check.minutes == 1.0
        assert check.gain_per_cost == pytest.approx(check.gain_bits / check.cost)
    order = [check.gain_per_cost for check in diagnosis.most_telling]
    assert order == sorted(order, reverse=True)


@given(cases(), st.data())
@settings(often, max_examples=250)
def test_gains_are_as_counted(case: Case, data: st.DataObject) -> None:
    hold_gains_against_count(case, data.draw(targets(case)))


@given(cases(), st.data())
@settings(often, max_examples=60)
def test_what_could_not_be_told_is_no_longer_counted_on(case: Case, data: st.DataObject) -> None:
    """A check of several findings keeps the gain of those that are left, and only that."""
    askable = [
        v.name
        for v in case.model.variables
        if v.kind in (Kind.FINDING, Kind.CAUSE, Kind.HISTORY) and v.name not in case.findings
    ]
    unclear = data.draw(st.lists(st.sampled_from(askable), unique=True)) if askable else []
    diagnosis = look_at(case.compiled, {**case.findings, **dict.fromkeys(unclear)})
    closed = {*case.evidence, *unclear}
    left = {
        check.name: [name for name in check.observes if name not in closed]
        for check in case.model.checks
    }
    assert {check.check for check in diagnosis.most_telling} == {
        n for n, what in left.items() if what
    }
    labels = [case.joint.joint_labels(case.causes)]
    for check in diagnosis.most_telling:
        what = left[check.check]
        shares = case.joint.outcomes(what, case.evidence)
        assert list(check.outcomes.values()) == pytest.approx(shares, abs=CLOSE)
        exact = exact_gain(case.joint, labels, what, case.evidence)
        assert check.gain_bits == pytest.approx(exact, abs=CLOSE)


@given(cases(), st.data())
@settings(often, max_examples=40)
def test_gains_with_hidden_nodes_known(case: Case, data: st.DataObject) -> None:
    """Through pgmpy, with anything known: causes, hidden nodes, findings below findings."""
    names = list(case.joint.names)
    chosen = data.draw(st.lists(st.sampled_from(names), max_size=4, unique=True))
    flat = case.joint.table.reshape(-1)
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    where = np.unravel_index(
        int(rng.choice(flat.size, p=flat / flat.sum())), case.joint.table.shape
    )
    known = {name: case.joint.states[name][int(where[case.joint.axis(name)])] for name in chosen}
    checks: dict[str, str | list[str]] = {name: name for name in names}
    if len(names) > 2:
        group = st.lists(st.sampled_from(names), min_size=2, max_size=3, unique=True)
        checks["group"] = data.draw(group)
    engine = faultfinder.from_pgmpy(
        to_pgmpy(case), {cause: case.joint.states[cause][1:] for cause in case.causes}, checks
    )
    again = Case(engine.model, engine, case.joint, known)
    hold_gains_against_count(again, data.draw(targets(again)))


@given(cases(), st.integers(1, 40), st.data())
@settings(often, max_examples=80)
def test_gains_when_families_do_not_fit_the_tree(
    case: Case, budget: int, data: st.DataObject
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiling, "TREE_BUDGET", budget)
        small = replace(case, compiled=compile_model(case.model))
        hold_gains_against_count(small, data.draw(targets(case)))


@contextmanager
def limits(**values: int) -> Iterator[None]:
    """The engine's limits, changed for a while."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in values.items():
            patch.setattr(gains, name, value)
        yield


@given(cases(), st.data())
@settings(often, max_examples=120)
def test_all_ways_to_a_gain_agree(case: Case, data: st.DataObject) -> None:
    """One pass, a column per target state (whole and in pieces), and elimination."""
    spec = data.draw(targets(case).filter(lambda s: s != "sum-of-single-causes"))
    target = resolve_target(case.compiled, spec)
    evidence = evidence_from(case.compiled, case.findings)
    calibrated = beliefs(target.compiled, evidence)
    names = [check.name for check in case.model.checks]
    # The target without what follows from it: no check can then be read in one pass alone.
    bare = replace(target, closed=frozenset(target.variables))
    usual = gains.information(target, evidence, calibrated, names)
    answers = {"usual": usual}
    with limits(COLUMNS_PREFERRED=1 << 40):
        answers["columns"] = gains.information(bare, evidence, calibrated, names)
    with limits(COLUMNS_PREFERRED=1 << 40, COLUMN_ENTRIES=1):
        answers["columns, one at a time"] = gains.information(bare, evidence, calibrated, names)
    with limits(COLUMNS_PREFERRED=0):
        answers["elimination"] = gains.information(bare, evidence, calibrated, names)
        answers["elimination, usual target"] = gains.information(
            target, evidence, calibrated, names
        )
    for way, found in answers.items():
        assert set(found) == set(usual)
        for check, told in found.items():
            assert told.findings == usual[check].findings
            assert told.gain_bits == pytest.approx(usual[check].gain_bits, abs=CLOSE), way
            assert told.outcomes == pytest.approx(usual[check].outcomes, abs=CLOSE), way
    # Each check straight by each way that can answer it.
    for check, told in usual.items():
        for held in (True, False):
            with pytest.MonkeyPatch.context() as patch:
                if not held:
                    patch.setattr(JunctionTree, "home", lambda *_: None)
                plain = gains._by_elimination(
                    target.compiled, target.closed, evidence, check, told.findings, calibrated
                )
            assert plain.gain_bits == pytest.approx(told.gain_bits, abs=CLOSE)
            assert plain.outcomes == pytest.approx(told.outcomes, abs=CLOSE)
        way_in = readout(target.compiled, told.findings)
        if way_in is not None and calibrated.tree.home(way_in.scope) is not None:
            columns = gains._by_columns(
                target.compiled, target.variables, evidence, [(check, way_in)]
            )
            assert columns[check] == pytest.approx(told.gain_bits, abs=CLOSE)


@given(cases(), st.data())
@settings(often, max_examples=80)
def test_gains_with_uncertain_evidence(case: Case, data: st.DataObject) -> None:
    """Likelihoods instead of sure results, on any variable, by all ways."""
    spec = data.draw(targets(case))
    target = resolve_target(case.compiled, spec)
    network = case.compiled.network
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    numbers = data.draw(
        st.lists(st.sampled_from(range(network.own)), min_size=1, max_size=3, unique=True)
    )
    soft = {number: rng.uniform(0.05, 1.0, network.cards[number]) for number in numbers}
    weights = case.joint.weights(case.evidence)
    for number, vector in soft.items():
        view = [1] * weights.ndim
        view[number] = -1
        weights = weights * vector.reshape(view)
    weighted = replace(case.joint, table=weights / weights.sum())
    evidence = evidence_from(case.compiled, case.findings).with_columns(soft)
    calibrated = beliefs(target.compiled, evidence)
    names = [check.name for check in case.model.checks]
    labels = target_labels(case, spec)
    for preferred in (0, 1 << 40):
        with limits(COLUMNS_PREFERRED=preferred):
            found = gains.information(target, evidence, calibrated, names)
        for told in found.values():
            left = [network.names[number] for number in told.findings]
            exact = exact_gain(weighted, labels, left, {})
            assert told.gain_bits == pytest.approx(exact, abs=CLOSE)
            assert told.outcomes == pytest.approx(weighted.outcomes(left, {}), abs=CLOSE)


@given(cases(), st.data())
@settings(often, max_examples=60)
def test_a_refused_elimination_falls_back_on_columns(case: Case, data: st.DataObject) -> None:
    """With no room for elimination, every check that can be read still gets its exact gain."""
    spec = data.draw(targets(case).filter(lambda s: s != "sum-of-single-causes"))
    target = resolve_target(case.compiled, spec)
    evidence = evidence_from(case.compiled, case.findings)
    calibrated = beliefs(target.compiled, evidence)
    for check in case.model.checks:
        usual = gains.information(target, evidence, calibrated, [check.name])
        with limits(COLUMNS_PREFERRED=0, WORK_LIMIT=0):
            findings = gains.open_findings(target.compiled, check.name, evidence)
            if findings and readout(target.compiled, findings) is None:
                with pytest.raises(TargetTooLarge, match=check.name):
                    gains.information(target, evidence, calibrated, [check.name])
                continue
            tight = gains.information(target, evidence, calibrated, [check.name])
        assert set(tight) == set(usual)
        for name, told in tight.items():
            assert told.gain_bits == pytest.approx(usual[name].gain_bits, abs=CLOSE)


@given(cases())
@settings(often, max_examples=60)
def test_the_mean_posterior_entropy_is_what_a_gain_takes_away(case: Case) -> None:
    """I(C;T|e) = H(C|e) - sum_t P(t|e) H(C|t,e): by asking the engine again per result."""
    cause = case.causes[0]
    now = look_at(case.compiled, case.findings, [cause])
    before = entropy(list(now.cause_states[cause].values()))
    for check in now.most_telling:
        observes = case.model.checks_by_name[check.check].observes
        left = [name for name in observes if name not in case.findings]
        kinds = {case.model.by_name[name].kind for name in left}
        if len(left) != 1 or kinds & {Kind.CONDITION, Kind.COMPLAINT}:
            continue
        after = 0.0
        for result, share in check.outcomes.items():
            if share > 0.0:
                told = look_at(case.compiled, {**case.findings, left[0]: result})
                after += share * entropy(list(told.cause_states[cause].values()))
        assert check.gain_bits == pytest.approx(before - after, abs=1e-8)


def many_causes(count: int) -> tuple[list[Variable], list[float], list[float]]:
    """Binary causes with priors, and one noisy-OR finding over all of them, without leak."""
    rng = np.random.default_rng(count)
    priors = rng.uniform(0.02, 0.2, count).tolist()
    strengths = rng.uniform(0.3, 0.95, count).tolist()
    causes = [root(f"cause{i}", Kind.CAUSE, 1 - p, p) for i, p in enumerate(priors)]
    links = {f"cause{i}": {"s1": Link((1 - q, q))} for i, q in enumerate(strengths)}
    names = tuple(links)
    finding = Variable(
        "light", Kind.FINDING, "", ("on", "off"), NoisyMax(names, Link((1.0, 0.0)), links)
    )
    own = [
        Variable(
            f"own{i}",
            Kind.FINDING,
            "",
            ("no", "yes"),
            Table(
                (f"cause{i}",),
                (
                    Row({f"cause{i}": ("s1",)}, (0.2, 0.8)),
                    Row({}, (0.9, 0.1)),
                ),
            ),
        )
        for i in range(count)
    ]
    return [*causes, finding, *own], priors, strengths


def test_a_gain_too_large_is_said_and_the_other_checks_keep_theirs() -> None:
    variables, _, _ = many_causes(26)
    told = look_at(compile_model(make_model(variables)), {})
    assert told.too_large == ("light",)
    names = {check.check for check in told.most_telling}
    assert names == {check.name for check in told.case.model.model.checks} - {"light"}
    with pytest.raises(TargetTooLarge) as refused:
        told.ranked("light")
    assert refused.value.check == "light"
    assert refused.value.states == 2**26
    assert f"{2**26:,} joint states" in str(refused.value)
    assert 'target="sum-of-single-causes"' in str(refused.value)


def test_causes_named_as_a_target_that_are_too_many_are_refused() -> None:
    variables, _, _ = many_causes(26)
    compiled = compile_model(make_model(variables))
    some = [variable.name for variable in variables if variable.kind is Kind.CAUSE][:25]
    with pytest.raises(TargetTooLarge):
        assert look_at(compiled, {}, some).most_telling


MANY = 26


def _with_repairs() -> str:
    """An invented model in which one look depends on all causes at once."""
    causes = "".join(
        f"  c{n}: {{title: Cause {n}, states: [fine, bad], chance: {{bad: 0.02}}}}\n"
        for n in range(MANY)
    )
    links = ", ".join(f"c{n}: {{bad: {{on: 0.7}}}}" for n in range(MANY))
    repairs = "".join(
        f"  mend{n}:\n    title: Mend {n}\n    mends: {{c{n}: {{bad: 0.95}}}}\n    stage: closed\n"
        f"    minutes: 20\n    part: {{low: {10 + n}, likely: {20 + n}, high: {30 + n}}}\n"
        "    proof: [looks]\n"
        for n in range(MANY)
    )
    return f"""\
faultfinder_model: 1
name: many
title: Invented model with a look at all causes
start: closed
complaint:
  name: dark
  title: Dark
  any_of: [{", ".join(f"c{n}" for n in range(MANY))}]
  retest: {{minutes: 3, missed: 0.02}}
causes:
{causes}findings:
  light:
    title: Light
    states: [off, on]
    noisy_max: {{leak: {{on: 0.01}}, links: {{{links}}}}}
  own:
    title: Own
    states: [negative, positive]
    test: {{of: c0, sensitivity: 0.9, specificity: 0.95}}
stages:
  closed: {{title: Closed, powered: yes}}
checks:
  look_light: {{title: Look, observes: [light], minutes: 1, stage: closed}}
  look_own: {{title: Own, observes: [own], minutes: 2, stage: closed}}
proofs:
  looks: {{title: It looks right, how: [look], passes: good, minutes: 2}}
repairs:
{repairs}"""


def test_a_gain_too_large_never_keeps_the_next_step_from_being_told() -> None:
    compiled = compile_model(parse_model(_with_repairs(), "many.yaml"))
    for known in ({}, {"own": "negative"}, {"light": "on"}):
        told = look_at(compiled, known)
        assert told.next_step is not None
        assert {one.check for one in told.order} == {
            check.name for check in compiled.model.checks if not set(check.observes) & known.keys()
        }
        left = () if "light" in known else ("look_light",)
        assert told.too_large == left
        assert list(told.as_plain()["too_large"]) == list(left)
        for page in ("\n".join(screens(View(told))), next_page(View(told))):
            assert ("Too large to compute exactly" in page) == bool(left)


def test_what_is_refused_at_once_can_be_had_as_a_sum_or_for_fewer_causes() -> None:
    """A noisy-OR over 26 independent causes: P(on | some causes) is a product of numbers."""
    count = 26
    variables, priors, strengths = many_causes(count)
    compiled = compile_model(make_model(variables))

    def gain(chosen: Sequence[int]) -> float:
        rest = math.prod(
            1 - p * q
            for i, (p, q) in enumerate(zip(priors, strengths, strict=True))
            if i not in chosen
        )
        bits, on_at_all = 0.0, 0.0
        for state in range(2 ** len(chosen)):
            present = [i for place, i in enumerate(chosen) if state >> place & 1]
            weight = math.prod(priors[i] if i in present else 1 - priors[i] for i in chosen)
            on = rest * math.prod(1 - strengths[i] for i in present)
            bits -= weight * entropy([on, 1 - on])
            on_at_all += weight * on
        return bits + entropy([on_at_all, 1 - on_at_all])

    single = look_at(compiled, {}, "sum-of-single-causes")
    found = {check.check: check.gain_bits for check in single.most_telling}
    assert found["light"] == pytest.approx(sum(gain([i]) for i in range(count)), abs=CLOSE)
    assert "sum" in single.aim.title
    # Twelve binary causes have 4,096 joint states: always answered.
    chosen = list(range(3, 15))
    some = look_at(compiled, {}, [f"cause{i}" for i in chosen])
    found = {check.check: check.gain_bits for check in some.most_telling}
    assert found["light"] == pytest.approx(gain(chosen), abs=CLOSE)
    assert found["own20"] == pytest.approx(0.0, abs=CLOSE)


def test_a_large_target_is_exact_where_the_structure_allows_it() -> None:
    """2**60 joint states, but each finding reads one cause: no refusal, the gains as by hand."""
    variables, priors, _ = many_causes(60)
    few = [v for v in variables if v.name != "light"]
    diagnosis = look_at(compile_model(make_model(few)), {"own3": "yes"})
    assert {check.check for check in diagnosis.most_telling} == {
        f"own{i}" for i in range(60) if i != 3
    }
    for check in diagnosis.most_telling:
        p = priors[int(check.check.removeprefix("own"))]
        yes = 0.8 * p + 0.1 * (1 - p)
        exact = entropy([yes, 1 - yes]) - p * entropy([0.8, 0.2]) - (1 - p) * entropy([0.9, 0.1])
        assert check.gain_bits == pytest.approx(exact, abs=CLOSE)


def test_a_check_that_costs_nothing_goes_first_only_if_it_tells_something() -> None:
    cause = root("cause", Kind.CAUSE, 0.7, 0.3)
    rows = (Row({"cause": ("s1",)}, (0.1, 0.9)), Row({}, (0.8, 0.2)))
    dull = Table(("cause",), (Row({}, (0.5, 0.5)),))
    findings = [
        Variable(name, Kind.FINDING, name, ("no", "yes"), table)
        for name, table in {
            "free": Table(("cause",), rows),
            "dear": Table(("cause",), rows),
            "idle": dull,
        }.items()
    ]
    model = make_model([cause, *findings])
    model = replace(
        model,
        checks=tuple(
            replace(check, minutes=0.0 if check.name != "dear" else 10.0) for check in model.checks
        ),
    )
    diagnosis = look_at(compile_model(model), {})
    assert [check.check for check in diagnosis.most_telling] == ["free", "dear", "idle"]
    assert diagnosis.most_telling[-1].gain_per_cost == 0.0
    assert math.isinf(diagnosis.most_telling[0].gain_per_cost)
