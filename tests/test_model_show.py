"""`faultfinder model show`: what a model's checks tell apart, and how well."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder.assess import isolation as walk
from faultfinder.assess.isolation import isolate, lay_out
from faultfinder.assess.single_faults import Fault, signatures
from faultfinder.assess.testability import assess, partition
from faultfinder.decide.shop import Shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Kind, Link, NoisyMax, SimpleTest, Variable
from faultfinder.report.model.dot import model_dot
from faultfinder.report.model.page import model_html
from tests.brute_force import joint_of_model
from tests.chromium import POLICY, check_look, measured, policy_of
from tests.conftest import Run
from tests.consulted import look_at
from tests.networks import Case, cases, make_model, root
from tests.small_shop import small_shop

SURE, NEVER = Link((0.0, 1.0)), Link((1.0, 0.0))


def condition(name: str, *causes: str, three: frozenset[str] = frozenset()) -> Variable:
    """Abnormal when any of its causes is present; those in `three` have three states."""
    links = {c: {"s1": SURE, "s2": SURE} if c in three else {"s1": SURE} for c in causes}
    return Variable(name, Kind.CONDITION, name, ("s0", "s1"), NoisyMax(causes, NEVER, links))


def finding(name: str, of: str, sensitivity: float = 0.9, specificity: float = 0.8) -> Variable:
    test = SimpleTest(of, ("s1",), sensitivity, specificity)
    return Variable(name, Kind.FINDING, name, ("s0", "s1"), test)


def complaint(*causes: str, three: frozenset[str] = frozenset()) -> Variable:
    return replace(condition("complaint", *causes, three=three), kind=Kind.COMPLAINT)


def twins(*more: Variable) -> CompiledModel:
    """Causes a and b work over the same condition only; c is seen by itself."""
    variables = (
        root("a", Kind.CAUSE, 0.9, 0.1),
        root("b", Kind.CAUSE, 0.8, 0.2),
        root("c", Kind.CAUSE, 0.95, 0.05),
        condition("shared", "a", "b"),
        complaint("a", "b", "c"),
        finding("seen", "shared"),
        finding("alone", "c"),
    )
    return compile_model(make_model((*variables, *more), complaint="complaint"))


def test_causes_that_show_the_same_are_one_group_until_a_check_parts_them() -> None:
    found = assess(twins(), isolating=False)
    (group,) = found.groups
    assert group.causes == ("a", "b")
    assert group.check == ""
    assert group.distance == 0.0
    # Exactly one fault: 0.1*0.8*0.95, 0.9*0.2*0.95 and 0.9*0.8*0.05, over their sum.
    odd = np.array([0.1 * 0.8 * 0.95, 0.9 * 0.2 * 0.95, 0.9 * 0.8 * 0.05])
    assert found.share == pytest.approx((odd / odd.sum()).tolist(), abs=1e-12)
    assert found.isolated_fraction(1) == pytest.approx(odd[2] / odd.sum())
    assert found.isolated_fraction(2) == pytest.approx(1.0)
    parted = assess(twins(finding("only_a", "a", 0.7, 0.95)), isolating=False)
    assert parted.groups == ()
    pair = next(p for p in parted.pairs if {p.fault.cause, p.other.cause} == {"a", "b"})
    assert pair.check == "only_a"
    assert pair.distance == pytest.approx(0.7 - 0.05)


def test_a_weak_check_counts_only_above_the_tolerance() -> None:
    compiled = twins(finding("hardly", "a", 0.53, 0.5))
    assert assess(compiled, isolating=False).groups == ()
    (group,) = assess(compiled, tolerance=0.05, isolating=False).groups
    assert (group.check, group.distance) == ("hardly", pytest.approx(0.03))


def test_a_question_can_part_what_no_check_at_the_bench_does() -> None:
    history = root("dropped", Kind.HISTORY, 0.7, 0.3)
    a = Variable(
        "a",
        Kind.CAUSE,
        "a",
        ("s0", "s1"),
        NoisyMax(("dropped",), Link((0.99, 0.01)), {"dropped": {"s1": Link((0.5, 0.5))}}),
    )
    model = make_model(
        (
            history,
            a,
            root("b", Kind.CAUSE, 0.8, 0.2),
            complaint("a", "b"),
            finding("seen", "complaint"),
        ),
        {"ask": ("dropped",), "seen": ("seen",)},
        complaint="complaint",
    )
    found = assess(compile_model(model), isolating=False)
    (group,) = found.groups
    assert group.question == "ask"
    joint = joint_of_model(model)
    asked = [
        joint.posterior("dropped", {"a": x, "b": y, "complaint": "s1"})["s1"]
        for x, y in (("s1", "s0"), ("s0", "s1"))
    ]
    assert group.asked == pytest.approx(abs(asked[0] - asked[1]), abs=1e-12)
    assert found.groups_asked == ()


def test_what_no_check_speaks_on_and_what_nobody_complains_of_is_named() -> None:
    model = make_model(
        (
            root("heard", Kind.CAUSE, 0.9, 0.1),
            root("unheard", Kind.CAUSE, 0.9, 0.1),
            root("quiet", Kind.CAUSE, 0.9, 0.1),
            complaint("heard", "unheard"),
            finding("seen", "heard"),
        ),
        complaint="complaint",
    )
    found = assess(compile_model(model), isolating=False)
    assert found.unseen == (Fault("unheard", "s1"),)
    assert found.silent == (Fault("quiet", "s1"),)
    assert dict(found.speaks["seen"]) == {"heard": pytest.approx(0.9 - 0.2)}


def test_a_model_whose_faults_never_bring_the_complaint_about_is_refused() -> None:
    both = Variable(
        "complaint",
        Kind.COMPLAINT,
        "complaint",
        ("s0", "s1"),
        NoisyMax(("a",), NEVER, {"a": {"s1": NEVER}}),
    )
    model = make_model(
        (root("a", Kind.CAUSE, 0.9, 0.1), both, finding("seen", "a")), complaint="complaint"
    )
    with pytest.raises(FaultfinderError, match="on its own"):
        assess(compile_model(model))


@given(cases())
@settings(max_examples=60, deadline=None)
def test_signatures_are_those_of_the_whole_joint_distribution(case: Case) -> None:
    always = case.always
    normal = {v.name: v.states[0] for v in case.model.of_kind(Kind.CAUSE)}
    listed = [
        Fault(v.name, state) for v in case.model.of_kind(Kind.CAUSE) for state in v.states[1:]
    ]
    chance = {f: case.joint.probability({**normal, f.cause: f.state, **always}) for f in listed}
    sound = case.joint.probability(normal)
    if not any(chance.values()) or sound == 0.0:
        return
    found = signatures(case.compiled)
    assert set(found.faults) == {fault for fault, p in chance.items() if p > 0.0}
    total = sum(chance.values())
    for place, fault in enumerate(found.faults):
        assert found.share[place] == pytest.approx(chance[fault] / total, abs=1e-9)
        for check in case.model.checks:
            exact = case.joint.outcomes(
                check.observes, {**normal, fault.cause: fault.state, **always}
            )
            assert found.shows[check.name][:, place].tolist() == pytest.approx(exact, abs=1e-9)
    for check in case.model.checks:
        exact = case.joint.outcomes(check.observes, normal)
        assert found.normal[check.name].tolist() == pytest.approx(exact, abs=1e-9)


@given(
    st.integers(1, 9).flatmap(
        lambda n: st.lists(st.floats(0, 1), min_size=n * n, max_size=n * n).map(
            lambda values: np.array(values).reshape(n, n)
        )
    ),
    st.floats(0, 1),
)
@settings(max_examples=150, deadline=None)
def test_no_two_in_a_group_are_farther_apart_than_the_tolerance(
    drawn: np.ndarray, tolerance: float
) -> None:
    distances = np.maximum(drawn, drawn.T)
    np.fill_diagonal(distances, 0.0)
    parts = partition(distances, tolerance)
    assert sorted(place for part in parts for place in part) == list(range(len(distances)))
    for part in parts:
        assert distances[np.ix_(part, part)].max() <= tolerance
    # Nor could two whole groups be joined.
    for first in range(len(parts)):
        for second in range(first):
            assert distances[np.ix_(parts[first], parts[second])].max() > tolerance


# --- isolation


def two_causes() -> CompiledModel:
    """Small enough that pairs are all there is, so that diagnose and the walk weigh the same."""
    return compile_model(
        make_model(
            (
                root("a", Kind.CAUSE, 0.8, 0.15, 0.05),
                root("b", Kind.CAUSE, 0.7, 0.3),
                complaint("a", "b", three=frozenset("a")),
                finding("one", "a", 0.8, 0.7),
                finding("two", "b", 0.75, 0.9),
                finding("three", "a", 0.6, 0.95),
            ),
            complaint="complaint",
        )
    )


def by_diagnosis(
    compiled: CompiledModel, alone: Mapping[str, str], seen: Mapping[str, str], shop: Shop
) -> tuple[float, float]:
    """(share in which the true cause leads, expected minutes) by `diagnose` and the oracle."""
    told = look_at(compiled, seen, shop=shop)
    if told.next is None:
        (true,) = [name for name, state in alone.items() if state != "s0"]
        return float(next(iter(told.causes)) == true), 0.0
    check = compiled.model.checks_by_name[told.next.check]
    (name,) = check.observes
    shares = joint_of_model(compiled.model).posterior(name, {**alone, **seen, "complaint": "s1"})
    leads, minutes = 0.0, check.minutes
    for state, share in shares.items():
        if share > 0.0:
            below = by_diagnosis(compiled, alone, {**seen, name: state}, shop)
            leads += share * below[0]
            minutes += share * below[1]
    return leads, minutes


def test_isolation_is_what_following_the_diagnosis_gives() -> None:
    compiled, shop = two_causes(), Shop(worth_per_bit=20.0)
    found = isolate(compiled, shop, tickets=10, seed=1)
    assert found.tickets == 0
    joint = joint_of_model(compiled.model)
    for item in found.causes:
        other = "b" if item.cause == "a" else "a"
        states = compiled.model.faulty_states(item.cause)
        weights = [joint.probability({item.cause: state, other: "s0"}) for state in states]
        parts = [by_diagnosis(compiled, {item.cause: s, other: "s0"}, {}, shop) for s in states]
        leads = np.average([part[0] for part in parts], weights=weights)
        minutes = np.average([part[1] for part in parts], weights=weights)
        assert item.leads == pytest.approx(leads, abs=1e-9)
        assert item.minutes == pytest.approx(minutes, abs=1e-9)
    assert any(item.minutes > 0.0 for item in found.causes)


def test_simulated_shares_agree_with_exact_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled, shop = compile_model(small_shop()), Shop()
    exact = isolate(compiled, shop, tickets=10, seed=1)
    monkeypatch.setattr(walk, "EXACT_NODES", 3)
    drawn = isolate(compiled, shop, tickets=4000, seed=5)
    assert (exact.tickets, drawn.tickets) == (0, 4000)
    assert drawn == isolate(compiled, shop, tickets=4000, seed=5)
    for sure, said in zip(exact.causes, drawn.causes, strict=True):
        assert sure.cause == said.cause
        # Five standard errors: a seeded draw that fails this is wrong.
        spread = 2.5 * (said.leads_high - said.leads_low) / 1.96 + 1e-3
        assert abs(sure.leads - said.leads) < spread
        spread = 2.5 * (said.minutes_high - said.minutes_low) / 1.96 + 1e-6
        assert abs(sure.minutes - said.minutes) < spread
        assert sure.among[1] <= sure.among[2] <= sure.among[3] <= 1.0 + 1e-9


def test_the_way_to_a_stage_counts_in_the_minutes_once() -> None:
    found = isolate(compile_model(small_shop()), Shop(worth_per_bit=1e9), tickets=10, seed=1)
    # Every check is made: 1 + 1 + 1 closed, the cover 6, then 2 + 5, in whatever order.
    for item in found.causes:
        assert item.minutes >= 16.0 - 1e-9


def test_the_ground_lists_pairs_only_while_they_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled = compile_model(small_shop())
    assert lay_out(compiled, Shop()).at_once == 2
    monkeypatch.setattr(walk, "SCENARIO_BUDGET", 7)
    assert lay_out(compiled, Shop()).at_once == 1


# --- pages


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiled = load_model("thin_clamshell")
    path = tmp_path_factory.mktemp("show") / "model.html"
    path.write_text(model_html(compiled.model, assess(compiled, tickets=50)), encoding="utf-8")
    return path


def test_the_page_of_text_fits_a_terminal_and_names_every_cause_and_check(run: Run) -> None:
    done = run("model", "show", "small_lid")
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines())) <= 80
    for name in ("cable", "strip", "panel", "driver", "look_cable", "ask_knock", "lamp"):
        assert name in done.output
    assert "What no check tells apart" in done.output
    assert "isolated" in done.output


def test_the_json_form_holds_what_the_page_says(run: Run) -> None:
    told = json.loads(run("model", "show", "small_lid", "--json").output)
    assert [c["cause"] for c in told["isolation"]["causes"]] == [
        "cable",
        "strip",
        "panel",
        "driver",
    ]
    assert sum(fault["share"] for fault in told["faults"]) == pytest.approx(1.0)
    assert {c["check"] for c in told["checks"]} >= {"look", "lamp"}
    pairs = {
        frozenset((p["faults"][0]["cause"], p["faults"][1]["cause"])): p for p in told["pairs"]
    }
    assert pairs[frozenset(("strip", "driver"))]["best_check"] == "measure_supply"
    # Both darken the light, and only the meter tells them apart: 0.95 - 0.02.
    assert pairs[frozenset(("strip", "driver"))]["distance"] == pytest.approx(0.93)


def test_the_graph_is_one_of_dot_whatever_the_names(run: Run) -> None:
    text = run("model", "show", "small_lid", "--dot").output
    nodes = set(re.findall(r"^  ([vc]\d+) \[", text, re.M))
    edges = re.findall(r"^  ([vc]\d+) -> ([vc]\d+)", text, re.M)
    assert {end for pair in edges for end in pair} == nodes - {
        node for node in nodes if not any(node in pair for pair in edges)
    }
    model = small_shop()
    evil = 'a"] ; x -> y \\'
    model = replace(model, name=evil, checks=tuple(replace(c, title=evil) for c in model.checks))
    for line in model_dot(model).splitlines():
        strings = re.findall(r'"(?:[^"\\]|\\.)*"', line)
        outside = re.sub(r'"(?:[^"\\]|\\.)*"', "", line)
        assert '"' not in outside
        assert all(not s.endswith('\\\\\\"') for s in strings)
    assert len(re.findall(r"^  c\d+ \[", model_dot(model), re.M)) == len(model.checks)


def test_the_page_stands_by_itself_and_fits_phone_and_paper(page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"(src|href)=[\"'](?!#)", text)
    assert "@import" not in text
    assert policy_of(text) == POLICY
    check_look(text, tmp_path, cautions=True)


def test_the_page_is_black_on_white_and_large_enough_to_read(page: Path, tmp_path: Path) -> None:
    colours = measured(
        page,
        tmp_path,
        360,
        "[...new Set([...d.body.querySelectorAll('*'),d.body].flatMap(e=>{const s="
        "w.getComputedStyle(e);return [s.color,s.backgroundColor]}))].sort().join(';')",
    )
    assert set(colours.split(";")) <= {"rgb(0, 0, 0)", "rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}
    smallest = measured(
        page,
        tmp_path,
        360,
        "Math.min(...[...d.body.querySelectorAll('p,td,li,h3')].map(e=>parseFloat("
        "w.getComputedStyle(e).fontSize)))",
    )
    assert float(smallest) >= 13.0


def test_every_link_on_the_page_leads_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    named = set(re.findall(r'href="#([^"]+)"', text))
    assert named
    assert named <= set(re.findall(r' id="([^"]+)"', text))


def test_cautions_of_checks_stand_on_the_page(page: Path) -> None:
    model = load_model("thin_clamshell").model
    text = page.read_text(encoding="utf-8")
    assert text.count("Caution:") == sum(bool(c.caution) for c in model.checks) + sum(
        bool(s.caution) for s in model.stages if any(c.stage == s.name for c in model.checks)
    )


def test_markup_in_a_model_is_shown_and_never_run(tmp_path: Path) -> None:
    evil = "<script>document.title='run'</script>"
    model = small_shop()
    model = replace(
        model,
        title=evil,
        about=evil,
        checks=tuple(replace(c, title=evil, caution=evil) for c in model.checks),
        variables=tuple(replace(v, title=evil, note=evil) for v in model.variables),
    )
    compiled = compile_model(model)
    path = tmp_path / "evil.html"
    path.write_text(model_html(model, assess(compiled)), encoding="utf-8")
    assert "<script" not in path.read_text(encoding="utf-8")
    assert measured(path, tmp_path, 800, "d.title==='run'") == "false"


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("show", "small_lidd"), 2, "small_lid"),
        (("show", "small_lid", "--tolerance", "nan"), 2, "percentage"),
        (("show", "small_lid", "--tolerance", "200"), 2, "200"),
        (("show", "small_lid", "--html", "/nowhere/x.html"), 1, "cannot be written"),
        (("show",), 2, "NAME"),
    ],
)
def test_bad_input_gets_a_sentence(
    run: Run, words: tuple[str, ...], status: int, said: str
) -> None:
    done = run("model", *words)
    assert done.exit_code == status
    assert said in done.output
    assert "Traceback" not in done.output


def test_the_html_option_writes_the_page_and_says_so(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    done = run("model", "show", "small_lid", "--html", str(path))
    assert done.exit_code == 0
    assert "written" in done.output
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
