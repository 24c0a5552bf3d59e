"""Plans cost what they say, and keep to the bench's rules."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest

from faultfinder import Case, consult
from faultfinder.consultation import quote as quoting
from faultfinder.consultation.advice import advice_from
from faultfinder.consultation.bench import build_problem
from faultfinder.consultation.causes import causes_given
from faultfinder.consultation.habit import instead
from faultfinder.consultation.quote import spread
from faultfinder.decide.abreast import Abreast
from faultfinder.decide.belief import Tried
from faultfinder.decide.naming import Naming
from faultfinder.decide.plan import make_plan
from faultfinder.decide.policies import roll_out
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.policies.look_ahead import LookAhead
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.policies.roll_out import RollOut
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order, order_cost
from faultfinder.decide.shop import Shop
from faultfinder.decide.simulation import simulate
from faultfinder.decide.situation import (
    Action,
    Policy,
    Situation,
    after_repair,
    check_cost,
    repair_step,
    start,
)
from faultfinder.decide.walk import PASSES, EveryResult, walk
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Link, NoisyMax, StopRule
from tests.as_printed import AsPrinted
from tests.consulted import advised
from tests.drawn_machines import draw_machines
from tests.problems import policy_cost, single_fault
from tests.problems import problem as make_problem
from tests.small_shop import small_shop

SHOP = Shop()


@pytest.fixture(scope="module")
def compiled() -> CompiledModel:
    return compile_model(small_shop())


def whole(compiled: CompiledModel, findings: dict[str, str]) -> Problem:
    return build_problem(compiled, findings, shop=SHOP, at_once=4)


@pytest.mark.parametrize("findings", [{}, {"look": "nothing"}, {"knock": "yes", "look": "lines"}])
@pytest.mark.parametrize("planner", ["roll-out", "look-ahead", "one-step"])
def test_a_plan_costs_the_mean_of_100_000_simulated_tickets(
    compiled: CompiledModel, findings: dict[str, str], planner: str
) -> None:
    """The tickets are drawn from the network, not from the plan's scenarios."""
    problem = whole(compiled, findings)
    made: Policy = {
        "roll-out": RollOut(problem, SHOP.worth_per_bit),
        "look-ahead": LookAhead(problem),
        "one-step": OneStep(problem, SHOP.worth_per_bit),
    }[planner]
    plan = make_plan(problem, made, fold_below=-1.0, depth=99)
    rng = np.random.default_rng(11)
    machines = draw_machines(compiled, 100_000, rng, findings)
    outcome = simulate(compiled, problem, made, SHOP, machines, rng)
    spread = outcome.money.std() / np.sqrt(len(outcome.money))
    assert outcome.money.mean() == pytest.approx(plan.expected_cost, abs=3.3 * spread)


def test_the_reached_leaves_of_a_plan_add_up_to_one(compiled: CompiledModel) -> None:
    problem = whole(compiled, {"look": "nothing"})
    told: list[float] = []
    plan = make_plan(problem, LookAhead(problem), fold_below=0.05, depth=6, progress=told.append)
    leaves = [node.reached for node in plan.root.walk() if not node.branches]
    assert sum(leaves) == pytest.approx(1.0, abs=1e-6)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("planner", ["roll-out", "look-ahead"])
def test_planners_are_within_two_percent_of_the_optimum(
    compiled: CompiledModel, planner: str
) -> None:
    for findings in ({}, {"look": "nothing"}, {"look": "lines"}, {"glass_cracked": "yes"}):
        problem = whole(compiled, findings)
        least = Exact(problem).decide(start(problem)).expected_cost
        made: Policy = (
            RollOut(problem, SHOP.worth_per_bit) if planner == "roll-out" else LookAhead(problem)
        )
        plan = make_plan(problem, made, fold_below=-1.0, depth=99)
        assert least - 1e-9 <= plan.expected_cost <= 1.02 * least


def test_a_dearer_part_moves_the_advice(compiled: CompiledModel) -> None:
    """A lead changes a price in the file, and the assembly is no longer fitted first."""
    findings = {"look": "lines", "glass_cracked": "yes", "plug_seen": "no"}
    model = compiled.model
    problem = whole(compiled, findings)
    assert advised(problem, model, SHOP).name == "new_lid"
    dear = replace(
        model,
        repairs=tuple(
            replace(r, part=replace(r.part, likely=2000.0, high=3000.0)) for r in model.repairs
        ),
    )
    problem = build_problem(compile_model(dear), findings, shop=SHOP, at_once=4)
    assert advised(problem, dear, SHOP).name != "new_lid"


def test_a_check_behind_an_open_cover_is_nearly_free(compiled: CompiledModel) -> None:
    closed = build_problem(compiled, {}, shop=SHOP)
    opened = build_problem(compiled, {}, shop=SHOP, stage="open")
    cost = {
        name: advised(problem, compiled.model, SHOP).checks
        for name, problem in (("closed", closed), ("open", opened))
    }
    at = {n: next(c.cost for c in cost[n] if c.check == "open_look") for n in cost}
    assert at["closed"] == pytest.approx(8.0)
    assert at["open"] == pytest.approx(2.0)


def test_after_a_repair_that_did_not_cure_the_cause_it_mends_falls(
    compiled: CompiledModel,
) -> None:
    before = build_problem(compiled, {"plug_seen": "yes"}, shop=SHOP, at_once=4)
    after = build_problem(
        compiled, {"plug_seen": "yes"}, tried=[Tried("reseat", {})], shop=SHOP, at_once=4
    )

    def present(problem: Problem, cause: str) -> float:
        place = problem.causes.index(cause)
        return float(problem.weights @ (problem.scenarios[:, place] != 0))

    assert present(before, "plug") > 0.9
    assert present(after, "plug") < 0.5
    assert "reseat" not in [repair.name for repair in after.repairs]
    # Findings after the repair speak of the machine as it is.
    seen = build_problem(
        compiled,
        {"plug_seen": "yes"},
        tried=[Tried("reseat", {"plug_seen": "no"})],
        shop=SHOP,
        at_once=4,
    )
    assert present(seen, "plug") < 0.1


def test_belief_after_a_repair_agrees_with_the_two_slice_network(compiled: CompiledModel) -> None:
    """Cause before, the repair's success, cause after: all enumerated by hand."""
    model = compiled.model
    network = compiled.network
    problem = build_problem(
        compiled,
        {"plug_seen": "yes", "look": "lines"},
        tried=[Tried("reseat", {"look": "nothing"})],
        shop=SHOP,
        at_once=4,
    )
    mends = model.repairs_by_name["reseat"].mends["plug"]
    total: dict[tuple[int, ...], float] = {}

    def table(name: str) -> np.ndarray:
        return network.tables[network.index[name]]

    light = lambda s, b: int(s or b)  # noqa: E731
    image = lambda plug, panel: 2 if plug == 2 else (1 if plug == 1 or panel else 0)  # noqa: E731
    for knock in range(2):
        for plug in range(3):
            for strip in range(2):
                for panel in range(2):
                    for board in range(2):
                        p = table("knock")[knock] * table("plug")[knock, plug]
                        p *= table("strip")[strip] * table("panel")[knock, panel]
                        p *= table("board")[board]
                        if not (light(strip, board) or image(plug, panel)):
                            continue
                        p *= table("plug_seen")[plug, 1]
                        p *= table("look")[light(strip, board), image(plug, panel), 0]
                        success = [0.0, mends["half"], mends["off"]][plug]
                        for after, q in ((0, success), (plug, 1 - success)):
                            if q == 0 or not (light(strip, board) or image(after, panel)):
                                continue
                            r = p * q * table("look")[light(strip, board), image(after, panel), 2]
                            key = (after, strip, panel, board)
                            total[key] = total.get(key, 0.0) + r
    whole_weight = sum(total.values())
    for row, weight in zip(problem.scenarios.tolist(), problem.weights.tolist(), strict=True):
        assert weight == pytest.approx(total.get(tuple(row), 0.0) / whole_weight, abs=1e-5)


def test_the_quote_is_in_order_and_says_how_often_it_is_passed(compiled: CompiledModel) -> None:
    for findings in ({}, {"look": "nothing"}, {"glass_cracked": "yes"}):
        problem = whole(compiled, findings)
        action = roll_out.make(problem, SHOP).decide(start(problem))
        base = OneStep(problem, SHOP.worth_per_bit)
        quote = spread(problem, compiled, action, base, SHOP.dear_part)
        assert quote.low <= quote.likely <= quote.high
        assert 0.0 <= quote.exceeds <= 0.1 + 1e-9
        assert 0.0 <= quote.dear_for_nothing <= 1.0
        advice = advice_from(problem, compiled.model, action)
        assert advice.cost <= advice.cost_repairing + 1e-9


End = tuple[float, float, np.ndarray]
"""How likely a job ends so, what its work cost, and its parts' low, likely and high prices."""


def by_hand(
    compiled: CompiledModel, problem: Problem, policy: Policy
) -> tuple[Mapping[str, float], Mapping[str, list[End]]]:
    """A job followed through every result: expected figures of it, and its ends by kind."""
    model, names = compiled.model, problem.stages
    mean: dict[str, float] = defaultdict(float)
    ends: dict[str, list[End]] = defaultdict(list)
    kept: list[tuple[float, np.ndarray]] = []
    assert model.retest is not None

    def way(begin: str, end: str) -> float:
        return compiled.routes[begin, end].minutes

    for step in walk(problem, policy, EveryResult()):
        p, here = step.group, names[step.situation.stage]
        work, parts = kept[step.before] if step.before >= 0 else (0.0, np.zeros(3))
        if step.action.kind == "check":
            check = model.checks_by_name[problem.checks[step.action.number].name]
            minutes = way(here, check.stage) + check.minutes
            work += SHOP.cost(minutes, check.consumables)
            mean["checks"] += p
            mean["minutes"] += p * minutes
        else:
            closing = way(here, model.start)
            if not step.situation.repaired:
                ends["looked at"].append((p, work + SHOP.cost(closing, 0.0), parts))
            if step.action.kind == "hand over":
                mean["given up"] += p
                mean["minutes"] += p * closing
                ends["given up"].append((p, work + SHOP.cost(closing, 0.0), parts))
            else:
                number = step.action.number
                repair = model.repairs_by_name[problem.repairs[number].name]
                look = names[problem.repairs[number].test_stage]
                minutes = way(here, repair.stage) + repair.minutes + way(repair.stage, look)
                minutes += model.retest.minutes
                work += SHOP.cost(minutes, 0.0)
                price = repair.part
                parts = parts + np.array([price.low, price.likely, price.high])
                helps = np.zeros(len(problem.weights))
                for cause, states in repair.mends.items():
                    at = problem.causes.index(cause)
                    faulty = [model.by_name[cause].states.index(state) for state in states]
                    helps = np.maximum(helps, np.isin(problem.scenarios[:, at], faulty))
                for_nothing = p * float(step.situation.weights @ (1.0 - helps))
                mean["wrong"] += for_nothing
                mean["needless"] += for_nothing if price.likely >= SHOP.dear_part else 0.0
                mean["minutes"] += p * minutes
                for shown in step.ways:
                    if shown.result == PASSES:
                        closing = way(look, model.start)
                        mean["minutes"] += shown.group * closing
                        end = (shown.group, work + SHOP.cost(closing, 0.0), parts)
                        ends["repaired"].append(end)
                slipped = after_repair(problem, step.situation, number)[1]
                passed = sum(shown.group for shown in step.ways if shown.result == PASSES)
                mean["solved"] += passed - p * slipped
        kept.append((work, parts))
    return mean, ends


def quantile(ends: list[End], at: float) -> float:
    """The least cost that is not passed with that probability; parts cost little in one of four,
    much in one of four."""
    priced = sorted(
        (work + price, p * share)
        for p, work, parts in ends
        for price, share in zip(parts.tolist(), (0.25, 0.5, 0.25), strict=True)
    )
    whole, below = sum(p for _, p in priced), 0.0
    for cost, p in priced:
        below += p / whole
        if below >= at - 1e-9:
            return cost
    return priced[-1][0]


JOBS = [{}, {"look": "nothing"}, {"glass_cracked": "yes"}, {"look": "lines", "tap_flicker": "yes"}]


@dataclass(frozen=True)
class Begun:
    """One action, and then a policy."""

    action: Action
    then: Policy

    def decide(self, situation: Situation) -> Action:
        begun = situation.checked or situation.repaired
        return self.then.decide(situation) if begun else self.action


@pytest.mark.parametrize("findings", JOBS)
@pytest.mark.parametrize("first", range(9))
def test_a_quote_is_the_spread_of_following_every_result(
    compiled: CompiledModel, findings: dict[str, str], first: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is done first, with no story thinned out; the figures are worked out anew from the
    model's own."""
    monkeypatch.setattr(quoting, "Abreast", lambda problem: Abreast(problem, 1e-15))
    problem = whole(compiled, findings)
    base = OneStep(problem, SHOP.worth_per_bit)
    actions = [base.decide(start(problem))]
    actions += [Action("check", number, np.nan) for number in range(len(problem.checks))]
    actions += [Action("repair", number, np.nan) for number in range(len(problem.repairs))]
    if first >= len(actions):
        return
    quote = spread(problem, compiled, actions[first], base, SHOP.dear_part)
    mean, ends = by_hand(compiled, problem, Begun(actions[first], base))
    every = [*ends["repaired"], *ends["given up"]]
    assert quote.low == pytest.approx(quantile(every, 0.1))
    assert quote.likely == pytest.approx(quantile(every, 0.5))
    assert quote.high == pytest.approx(quantile(every, 0.9))
    assert quote.looking == pytest.approx(quantile(ends["looked at"], 0.5))
    assert quote.repaired == pytest.approx(quantile(ends["repaired"], 0.5))
    assert quote.repaired_high == pytest.approx(quantile(ends["repaired"], 0.9))
    assert quote.given_up == pytest.approx(mean["given up"], abs=1e-6)
    assert quote.dear_for_nothing == pytest.approx(mean["needless"], rel=1e-6)
    assert quote.minutes == pytest.approx(mean["minutes"], rel=1e-6)
    dearer = sum(
        p * share
        for p, work, parts in every
        for price, share in zip(parts.tolist(), (0.25, 0.5, 0.25), strict=True)
        if work + price > quote.high + 1e-6
    )
    assert quote.exceeds == pytest.approx(dearer, abs=1e-6)


@pytest.mark.parametrize("findings", JOBS)
def test_simulated_tickets_come_out_as_following_every_result_says(
    compiled: CompiledModel, findings: dict[str, str]
) -> None:
    problem = whole(compiled, findings)
    base = OneStep(problem, SHOP.worth_per_bit)
    mean, _ = by_hand(compiled, problem, base)
    rng = np.random.default_rng(17)
    machines = draw_machines(compiled, 40_000, rng, findings)
    before = machines.copy()
    outcome = simulate(compiled, problem, base, SHOP, machines, rng)
    assert np.array_equal(machines, before)
    assert mean["wrong"] > mean["needless"] > 0.0
    mean = {**mean, "money": policy_cost(problem, base)}
    for name in ("money", "minutes", "checks", "wrong", "needless", "solved"):
        told = getattr(outcome, name)
        error = max(told.std() / np.sqrt(len(told)), 1e-9)
        assert abs(told.mean() - mean[name]) < 3.5 * error, name
    assert outcome.drawn.sum() == 0.0
    assert sum(outcome.in_vain.values()) == pytest.approx(outcome.wrong)


@pytest.mark.parametrize("findings", JOBS)
def test_a_repair_instead_of_the_advice_is_priced_over_the_whole_job(
    compiled: CompiledModel, findings: dict[str, str]
) -> None:
    told = consult(Case(compiled, findings))
    problem = told.problem
    for number, repair in enumerate(problem.repairs):
        price = instead(told, repair.name)
        cost, fails, after = repair_step(problem, start(problem), number)
        assert after is not None
        then = told.policy.decide(after)
        assert price.cost == pytest.approx(cost + fails * then.expected_cost)
        assert told.advice is not None
        assert price.cost_advised == told.advice.cost
        # Sound: the joint state without a fault, which comes first.
        assert price.right == pytest.approx(problem.after_repair(problem.weights, number)[0])
        again = consult(Case(compiled, findings, tried=(Tried(repair.name),)))
        assert price.teaches == {c: (told.causes[c], p) for c, p in again.causes.items()}
        assert told.quote is not None
        assert price.minutes_advised == told.quote.minutes
        if told.action == Action("repair", number, told.action.expected_cost):
            assert price.minutes == pytest.approx(price.minutes_advised)


def test_a_habit_is_priced_where_the_policy_says_no_cost(compiled: CompiledModel) -> None:
    """`one-step` names checks without a cost: repairing at once bounds it."""
    told = consult(Case(compiled, {"look": "nothing"}), policy="one-step")
    problem = told.problem
    number = [one.name for one in problem.repairs].index("new_lid")
    cost, fails, after = repair_step(problem, start(problem), number)
    assert after is not None
    assert told.policy.decide(after).kind == "check"
    bound = order_cost(problem, after.weights, after.stage, after.repaired)
    assert instead(told, "new_lid").cost == pytest.approx(cost + fails * bound)


def test_a_habit_that_cannot_be_priced_is_refused_in_a_sentence(compiled: CompiledModel) -> None:
    stopping = (StopRule("glass_cracked", ("yes",), "Stop: broken glass cuts."),)
    stopped = compile_model(replace(compiled.model, stop_rules=stopping))
    moves = tuple(move for move in compiled.model.moves if move.start != "closed")
    shut = replace(compiled.model, moves=moves)
    cases = {
        "^STOP. Stop: broken glass cuts.$": Case(stopped, {"glass_cracked": "yes"}),
        "new_lid was made already": Case(compiled, tried=(Tried("new_lid"),)),
        "ends with a name": Case(compiled, naming=Naming(wrong=50.0)),
        "No way leads to new_lid": Case(compile_model(shut)),
    }
    for sentence, case in cases.items():
        with pytest.raises(FaultfinderError, match=sentence):
            instead(consult(case), "new_lid")


def test_the_printed_plan_of_the_shop_model_costs_what_it_says() -> None:
    """The folded plan, as printed, on 100,000 tickets drawn from the shop's own model."""
    compiled = load_model("thin_clamshell")
    findings = {"backlight": "off", "image": "none"}
    problem = build_problem(compiled, findings, shop=SHOP)
    plan = make_plan(problem, RollOut(problem, SHOP.worth_per_bit), fold_below=0.05, depth=6)
    rng = np.random.default_rng(5)
    machines = draw_machines(compiled, 100_000, rng, findings)
    outcome = simulate(compiled, problem, AsPrinted(problem, plan), SHOP, machines, rng)
    spread = outcome.money.std() / np.sqrt(len(outcome.money))
    assert outcome.money.mean() == pytest.approx(plan.expected_cost, abs=3.3 * spread)


def test_opening_the_cover_is_dear_for_one_check_and_cheap_for_two() -> None:
    """Four equal faults; two checks behind a cover, each of which halves them.

    One check does not pay for the opening; both together do. Looking one step ahead
    would never open the machine.
    """
    faults = np.vstack([np.zeros((1, 4)), np.eye(4)])
    halves = {"T0": [1, 1, 0, 0], "T1": [1, 0, 1, 0]}
    case = make_problem(
        faults,
        [0.0, 0.25, 0.25, 0.25, 0.25],
        {f"R{i}": (30.0, {i: 1.0}) for i in range(4)},
        {name: (0.5, [row, [1 - x for x in row]]) for name, row in halves.items()},
        places={"T0": 1, "T1": 1},
        travel=[[0.0, 31.0], [0.0, 0.0]],
    )
    repairing = best_order(case, case.weights, 0).cost
    assert repairing == pytest.approx(75.0)
    best = RollOut(case, 40.0).decide(start(case))
    checks = best.weighed
    assert best.kind == "check"
    assert checks[0].saves_alone == pytest.approx(75.0 - (31.5 + 45.0))
    assert checks[0].saves == pytest.approx(75.0 - (32.0 + 30.0))
    assert Exact(case).decide(start(case)).expected_cost == pytest.approx(62.0)
    # Looking ahead sees as much, even where only what opening up gives access to is looked into.
    for width in (4, 0):
        seen = LookAhead(case, width).decide(start(case)).weighed[0]
        assert seen.saves == pytest.approx(75.0 - (32.0 + 30.0))
        assert seen.saves_alone == pytest.approx(75.0 - (31.5 + 45.0))
        assert seen.follow_up == 1 - seen.number


def test_of_stages_not_reached_yet_the_two_that_tell_most_are_looked_into() -> None:
    faults = np.vstack([np.zeros((1, 4)), np.eye(4)])
    halves = {"T0": [0.9, 0.9, 0.1, 0.1], "T1": [1, 1, 0, 0], "T2": [1, 0, 1, 0]}
    case = make_problem(
        faults,
        [0.0, 0.25, 0.25, 0.25, 0.25],
        {f"R{i}": (30.0, {i: 1.0}) for i in range(4)},
        {name: (0.5, [row, [1 - x for x in row]]) for name, row in halves.items()},
        places={"T0": 1, "T1": 2, "T2": 3},
        travel=1.0 - np.eye(4),
    )
    found = LookAhead(case, width=0).decide(start(case))
    assert {one.number: one.follow_up for one in found.weighed} == {0: -1, 1: 2, 2: 1}


@pytest.mark.parametrize("count", [2, 3])
def test_faults_that_are_there_together_are_repaired_together(count: int) -> None:
    """No single repair cures two faults at once; that is no reason to hand the machine over."""
    both = np.array(np.meshgrid(*[[0, 1]] * count, indexing="ij")).reshape(count, -1).T
    weights = np.zeros(len(both))
    weights[-1] = 1.0
    case = make_problem(
        both, weights, {f"R{i}": (10.0 + i, {i: 1.0}) for i in range(count)}, {}, give_up=400.0
    )
    least = Exact(case).decide(start(case)).expected_cost
    assert best_order(case, case.weights, 0).cost == pytest.approx(least)
    assert order_cost(case, case.weights, 0) == pytest.approx(least)
    assert RollOut(case, 40.0).decide(start(case)).kind == "repair"


def test_scenarios_that_a_repair_leads_out_of_are_refused() -> None:
    open_ended = np.array([[0, 0, 0], [1, 1, 1], [1, 0, 0]])
    case = make_problem(open_ended, [0.0, 1.0, 0.0], {"R0": (1.0, {0: 1.0})}, {}, give_up=9.0)
    with pytest.raises(FaultfinderError, match="not listed"):
        case.after_repair(case.weights, 0)


def test_where_giving_up_is_no_choice_the_order_goes_on_to_the_end() -> None:
    rare = 5e-5
    faults = np.vstack([np.zeros((1, 2)), np.eye(2)])
    case = make_problem(
        faults, [0.0, 1 - rare, rare], {"R0": (10.0, {0: 1.0}), "R1": (12.0, {1: 1.0})}, {}
    )
    expected = 10.0 + rare * 12.0
    assert best_order(case, case.weights, 0).cost == pytest.approx(expected)
    assert order_cost(case, case.weights, 0) == pytest.approx(expected)


@pytest.mark.parametrize("findings", JOBS)
def test_advice_names_the_repairs_in_turn_and_what_each_check_saves(
    compiled: CompiledModel, findings: dict[str, str]
) -> None:
    problem = whole(compiled, findings)
    names = [repair.name for repair in problem.repairs]
    at_once = best_order(problem, problem.weights, problem.stage)
    actions = [roll_out.make(problem, SHOP).decide(start(problem)), Action("check", 1, np.nan),
               Action("hand over", -1, 400.0)]  # fmt: skip
    actions += [Action("repair", number, 100.0 + number) for number in range(len(names))]
    for action in actions:
        advice = advice_from(problem, compiled.model, action)
        order = [names[step.repair] for step in at_once.steps]
        kind, name = action.kind, ""
        if action.kind == "repair":
            name = names[action.number]
            then = after_repair(problem, start(problem), action.number)[3]
            assert then is not None
            rest = best_order(problem, then.weights, then.stage, then.repaired)
            order = [name, *(names[step.repair] for step in rest.steps)]
            # What only a specialist does is handing over, with a cure in sight.
            kind = "hand over" if name == "board_work" else "repair"
        elif action.kind == "check":
            name = problem.checks[action.number].name
        assert (advice.kind, advice.name) == (kind, name)
        assert list(advice.order) == order
        assert advice.cost_repairing == pytest.approx(at_once.cost)
        cost = at_once.cost if np.isnan(action.expected_cost) else action.expected_cost
        assert (advice.cost, advice.saves) == pytest.approx((cost, at_once.cost - cost))
        for told, weighed in zip(advice.checks, action.weighed, strict=True):
            check = problem.checks[weighed.number]
            assert (told.check, told.expected_cost) == (check.name, weighed.expected_cost)
            assert (told.saves, told.saves_alone) == (weighed.saves, weighed.saves_alone)
            assert told.cost == check_cost(problem, start(problem), weighed.number)
            then_check = weighed.follow_up
            assert told.then == (problem.checks[then_check].name if then_check >= 0 else "")


def test_what_a_look_cannot_show_is_no_branch() -> None:
    """A repair that mends nothing never brings the picture back, one that cures always does."""
    for mends, label in (({}, "still no usable picture"), ({0: 1.0}, "picture is back")):
        case = single_fault([1.0], {"R0": (10.0, mends)}, give_up=50.0)
        begun = Begun(Action("repair", 0, np.nan), OneStep(case, 5.0))
        root = make_plan(case, begun).root
        assert [branch.label for branch in root.branches] == [label]
        assert root.expected_cost == pytest.approx(10.0 if mends else 60.0)


def test_a_repair_that_always_cures_is_all_that_is_in_turn(compiled: CompiledModel) -> None:
    case = single_fault([1.0], {"reseat": (10.0, {0: 1.0}), "new_lid": (20.0, {0: 1.0})})
    assert advice_from(case, compiled.model, Action("repair", 0, 10.0)).order == ("reseat",)


def test_what_could_not_be_told_after_a_repair_is_not_asked_again(
    compiled: CompiledModel,
) -> None:
    tried = [Tried("reseat", {"look": None})]
    problem = build_problem(compiled, {"glass_cracked": "no"}, tried=tried, shop=SHOP)
    names = [check.name for check in problem.checks]
    assert "look" not in names
    # What was seen before the repair can be looked at again.
    assert "glass" in names


def test_looks_that_stop_the_job_are_never_weighed_in_a_plan() -> None:
    compiled = load_model("thin_clamshell")
    stopping = {rule.finding for rule in compiled.model.stop_rules}
    problem = build_problem(compiled, {}, shop=SHOP, lost=1e-2)
    assert stopping
    for check in problem.checks:
        assert not stopping.intersection(compiled.model.checks_by_name[check.name].observes)


def test_a_cause_of_many_histories_is_weighed_exactly() -> None:
    """Its table is split into steps; what is listed is then believed as the network does."""
    model = small_shop()
    names = ("worn", "wet", "hot")
    histories = [replace(model.by_name["knock"], name=name) for name in names]
    given = {name: {"yes": Link((0.8, 0.2))} for name in names}
    told = NoisyMax(names, Link((0.9, 0.1)), given)
    variables = [replace(v, distribution=told) if v.name == "strip" else v for v in model.variables]
    compiled = compile_model(replace(model, variables=(*histories, *variables)))
    for known in ({}, {"wet": "yes"}, {"worn": "yes", "hot": "no", "look": "faint"}):
        problem = build_problem(compiled, known, at_once=4, lost=0.0)
        exact = causes_given(compiled, known)
        for place, cause in enumerate(problem.causes):
            listed = float(problem.weights @ (problem.scenarios[:, place] != 0))
            assert listed == pytest.approx(exact[cause], abs=1e-12)
