"""Impossible evidence is named by a smallest set; surprising evidence by its probability."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, assume, given, settings

from faultfinder.consultation.surprises import SURPRISING
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference import contradiction as search
from faultfinder.inference.compiled import compile_model
from faultfinder.model.parts import Kind, Link, NoisyMax, Row, Table, Variable
from tests.consulted import look_at
from tests.networks import Case, cases, make_model, root

often = settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))


@given(cases(possible=False))
@often
def test_refused_exactly_when_impossible_and_the_set_is_smallest(case: Case) -> None:
    assume(case.joint.probability(case.always) > 0.0)
    if case.joint.probability(case.evidence) > 0.0:
        look_at(case.compiled, case.findings)
        return
    with pytest.raises(ImpossibleEvidence) as refused:
        look_at(case.compiled, case.findings)
    named = dict(refused.value.contradiction)
    assert len(named) == len(refused.value.contradiction)
    assert named.items() <= case.findings.items()
    smallest = case.joint.smallest_contradictions(case.findings, case.always)
    assert frozenset(named) in smallest
    for name, state in named.items():
        assert f"{name}={state}" in str(refused.value)


@given(cases(possible=False))
@settings(often, max_examples=60)
def test_the_same_set_when_judged_in_small_portions(case: Case) -> None:
    assume(case.joint.probability(case.always) > 0.0)
    assume(case.joint.probability(case.evidence) == 0.0)
    found = []
    for chunk in (1, 3, 512):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(search, "CHUNK", chunk)
            with pytest.raises(ImpossibleEvidence) as refused:
                look_at(case.compiled, case.findings)
        found.append(refused.value.contradiction)
    assert found[0] == found[1] == found[2]


@given(cases())
@often
def test_a_warning_for_each_finding_the_rest_makes_unlikely(case: Case) -> None:
    diagnosis = look_at(case.compiled, case.findings)
    odd = []
    for name, state in case.findings.items():
        rest = {other: s for other, s in case.evidence.items() if other != name}
        fit = case.joint.probability(case.evidence) / case.joint.probability(rest)
        if abs(fit - SURPRISING) < 1e-9:
            return
        if fit < SURPRISING:
            odd.append((fit, f"{name}={state}"))
    if len(case.findings) < 2:
        assert diagnosis.warnings == ()
        return
    assert len(diagnosis.warnings) == len(odd)
    for fit, said in odd:
        (sentence,) = [warning for warning in diagnosis.warnings if f" {said} " in warning]
        share = f"{fit:.1%}" if fit >= 0.0005 else f"{fit:.1e}"
        assert share in sentence


def two_lamps() -> list[Variable]:
    """Two sure lamps over one cause, a third over another, and a noisy finding."""
    sure, dark = Link((1.0, 0.0)), Link((0.0, 1.0))
    causes = [root("first", Kind.CAUSE, 0.9, 0.1), root("second", Kind.CAUSE, 0.8, 0.2)]

    def lamp(name: str, *parents: str) -> Variable:
        links = {parent: {"s1": dark} for parent in parents}
        return Variable(name, Kind.FINDING, name, ("lit", "dark"), NoisyMax(parents, sure, links))

    noisy = Table(("first",), (Row({"first": ("s1",)}, (0.5, 0.5)), Row({}, (0.9, 0.1))))
    return [
        *causes,
        lamp("left", "first"),
        lamp("right", "second"),
        lamp("both", "first", "second"),
        lamp("twin", "first"),
        Variable("noise", Kind.FINDING, "noise", ("no", "yes"), noisy),
    ]


def test_three_findings_that_only_together_cannot_be() -> None:
    compiled = compile_model(make_model(two_lamps()))
    known = {"noise": "yes", "both": "dark", "left": "lit", "right": "lit"}
    with pytest.raises(ImpossibleEvidence) as refused:
        look_at(compiled, known)
    assert set(refused.value.contradiction) == {("both", "dark"), ("left", "lit"), ("right", "lit")}
    assert "noise" not in str(refused.value)


def test_the_smaller_of_two_contradictions_is_named() -> None:
    """Taking findings away one at a time from the front would end at the set of three."""
    compiled = compile_model(make_model(two_lamps()))
    known = {"twin": "dark", "left": "lit", "right": "lit", "both": "dark"}
    with pytest.raises(ImpossibleEvidence) as refused:
        look_at(compiled, known)
    assert set(refused.value.contradiction) == {("twin", "dark"), ("left", "lit")}


def test_one_finding_that_cannot_be_at_all() -> None:
    cause = root("cause", Kind.CAUSE, 0.9, 0.1)
    rows = Table(("cause",), (Row({}, (1.0, 0.0)),))
    never = Variable("never", Kind.FINDING, "never", ("no", "yes"), rows)
    compiled = compile_model(make_model([cause, never]))
    with pytest.raises(ImpossibleEvidence, match="holds never=yes to be impossible"):
        look_at(compiled, {"never": "yes", "cause": "s1"})


def test_the_complaint_is_never_called_the_odd_one_out() -> None:
    """All causes known absent, and the machine is here all the same: the causes are named."""
    sure, there = Link((1.0, 0.0)), Link((0.0, 1.0))
    causes = [root("first", Kind.CAUSE, 0.9, 0.1), root("second", Kind.CAUSE, 0.8, 0.2)]
    links = {"first": {"s1": there}, "second": {"s1": there}}
    complaint = Variable(
        "complaint", Kind.COMPLAINT, "complaint", ("no", "yes"), NoisyMax(tuple(links), sure, links)
    )
    compiled = compile_model(make_model([*causes, complaint], {"look": ("first",)}, "complaint"))
    with pytest.raises(ImpossibleEvidence) as refused:
        look_at(compiled, {"first": "s0", "second": "s0"})
    assert set(refused.value.contradiction) == {("first", "s0"), ("second", "s0")}
