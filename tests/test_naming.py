"""Jobs that end with a name, and what is set up once for several checks."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

import faultfinder
from faultfinder import Case, MisuseError, ModelFileError, Naming, consult
from faultfinder.cli.next_command import next_command
from faultfinder.decide.naming import NONE_OF_THESE
from faultfinder.learning.from_tickets import closed_tickets
from faultfinder.model.reading.reader import parse_model
from faultfinder.tickets.events import Closed, Found, Intake
from tests.networks import pgmpy_network
from tests.problems import policy_cost

CLINIC = """
faultfinder_model: 1
name: clinic
title: Invented clinic
start: here
stages:
  here: {title: Here, powered: no}
kits:
  blood: {title: Blood is drawn, minutes: 3, consumables: 2}
causes:
  ill: {title: Ill, states: [no, yes], chance: {yes: 0.2}}
findings:
  tired: {states: [no, yes], test: {of: ill, sensitivity: 0.7, specificity: 0.6}}
  marker: {states: [low, high], test: {of: ill, sensitivity: 0.9, specificity: 0.85}}
  other: {states: [low, high], test: {of: ill, sensitivity: 0.8, specificity: 0.8}}
checks:
  ask_tired: {title: Ask whether tired, observes: [tired], minutes: 1, stage: here}
  marker: {title: Marker, observes: [marker], minutes: 0, consumables: 4, stage: here,
           kits: [blood]}
  other: {title: Other, observes: [other], minutes: 0, consumables: 3, stage: here, kits: [blood]}
"""


def made(
    share: float, told: Mapping[str, tuple[float, float]], costs: Mapping[str, float], kit: float
) -> faultfinder.CompiledModel:
    """One illness; tests by P(positive | well) and P(positive | ill), the first two of one kit."""
    tables: dict[str, tuple[tuple[str, ...], tuple[str, ...], list[list[float]]]] = {
        "ill": (("no", "yes"), (), [[1 - share, share]])
    }
    for name, (well, ill) in told.items():
        tables[name] = (("neg", "pos"), ("ill",), [[1 - well, well], [1 - ill, ill]])
    served = list(told)[:2]
    return faultfinder.from_pgmpy(
        pgmpy_network(tables), {"ill": ["yes"]}, list(told), costs, {"kit": (kit, served)}
    )


def least(
    share: float,
    told: Mapping[str, tuple[float, float]],
    costs: Mapping[str, float],
    kit: float,
    wrong: Mapping[bool, float],
) -> float:
    """The least expected cost by trying everything: shares nothing with the engine."""
    names = list(told)

    @cache
    def best(made: tuple[tuple[str, bool], ...]) -> float:
        weight = {ill: (share if ill else 1 - share) for ill in (False, True)}
        for name, positive in made:
            for ill in weight:
                chance = told[name][ill]
                weight[ill] *= chance if positive else 1 - chance
        stop = min(weight[True] * wrong[True], weight[False] * wrong[False])
        found = stop
        done = {name for name, _ in made}
        for name in names:
            if name in done:
                continue
            setting_up = kit if name in names[:2] and not done & set(names[:2]) else 0.0
            total = (weight[True] + weight[False]) * (costs[name] + setting_up)
            for positive in (False, True):
                total += best(tuple(sorted([*made, (name, positive)])))
            found = min(found, total)
        return found

    return best(())


chances = st.floats(0.05, 0.95)


@given(
    share=st.floats(0.1, 0.6),
    told=st.lists(st.tuples(chances, chances), min_size=2, max_size=3),
    prices=st.lists(st.floats(0.5, 8.0), min_size=3, max_size=3),
    kit=st.floats(0.0, 15.0),
    alarm=st.floats(20.0, 100.0),
)
@settings(max_examples=40, deadline=None)
def test_the_exact_policy_costs_what_trying_everything_finds(
    share: float, told: list[tuple[float, float]], prices: list[float], kit: float, alarm: float
) -> None:
    named = {f"t{n}": one for n, one in enumerate(told)}
    costs = dict(zip(named, prices, strict=False))
    naming = Naming({"ill": 100.0, NONE_OF_THESE: alarm})
    engine = made(share, named, costs, kit)
    optimum = least(share, named, costs, kit, {True: 100.0, False: alarm})
    exact = consult(Case(engine, naming=naming), policy="exact")
    step = exact.next_step
    assert step is not None
    assert step.cost == pytest.approx(optimum, rel=1e-9)
    assert policy_cost(exact.problem, exact.policy) == pytest.approx(optimum, rel=1e-9)
    quick = consult(Case(engine, naming=naming))
    # It weighs few checks by a simple policy: never below the optimum, and never dearer than
    # naming at once.
    played = policy_cost(quick.problem, quick.policy)
    at_once = min(share * 100.0, (1 - share) * alarm)
    assert optimum * (1 - 1e-9) <= played <= at_once * (1 + 1e-9)


def test_what_is_set_up_is_paid_once() -> None:
    engine = made(0.3, {"a": (0.1, 0.9), "b": (0.2, 0.9), "c": (0.3, 0.7)},
                  {"a": 3.0, "b": 2.0, "c": 1.0}, 5.0)  # fmt: skip
    costs = {one.check: one.cost for one in consult(Case(engine)).order}
    assert costs == pytest.approx({"a": 8.0, "b": 7.0, "c": 1.0})
    # One whose result could not be told had it set up as well.
    for case in (Case(engine, {"b": "pos"}), Case(engine, {"b": None})):
        assert {o.check: o.cost for o in consult(case).order} == pytest.approx({"a": 3.0, "c": 1.0})


def test_a_kit_is_opened_for_what_its_tests_tell_together() -> None:
    """No test of the kit is worth its setting up by itself; both together are."""
    told = {"a": (0.15, 0.85), "b": (0.15, 0.85)}
    engine = made(0.5, told, {"a": 1.0, "b": 1.0}, 33.0)
    case = Case(engine, naming=Naming(100.0))
    alone = 0.15 * 100.0 + 34.0  # one test names right in 85 %
    assert alone < 50.0
    dear = made(0.5, {"a": (0.3, 0.7), "b": (0.02, 0.75)}, {"a": 0.5, "b": 0.5}, 20.0)
    for engine_case in (case, Case(dear, naming=Naming(60.0))):
        step = consult(engine_case).next_step
        best = consult(engine_case, policy="exact").next_step
        assert step is not None
        assert best is not None
        assert (step.kind, best.kind) == ("check", "check")


def test_a_name_is_given_once_it_is_sure() -> None:
    engine = made(0.3, {"a": (0.1, 0.9), "b": (0.1, 0.9), "c": (0.3, 0.7)},
                  {"a": 3.0, "b": 2.0, "c": 1.0}, 5.0)  # fmt: skip
    sure = Naming(sure=0.95)
    stories = 0
    for results in product(("neg", "pos"), repeat=3):
        patient = dict(zip("abc", results, strict=True))
        case = Case(engine, naming=sure)
        while True:
            told = consult(case)
            step = told.next_step
            assert step is not None
            assert step.cost is None  # Nobody said what a wrong name costs.
            if step.kind == "name":
                break
            assert max(told.names.values()) < 0.95
            case = case.with_result(step.name, patient[step.name])
        everything = consult(Case(engine, patient, naming=sure)).names
        if max(everything.values()) >= 0.95:
            assert told.names[step.name] >= 0.95
            stories += 1
    assert stories >= 2


def test_several_causes_at_once_have_a_name_of_their_own() -> None:
    tables = {
        "a": (("no", "yes"), (), [[0.7, 0.3]]),
        "b": (("no", "yes"), (), [[0.6, 0.4]]),
        "seen": (("no", "yes"), ("a", "b"), [[0.9, 0.1], [0.5, 0.5], [0.4, 0.6], [0.1, 0.9]]),
    }
    engine = faultfinder.from_pgmpy(pgmpy_network(tables), {"a": ["yes"], "b": ["yes"]}, ["seen"])
    names = consult(Case(engine, naming=Naming(sure=0.5))).names
    expected = {NONE_OF_THESE: 0.42, "a": 0.18, "b": 0.28, "a+b": 0.12}
    assert names == pytest.approx(expected)
    dear = consult(Case(engine, naming=Naming({"a": 1.0, "b": 1.0, NONE_OF_THESE: 1.0, "a+b": 90})))
    assert dear.problem.names is not None
    assert dear.problem.names.names[dear.policy.decide(_start(dear)).number] == "a+b"


def _start(told: faultfinder.Consultation):  # type: ignore[no-untyped-def]
    from faultfinder.decide.situation import start

    # Nothing left to look at: what is named now.
    assert told.problem.names is not None
    at = start(told.problem)
    return type(at)(at.weights, at.stage, frozenset(range(len(told.problem.checks))))


def test_what_cannot_be_asked_for_is_refused() -> None:
    with pytest.raises(MisuseError, match="one of them"):
        Naming()
    with pytest.raises(MisuseError, match="one of them"):
        Naming(10.0, 0.9)
    with pytest.raises(MisuseError, match="amount from 0"):
        Naming(-1.0)
    with pytest.raises(MisuseError, match="probability"):
        Naming(sure=1.5)
    engine = made(0.3, {"a": (0.1, 0.9), "b": (0.2, 0.9)}, {"a": 1.0, "b": 1.0}, 0.0)
    with pytest.raises(MisuseError, match="no name to give"):
        _ = consult(Case(engine, naming=Naming({"sick": 3.0}))).next_step
    with pytest.raises(MisuseError, match="serves"):
        faultfinder.from_pgmpy(
            pgmpy_network({"x": (("n", "y"), (), [[0.5, 0.5]])}), {"x": ["y"]}, [], None,
            {"kit": (1.0, ["y"])},
        )  # fmt: skip


def test_a_model_file_names_its_kits() -> None:
    model = parse_model(CLINIC, "clinic.yaml")
    assert model.complaint is None
    assert [(kit.name, kit.minutes, kit.consumables) for kit in model.kits] == [("blood", 3.0, 2.0)]
    assert model.checks_by_name["marker"].kits == ("blood",)
    with pytest.raises(ModelFileError, match="bloot"):
        parse_model(CLINIC.replace("kits: [blood]", "kits: [bloot]", 1), "clinic.yaml")


@pytest.fixture
def clinic(tmp_path: Path) -> str:
    path = tmp_path / "clinic.yaml"
    path.write_text(CLINIC, encoding="utf-8")
    return str(path)


def test_the_page_says_what_to_look_at_or_what_it_is(clinic: str) -> None:
    def page(*words: str) -> str:
        told = CliRunner().invoke(next_command, ["-m", clinic, *words])
        assert told.exit_code == 0, told.output
        return told.output

    first = page("--wrong", "200")
    assert first.startswith("NEXT  Other, 8.00 EUR\n  other: 1 low  2 high\n  Why: saves ")
    assert "none of these" in first
    last = page("--wrong", "200", "-s", "marker=high", "-s", "other=high")
    # 0.2 * 0.9 * 0.8 against 0.8 * 0.15 * 0.2.
    assert last.startswith("NAME  Ill, 86 %\n")
    assert "makes it the 95 % asked for" in page(
        "--sure", "0.95", "-s", "marker=high", "-s", "other=high", "-s", "tired=yes"
    )
    refused = CliRunner().invoke(next_command, ["-m", clinic, "--sure", "0.9", "--full"])
    assert refused.exit_code != 0


def test_a_ticket_closed_as_none_of_these_is_a_label(clinic: str, tmp_path: Path) -> None:
    from faultfinder.tickets.opening import open_store

    store = open_store(str(tmp_path / "tickets.db"), make=True)
    model = faultfinder.load_model(clinic)
    at = "2026-01-05T10:00:00Z"
    number = store.intake(clinic, at, "lena", [Intake(clinic), Found("marker", "low")])
    store.append(number, 2, at, "lena", [Closed("none of these", ())])
    (ticket,) = closed_tickets(store, model.model)
    assert ticket.causes == ()
    assert np.isclose(consult(Case(model, ticket.findings)).causes["ill"], 0.02 / 0.70)
