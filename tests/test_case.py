"""A case is immutable, read as people type it, and worth what its owner says."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from faultfinder import Case, MisuseError, Tried, consult
from faultfinder.consultation.rounds import MINUTES, MOST
from faultfinder.decide.together import Telling
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
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


RESULTS = {
    "look": ("faint", "lines"), "glass_cracked": ("yes", "no"), "tap_flicker": ("yes", "no"),
    "plug_seen": ("yes", "no"),
}  # fmt: skip


@pytest.mark.parametrize("first", RESULTS)
def test_what_is_said_first_leads_then_what_speaks_most_for_the_likeliest_cause(first: str) -> None:
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
    left_out = 0
    for results in product(*RESULTS.values()):
        case = Case(compiled, dict(zip(RESULTS, results, strict=True)))
        told = consult(case)
        cause = next(iter(told.causes))
        speaks = {
            name: told.causes[cause] - consult(case.without(name)).causes[cause] for name in RESULTS
        }
        said = list(told.suggestions)
        assert said[0] == first
        assert said[1:] == sorted(said[1:], key=lambda name: -speaks[name])
        missing = set(RESULTS).difference(said)
        assert all(speaks[name] < 0.0 for name in missing)
        assert all(speaks[name] > -0.05 for name in said[1:])
        left_out += len(missing)
    assert left_out
