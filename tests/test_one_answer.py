"""One answer to "what next?": whoever asks, about whatever state, is told the same.

300 states are drawn over the four families, half of them with a teardown stage, a quarter
after a repair that did not cure. They are put to the command line, to Python, to a ticket, to
the morning's list and to a walk (by which tickets are played again).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from faultfinder import Case, Shop, Tried, consult, load_model
from faultfinder.cli.main import commands
from faultfinder.consultation import consult as consulting
from faultfinder.consultation.consult import Consultation
from faultfinder.decide.plan import make_plan
from faultfinder.decide.policies import policy_maker
from faultfinder.decide.simulation import Drawn
from faultfinder.decide.walk import walk
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.parts import Kind
from faultfinder.tickets.events import Entry, Found, Intake, Moved
from faultfinder.tickets.events import Tried as MadeInVain
from faultfinder.tickets.opening import open_store
from tests.drawn_machines import draw_machines

FAMILIES = ("thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop")
EACH = 75
ON_TICKETS = 40
CENT = 0.005
LARGE = 4
"""Cases whose tables are kept: after a repair those take some 80 MB."""


@dataclass(frozen=True)
class State:
    """What is known of one drawn machine, as a technician would type it."""

    model: str
    results: dict[str, str | None]
    stage: str | None
    tried: str | None
    since: dict[str, str | None]

    @property
    def case(self) -> Case:
        tried = () if self.tried is None else (Tried(self.tried, self.since),)
        return Case(loaded(self.model), self.results, self.stage, tried)

    @property
    def words(self) -> list[str]:
        words = ["-m", self.model]
        for option, results in (("--saw", self.results), ("--now", self.since)):
            for name, result in results.items():
                words += [option, f"{name}={result or 'unknown'}"]
        words += [] if self.stage is None else ["--stage", self.stage]
        return words + ([] if self.tried is None else ["--tried", self.tried])


@cache
def loaded(name: str) -> CompiledModel:
    return load_model(name)


def drawn_states() -> list[State]:
    states = []
    for family, name in enumerate(FAMILIES):
        compiled = loaded(name)
        model, network = compiled.model, compiled.network
        rng = np.random.default_rng(2_000 + family)
        machines = draw_machines(compiled, EACH, rng)
        stopping = {rule.finding for rule in model.stop_rules}
        seen = [v.name for v in model.of_kind(Kind.FINDING) if v.name not in stopping]
        seen += [v.name for v in model.of_kind(Kind.HISTORY)]
        cures = [repair.name for repair in model.repairs]
        stages = [stage.name for stage in model.stages]
        for place, machine in enumerate(machines):
            chosen = [str(n) for n in rng.choice(seen, int(rng.integers(0, 6)), replace=False)]
            results: dict[str, str | None] = {}
            for one in chosen:
                number = network.index[one]
                told = rng.random() < 0.9
                results[one] = network.states[number][int(machine[number])] if told else None
            states.append(
                State(
                    name,
                    results,
                    str(rng.choice(stages)) if place % 2 else None,
                    str(rng.choice(cures)) if place % 4 == 0 else None,
                    {},
                )
            )
    return states


@pytest.fixture(scope="module")
def states() -> list[State]:
    return drawn_states()


@pytest.fixture(scope="module", autouse=True)
def equal_cases_once() -> Iterator[None]:
    """Equal cases are worked out once, whoever asks; a case that differs in anything is not.
    What was worked out stays, the tables that it came from only of the last ones."""
    kept: dict[Any, Consultation] = {}
    real = consulting.Consultation

    def same(case: Case, maker: Any, aim: Any) -> Consultation:
        tried = tuple((one.repair, tuple(one.results_since.items())) for one in case.tried)
        results = tuple(case.results.items())
        key = (case.model.model.digest, results, case.stage, tried, case.worth, case.shop,
               maker, aim.title)  # fmt: skip
        if key not in kept:
            for old in list(kept.values())[:-LARGE]:
                for table in ("problem", "policy", "beliefs"):
                    old.__dict__.pop(table, None)
            kept[key] = real(case, maker, aim)
        return kept[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(consulting, "Consultation", same)
        yield


def told(state: State) -> Consultation:
    return consult(state.case)


def step(consultation: Consultation) -> dict[str, str | None] | None:
    """The next step as the plain form has it."""
    found = consultation.next_step
    return None if found is None else {"kind": found.kind, "name": found.name or None}


def test_the_states_are_what_they_are_meant_to_be(states: list[State]) -> None:
    assert len(states) == 300
    assert sum(state.stage is not None for state in states) >= 140
    assert sum(state.tried is not None for state in states) >= 70
    kinds = {step(told(state))["kind"] for state in states[::5] if step(told(state))}  # type: ignore[index]
    assert kinds >= {"check", "repair"}


@pytest.mark.parametrize("part", range(4))
def test_the_command_line_says_what_python_says(states: list[State], part: int) -> None:
    """In four parts, one a family, so that several processes share them."""
    for state in states[part * EACH : (part + 1) * EACH]:
        done = CliRunner().invoke(commands, ["next", "--json", *state.words])
        assert done.exit_code == 0, (state, done.output)
        said, here = json.loads(done.stdout), told(state)
        assert said["next_step"] == step(here), state
        assert said["next"] == (here.next.check if here.next else None)
        assert {one["cause"]: one["probability"] for one in said["causes"]} == pytest.approx(
            dict(here.causes), abs=1e-12
        )
        advice, quote = here.advice, here.quote
        assert advice is not None
        assert quote is not None
        assert said["advice"]["expected_cost"] == pytest.approx(advice.cost, abs=CENT)
        assert said["advice"]["quote"]["likely"] == pytest.approx(quote.likely, abs=CENT)


def test_worked_out_anew_the_answer_is_the_same(states: list[State]) -> None:
    """Without the sharing above: nothing hangs on what was asked before."""
    for state in states[::25]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(consulting, "Consultation", Consultation)
            fresh = consult(state.case)
            assert step(fresh) == step(told(state))
            assert dict(fresh.causes) == pytest.approx(dict(told(state).causes), abs=1e-12)


def test_a_walk_and_a_plan_begin_with_that_step(states: list[State]) -> None:
    for state in states[::6]:
        here = told(state)
        problem = here.problem
        machines = draw_one(here)
        first = next(walk(problem, here.policy, machines))
        kind, name = first.action.kind, None
        if kind == "check":
            name = problem.checks[first.action.number].name
        elif kind == "repair":
            name = problem.repairs[first.action.number].name
        if kind == "repair" and here.case.model.model.repairs_by_name[str(name)].hand_over:
            kind = "hand over"
        assert {"kind": kind, "name": name} == step(here)
        root = make_plan(problem, here.policy, depth=1).root
        assert (root.kind, root.name) == (first.action.kind, name or "hand over")


def draw_one(here: Consultation) -> Drawn:
    """A machine to walk on; what it shows does not matter for the first step."""
    network = here.case.model.network
    states = np.zeros((1, len(network.names)), dtype=np.int64)
    return Drawn(here.case.model, here.problem, states, np.random.default_rng(0))


def test_a_ticket_and_the_mornings_list_say_the_same(
    states: list[State], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    place = str(tmp_path / "tickets.db")
    asked = states[:: len(states) // ON_TICKETS]
    numbers = [write_down(place, state) for state in asked]
    listed = CliRunner().invoke(commands, ["triage", "--json", "--db", place])
    assert listed.exit_code == 0, listed.output
    rows = json.loads(listed.stdout)
    by_number = {row["ticket"]: row for row in (*rows["turns"], *rows["blocked"])}
    for number, state in zip(numbers, asked, strict=True):
        here = told(state)
        done = CliRunner().invoke(commands, ["next", str(number), "--json", "--db", place])
        assert done.exit_code == 0, done.output
        said = json.loads(done.stdout)
        assert said["next_step"] == step(here), state
        causes = {one["cause"]: one["probability"] for one in said["causes"]}
        assert causes == pytest.approx(dict(here.causes), abs=1e-12)
        advice = here.advice
        assert advice is not None
        assert said["advice"]["expected_cost"] == pytest.approx(advice.cost, abs=CENT)
        assert by_number[number]["next"] == step(here), state
        assert by_number[number]["causes"] == pytest.approx(dict(here.causes), abs=1e-12)


def write_down(place: str, state: State) -> int:
    """The state as a ticket; returns its number."""
    entries: list[Entry] = [Intake(state.model)]
    entries += [Found(name, result) for name, result in state.results.items()]
    if state.tried is not None:
        stage = told(State(state.model, state.results, None, state.tried, {})).stage
        entries.append(MadeInVain(state.tried, stage))
    if state.stage is not None:
        entries.append(Moved(state.stage))
    store = open_store(place, make=True)
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    number = store.intake(state.model, now, "invented hand", entries, None)
    store.close()
    return number


@pytest.mark.parametrize("policy", ["look-ahead", "one-step", "roll-out-once"])
def test_a_plan_by_another_policy_begins_as_that_policy_advises(
    states: list[State], policy: str
) -> None:
    here = consult(states[7].case, policy=policy)
    root = make_plan(here.problem, policy_maker(policy)(here.problem, Shop()), depth=1).root
    assert here.next_step is not None
    assert root.name == (here.next_step.name or "hand over")
