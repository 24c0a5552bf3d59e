"""A case is immutable, read as people type it, and worth what its owner says."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultfinder import Case, MisuseError, Shop, Tried, consult
from faultfinder.consultation.causes import causes_given, chances_in_each
from faultfinder.consultation.consult import NextStep
from faultfinder.consultation.ranking import questions
from faultfinder.consultation.rounds import (
    CLEAR,
    MINUTES,
    MOST,
    NOTING,
    OFTEN,
    SETTLES,
    Round,
    round_from,
)
from faultfinder.decide.policies import InTurn
from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Action, Situation, start
from faultfinder.decide.together import Telling
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from tests import MODELS
from tests.problems import small_problems
from tests.small_shop import small_shop


@pytest.fixture(scope="module")
def shop() -> CompiledModel:
    return compile_model(small_shop())


def test_a_new_result_makes_a_new_case_and_leaves_the_old_one(shop: CompiledModel) -> None:
    first = Case(shop, {"look": "lines"})
    second = first.with_result("plug seen", "no").with_result("look", None)
    assert dict(first.results) == {"look": "lines"}
    assert list(second.results.items()) == [("plug_seen", "no"), ("look", None)]
    assert second.findings == {"plug_seen": "no"}
    assert second.unclear == ("look",)
    assert dict(second.without("look").results) == {"plug_seen": "no"}


def test_after_a_repair_results_speak_of_the_machine_as_it_is(shop: CompiledModel) -> None:
    case = Case(shop, {"look": "lines"}, "open").after_repair("reseat").with_result("look", "faint")
    assert case.findings == {"look": "lines"}
    assert case.tried == (Tried("reseat", {"look": "faint"}),)
    assert case.everything == {"look": "faint"}
    # It stands where the repair was looked at, until somebody says otherwise.
    assert case.stage is None
    told = consult(case)
    stages = {stage.name: stage for stage in shop.model.stages}
    assert stages[told.stage].powered
    assert consult(case.at_stage("closed")).stage == "closed"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"results": {"lok": "lines"}}, "look"),
        ({"results": {"look": "linse"}}, "lines"),
        ({"results": {"look": "lines", "LOOK": "faint"}}, "given twice"),
        ({"stage": "opne"}, "open"),
        ({"tried": (Tried("resaet"),)}, "reseat"),
        ({"tried": (Tried("reseat"), Tried("reseat"))}, "twice"),
        ({"worth": -1.0}, "worth"),
        ({"worth": float("nan")}, "worth"),
    ],
)
def test_bad_input_is_refused_on_the_way_in(
    shop: CompiledModel, wrong: dict[str, object], said: str
) -> None:
    with pytest.raises(MisuseError, match=said):
        Case(shop, **wrong)  # type: ignore[arg-type]


def test_what_the_machine_is_worth_moves_the_advice(shop: CompiledModel) -> None:
    """A machine worth nothing is handed over; one worth a lot is worked on for longer."""
    costs = []
    for worth in (0.0, 100.0, 400.0, 5_000.0):
        told = consult(Case(shop, worth=worth))
        assert told.next_step is not None
        assert told.next_step.cost is not None
        costs.append(told.next_step.cost)
    assert costs == sorted(costs)
    step = consult(Case(shop, worth=0.0)).next_step
    assert step is not None
    assert (step.kind, step.name) == ("hand over", "")
    same = [consult(Case(shop, worth=worth)).next_step for worth in (None, 400.0)]
    assert same[0] == same[1]


def test_a_part_once_worked_out_is_the_same_wherever_it_is_shown(shop: CompiledModel) -> None:
    told = consult(Case(shop, {"look": "lines"}))
    assert told.quote is told.quote
    assert told.order is told.order
    plain = told.as_plain()
    assert next(iter(plain)) == "form"
    assert plain["form"] == 1
    assert [one["probability"] for one in plain["causes"]] == list(told.causes.values())
    assert plain == told.as_plain()
    changes = sum(abs(one["change"]) for one in plain["causes"])
    assert changes > 0.01


@pytest.mark.parametrize(
    "results",
    [{}, {"backlight": "off"}, {"backlight": "off", "image": "none"}, {"image": "lines"}],
)
def test_a_round_holds_what_is_cheaper_made_at_once(results: dict[str, str | None]) -> None:
    told = consult(Case(load_model("thin_clamshell"), results))
    assert told.next is not None
    members, model = told.round, told.case.model.model
    assert told.next.check in members
    assert len(members) <= MOST
    checks = model.checks_by_name
    assert {checks[name].stage for name in members} == {checks[told.next.check].stage}
    extra = sum(checks[name].minutes for name in members if name != told.next.check)
    assert extra <= max(MINUTES - checks[told.next.check].minutes, 0.0) + 1e-9
    # What joins is, cost for cost, cheaper made at once than come back for: by itself after the
    # first, the likelihood that it is still worth its cost pays for the chance that it is not.
    problem, worth = told.problem, told.case.terms.worth_per_bit
    places = {action.name: number for number, action in enumerate(problem.checks)}
    telling = Telling(problem)
    outcomes = telling.then(telling.start(problem.weights), places[told.next.check])
    chance, more = outcomes.sum(axis=1), telling.more(outcomes)
    joins = []
    for name in members:
        if name != told.next.check:
            own = problem.checks[places[name]].cost
            wanted = chance[more[:, places[name]] * worth >= chance * own].sum() / chance.sum()
            joins.append((1.0 - wanted) * own <= wanted * problem.handling + 1e-9)
    assert not joins or any(joins)
    assert told.round_note == "" or told.round_note.startswith("Ends early after ")
    # What waits for another of them comes after it.
    for place, name in enumerate(members):
        assert not set(checks[name].behind) & set(members[place:])


@st.composite
def rounds(draw: st.DrawFn) -> tuple[Problem, dict[str, float]]:
    """A problem in which some checks wait for others, some come before repairs, and the minutes of
    each."""
    case = draw(small_problems(checks_most=5))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    checks = tuple(
        replace(check, behind=frozenset(n for n in range(place) if rng.random() < 0.25))
        for place, check in enumerate(case.checks)
    )
    minutes = {check.name: float(rng.uniform(0.5, 8.0)) for check in checks}
    # What comes before each repair: it is made anyway before the right one.
    repairs = tuple(
        replace(repair, behind=frozenset(c.name for c in checks if rng.random() < 0.3))
        for repair in case.repairs
    )
    handling = float(rng.uniform(0.0, 6.0))
    return replace(case, checks=checks, repairs=repairs, handling=handling), minutes


def left(case: Problem, weights: np.ndarray) -> float:
    """What is not known of the right repair, in bits, times the probability of knowing so much."""
    groups = np.bincount(case.right_repair, weights)
    groups = groups[groups > 0.0]
    return float(-(groups * np.log2(groups / groups.sum())).sum())


@given(rounds(), st.booleans(), st.sampled_from([5.0, 50.0, 500.0]), st.sampled_from([2, MOST]))
@settings(max_examples=300, deadline=None)
def test_a_round_is_what_its_rules_say(
    told: tuple[Problem, dict[str, float]], leading: bool, worth: float, most: int
) -> None:
    """The rules gone through result by result, without arrays."""
    case, minutes = told
    checks, telling = case.checks, Telling(case)
    ready = [n for n, check in enumerate(checks) if not check.behind]
    lead = ready[-1] if leading and ready else None
    members = [] if lead is None else [lead]
    stage = case.stage if lead is None else checks[lead].stage
    still = [
        1.0
        - sum(
            float(weight)
            for weight, right in zip(case.weights, case.right_repair, strict=True)
            if right < len(case.repairs) and check.name in case.repairs[right].behind
        )
        for check in checks
    ]
    own = [check.cost * share for check, share in zip(checks, still, strict=True)]
    price = [(c.cost + NOTING * case.handling) * s for c, s in zip(checks, still, strict=True)]

    def ways(weights: np.ndarray, check: int) -> list[np.ndarray]:
        return [row * weights for row in checks[check].likelihood]

    def more(weights: np.ndarray, check: int) -> float:
        return max(left(case, weights) - sum(left(case, w) for w in ways(weights, check)), 0.0)

    def after(outcomes: list[np.ndarray], check: int) -> list[np.ndarray]:
        return [w for one in outcomes for w in ways(one, check) if w.sum() >= 0.01]

    def wanted(check: int, members: list[int], outcomes: list[np.ndarray]) -> float:
        opened = [n for n, other in enumerate(checks)
                  if n not in members and other.behind - set(members) == {check}]  # fmt: skip
        pays = 0.0
        for one in outcomes:
            alone = more(one, check) * worth >= one.sum() * price[check]
            both = any(
                (more(one, check) + more(one, n)) * worth >= one.sum() * (price[check] + price[n])
                for n in opened
            )
            pays += one.sum() * (alone or both)
        return pays / sum(one.sum() for one in outcomes)

    def followed(made: list[int]) -> list[np.ndarray]:
        outcomes = [case.weights]
        for check in made:
            outcomes = after(outcomes, check)
        return outcomes

    def lost(made: list[int]) -> float:
        unknown = sum(left(case, one) for one in followed(made))
        return unknown * worth + sum(price[n] for n in made)

    def spent(made: list[int]) -> float:
        return sum(minutes[checks[n].name] for n in made)

    while len(members) < most:
        outcomes = followed(members)
        fits = [
            n for n, check in enumerate(checks)
            if n not in members and check.stage == stage and not check.behind & set(members)
            and spent([*members, n]) <= MINUTES
            and (often := wanted(n, members, outcomes)) >= OFTEN
            and (1.0 - often) * own[n] <= often * case.handling
        ]  # fmt: skip
        bits = np.array([sum(more(one, n) for one in outcomes) for n in range(len(checks))])
        others = [n for n in range(len(checks)) if n not in fits]
        best = telling.best(bits, stage, members, others)
        if best is None:
            break
        members.append(best)
    for n, check in enumerate(checks):
        first = check.behind
        if n in members or check.stage != stage or not first or not first <= set(members):
            continue
        kept = list(members)
        while len(kept) == most or spent([*kept, n]) > MINUTES:
            less = [m for m in kept[1:] if m not in first]
            if not less:
                break
            kept.remove(min(less, key=lambda m: lost([*(o for o in kept if o != m), n])))
        else:
            if wanted(n, kept, followed(kept)) >= OFTEN and lost([*kept, n]) < lost(members):
                members = [*kept, n]
                break
    ends = {
        n: {
            checks[n].results[place]: float(one.sum())
            for place, one in enumerate(ways(case.weights, n))
            if one.sum() > 0.0 and len(members) > 1
            and all(more(one, m) * worth < one.sum() * own[m] for m in members if m != n)
        }
        for n in members
    }  # fmt: skip
    turn = sorted(members, key=lambda n: (
        bool(checks[n].behind & set(members)), sum(ends[n].values()) < SETTLES,
        minutes[checks[n].name],
    ))  # fmt: skip
    named = [
        f"{checks[n].name}!: {' or '.join(clear)}"
        for n in turn[:-1]
        if (clear := [result for result in ends[n] if ends[n][result] >= CLEAR])
    ]
    parts = {name: SimpleNamespace(minutes=m, title=f"{name}!") for name, m in minutes.items()}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("faultfinder.consultation.rounds.MOST", most)
        found = round_from(case, lead, SimpleNamespace(checks_by_name=parts), worth)  # type: ignore[arg-type]
    assert found.members == tuple(checks[n].name for n in members)
    assert found.turn == tuple(checks[n].name for n in turn)
    assert found.note == (f"Ends early after {'; '.join(named)}." if named else "")


@given(rounds())
@settings(max_examples=100, deadline=None)
def test_what_comes_before_a_repair_is_made_in_its_own_turn(
    told: tuple[Problem, dict[str, float]],
) -> None:
    case, _ = told
    last = len(case.checks) - 1
    wanted = tuple(replace(one, behind=frozenset({f"T{last}"})) for one in case.repairs)
    case = replace(case, repairs=wanted)
    policy = InTurn(RepairAtOnce(), case)
    situation, made = start(case), [] if case.repairs else [last]
    while case.repairs and (action := policy.decide(situation)).kind == "check":
        assert case.is_open(action.number, situation.checked)
        made.append(action.number)
        situation = replace(situation, checked=situation.checked | {action.number})
    # What the last check waits for, and what that waits for, came before it; nothing else was made.
    if case.repairs and np.isfinite([case.travel[case.stage, c.stage] for c in case.checks]).all():
        assert made[-1:] == [last][: len(case.checks)]
    assert not made or made[-1] == last
    assert all(any(n in case.checks[m].behind for m in made) for n in made if n != last)


class RepairAtOnce:
    """A policy that makes the first repair, whatever is known."""

    def decide(self, situation: Situation) -> Action:
        return Action("repair", 0, 1.0)


def test_a_look_before_all_else_begins_the_round_and_pushes_out_its_last() -> None:
    five = Round(tuple("abcde"), tuple("edcba"), "note")
    assert five.after("z") == Round(tuple("zabcd"), tuple("zdcba"), "note")
    assert five.after("c") == Round(tuple("cabde"), tuple("cedba"), "note")


RESULTS = {
    "look": ("faint", "lines"), "glass_cracked": ("yes", "no"), "tap_flicker": ("yes", "no"),
    "plug_seen": ("yes", "no"),
}  # fmt: skip


@pytest.mark.parametrize("first", RESULTS)
def test_what_is_said_first_leads_then_what_by_itself_tells_most(first: str) -> None:
    parts = small_shop()
    says = {name: {name: dict.fromkeys(r, f"{name}!")} for name, r in RESULTS.items()}
    checks = tuple(
        replace(
            check,
            suggests=says.get(check.observes[0], {}),
            said_first=check.observes == (first,),
        )
        for check in parts.checks
    )
    compiled = compile_model(replace(parts, checks=checks))
    nothing = consult(Case(compiled)).causes
    left_out = 0
    for results in product(*RESULTS.values()):
        case = Case(compiled, dict(zip(RESULTS, results, strict=True)))
        told = consult(case)
        cause = next(iter(told.causes))
        speaks = {
            name: told.causes[cause] - consult(case.without(name)).causes[cause] for name in RESULTS
        }
        alone = {
            name: consult(Case(compiled, {name: result})).causes
            for name, result in case.results.items()
        }
        tells = {
            name: sum(abs(causes[cause] - nothing[cause]) for cause in nothing)
            for name, causes in alone.items()
        }
        said = [name for one in told.suggestions for name in one.findings]
        assert said[0] == first
        assert said[1:] == sorted(said[1:], key=lambda name: -tells[name])
        missing = set(RESULTS).difference(said)
        assert all(speaks[name] < 0.0 for name in missing)
        assert all(speaks[name] > -0.05 for name in said[1:])
        left_out += len(missing)
    assert left_out


@pytest.mark.parametrize("results", [{}, {"backlight": "off"}, {"image": "lines"}])
def test_the_bench_is_asked_no_question_of_the_counter(results: dict[str, str | None]) -> None:
    told = consult(Case(load_model("thin_clamshell"), results))
    asked = questions(told.case.model.model)
    at_counter = {one.check for one in told.order} & asked
    assert at_counter
    assert {one.check for one in told.order_at_bench} == {one.check for one in told.order} - asked
    assert told.action.kind == "check"
    worth = told.case.terms.worth_per_bit
    found = round_from(told.problem, told.action.number, told.case.model.model, worth)
    assert (told.round, told.round_note) == (found.turn, found.note)


def test_without_repairs_the_next_step_is_a_check_while_one_is_worth_its_cost() -> None:
    compiled = compile_model(replace(small_shop(), repairs=()))
    told = consult(Case(compiled))
    assert told.advice is None
    assert told.next is not None
    assert told.next_step == NextStep("check", told.next.check)
    assert told.round == (told.next.check,)
    assert told.order_at_bench == told.order
    poor = consult(Case(compiled, shop=Shop(worth_per_bit=0.0)))
    assert (poor.next, poor.next_step, poor.round, poor.round_note) == (None, None, (), "")


def test_a_check_that_is_not_open_says_why(shop: CompiledModel) -> None:
    for results, sentence in (
        ({"look": None}, "look was tried and could not be told"),
        ({"look": "lines"}, "All that look would tell is known already"),
    ):
        with pytest.raises(FaultfinderError, match=sentence):
            consult(Case(shop, results)).open_check("look")
    assert consult(Case(shop)).open_check("look").observes == ("look",)


def test_chances_side_by_side_are_those_of_each_set_of_findings() -> None:
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    told = {"screen_light": "dark", "after": "own_repair", "lid_angle": "no_change"}
    silent = {**told, "anything_else": "nothing"}
    cases = [{}, told, silent, {"anything_else": "nothing"}, {"external_monitor": "good"}]
    hints = Case(compiled, likelier={"panel": 4.0}, judged={"panel": "black"}).hints
    side_by_side = chances_in_each(compiled, cases, hints)
    order = [compiled.network.names[cause] for cause in compiled.causes]
    for cause in ("panel", "display_cable"):
        each = [causes_given(compiled, one, hints)[cause] for one in cases]
        assert len(set(each)) == len(cases)
        assert side_by_side[:, order.index(cause)] == pytest.approx(each, rel=0, abs=1e-12)


def test_what_is_handed_over_is_not_from_the_worth_on_that_is_named() -> None:
    compiled = load_model(Path(__file__).resolve().parents[1] / "models" / "thin_clamshell.yaml")
    case = Case(compiled, {"external_monitor": "same_fault", "image": "lines_down"}, worth=80.0)
    told = consult(case)
    assert told.next_step is not None
    assert told.next_step.kind == "hand over"
    assert told.pays_from is not None
    worth, step = told.pays_from
    going_on = consult(replace(case, worth=worth))
    assert going_on.next_step is not None
    assert (going_on.next_step.kind, going_on.next_step.name) == (step.kind, step.name)
    assert going_on.pays_from is None
    below = consult(replace(case, worth=0.9 * worth)).next_step
    assert below is not None
    assert below.kind == "hand over"
    # However little it is taken to be worth.
    assert consult(replace(case, worth=5.0)).pays_from is not None
