"""Tickets played again, on machines completed under a reference model. All invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.judge.completed import complete_machines
from faultfinder.learning.judge.paired import paired_difference
from faultfinder.learning.judge.played import play_tickets
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import StopRule
from tests.brute_force import joint_of_model
from tests.drawn_tickets import drawn_tickets, with_rate
from tests.small_shop import small_shop

AT = "2024-05-01T10:00:00Z"


@pytest.fixture(scope="module")
def truth() -> CompiledModel:
    return compile_model(small_shop())


@pytest.fixture(scope="module")
def tickets(truth: CompiledModel) -> list[ClosedTicket]:
    return drawn_tickets(truth, 150, seed=2)


@pytest.fixture(scope="module")
def full(truth: CompiledModel) -> list[ClosedTicket]:
    """Tickets on which everything was recorded."""
    return drawn_tickets(truth, 150, seed=3, recorded=1.1)


def test_a_completed_machine_keeps_what_was_recorded_and_confirmed(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    network = truth.network
    machines = complete_machines(truth, tickets)
    assert machines.possible.all()
    for ticket, states in zip(tickets, machines.states, strict=True):
        told = {n: s[i] for n, s, i in zip(network.names, network.states, states, strict=True)}
        assert dict(ticket.findings).items() <= told.items()
        assert told["no_picture"] == "yes"
        for cause in truth.causes:
            name = network.names[cause]
            faulty = told[name] in truth.model.faulty_states(name)
            assert faulty == (name in (ticket.causes or ()))


def test_what_was_not_recorded_is_drawn_with_its_probability(truth: CompiledModel) -> None:
    """Joint results of the open findings, against every joint state counted: a G statistic
    over 20,000 draws stays below the 99.99 % point of its chi-square."""
    from scipy.stats import chi2

    joint = joint_of_model(small_shop())
    count = 20_000
    # The history and the plug's state stay open: the findings depend on each other.
    seen = {"look": "lines", "plug_seen": "no"}
    same = [ClosedTicket(n, AT, seen, ("plug", "panel")) for n in range(count)]
    machines = complete_machines(truth, same, seed=4)
    names = ("knock", "plug", "glass_cracked", "tap_flicker", "strip_volts")
    label = np.zeros(count, dtype=np.int64)
    for name in names:
        number = truth.network.index[name]
        label = label * truth.network.cards[number] + machines.states[:, number]
    known = {**seen, "no_picture": "yes", "panel": "damaged", "strip": "fine", "board": "fine"}
    weights = joint.weights(known)
    weights[(slice(None),) * joint.axis("plug") + (0,)] = 0.0
    size = int(joint.joint_labels(names).max()) + 1
    chance = np.bincount(joint.joint_labels(names), weights.reshape(-1), minlength=size)
    expected = chance / chance.sum() * count
    got = np.bincount(label, minlength=size)
    assert (got[expected == 0.0] == 0).all()
    open_ = (expected > 0.0) & (got > 0)
    statistic = 2 * (got[open_] * np.log(got[open_] / expected[open_])).sum()
    assert statistic < chi2.ppf(0.9999, (expected > 0.0).sum() - 1)


def test_a_tickets_machine_does_not_depend_on_the_other_tickets(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    together = complete_machines(truth, tickets, seed=5).states
    apart = complete_machines(truth, tickets[::-1][:30], seed=5).states
    assert np.array_equal(together[::-1][:30], apart)
    assert not np.array_equal(together, complete_machines(truth, tickets, seed=6).states)


def test_a_fully_recorded_ticket_needs_no_drawing(
    truth: CompiledModel, full: list[ClosedTicket]
) -> None:
    told = play_tickets(truth, full, truth)
    assert told.numbers == tuple(ticket.number for ticket in full if ticket.causes)
    assert told.figures["drawn"].sum() == 0.0
    assert told.figures["checks"].mean() > 0.5


def test_a_ticket_with_nothing_recorded_has_every_check_drawn(truth: CompiledModel) -> None:
    blank = [ClosedTicket(n, AT, {}, ("plug",)) for n in range(1, 30)]
    told = play_tickets(truth, blank, truth)
    assert np.array_equal(told.figures["drawn"], told.figures["checks"])
    assert told.figures["drawn"].sum() > 0.0


def test_a_job_is_played_to_its_end_in_money(
    truth: CompiledModel, full: list[ClosedTicket]
) -> None:
    """Where work is dear beyond measure every machine is handed over as it is."""
    told = play_tickets(truth, full[:20], truth, shop=Shop(labour_per_hour=6e5))
    assert set(told.figures["money"].tolist()) == {Shop().lost_unrepaired}
    for name in ("minutes", "checks", "wrong", "solved"):
        assert told.figures[name].sum() == 0.0
    usual = play_tickets(truth, full[:20], truth)
    assert usual.figures["solved"].mean() > 0.5
    assert (usual.figures["needless"] <= usual.figures["wrong"]).all()
    assert (usual.figures["minutes"] > 0.0).all()


def test_the_true_figures_cost_less_than_wrong_ones(truth: CompiledModel) -> None:
    many = drawn_tickets(truth, 400, seed=7)
    wrong = with_rate(small_shop(), "strip", 0.2, 0.8)
    old, new = (play_tickets(model, many, truth) for model in (wrong, truth))
    assert old.numbers == new.numbers
    found = paired_difference(old.figures["money"], new.figures["money"])
    assert found.interval[1] < 0.0


def test_a_history_the_model_holds_impossible_keeps_a_ticket_from_being_played(
    truth: CompiledModel,
) -> None:
    careful = with_rate(small_shop(), "knock", 1.0, 0.0)
    some = [
        ClosedTicket(1, AT, {"knock": "yes"}, ("plug",)),
        ClosedTicket(2, AT, {"knock": "no"}, ("plug",)),
    ]
    told = play_tickets(careful, some, truth)
    assert told.numbers == (2,)


def test_the_same_model_twice_differs_by_nothing(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    told = play_tickets(truth, tickets, truth)
    again = play_tickets(compile_model(small_shop()), tickets, truth)
    for name, values in told.figures.items():
        assert np.array_equal(values, again.figures[name])


def test_only_tickets_with_a_confirmed_cause_are_played(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    mixed = [replace(tickets[0], causes=None), replace(tickets[1], causes=()), *tickets[2:5]]
    told = play_tickets(truth, mixed, truth)
    assert told.numbers == (3, 4, 5)


def test_a_finding_that_stops_the_diagnosis_for_safety_keeps_a_ticket_from_being_played() -> None:
    model = replace(
        small_shop(), stop_rules=(StopRule("glass_cracked", ("yes",), "Stop: broken glass cuts."),)
    )
    compiled = compile_model(model)
    some = [
        ClosedTicket(1, AT, {"glass_cracked": "yes"}, ("panel",)),
        ClosedTicket(2, AT, {"glass_cracked": "no"}, ("panel",)),
    ]
    told = play_tickets(compiled, some, compiled)
    assert told.numbers == (2,)


def test_tickets_the_reference_holds_impossible_are_set_aside(truth: CompiledModel) -> None:
    sure = with_rate(small_shop(), "strip", 1.0, 0.0)
    some = [ClosedTicket(1, AT, {}, ("strip",)), ClosedTicket(2, AT, {}, ("panel",))]
    told = play_tickets(truth, some, sure)
    assert told.numbers == (2,)


def test_of_many_tickets_a_sample_is_played(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    def numbers(seed: int) -> tuple[int, ...]:
        return play_tickets(truth, tickets, truth, most=20, seed=seed).numbers

    assert len(set(numbers(1))) == 20
    assert numbers(1) == numbers(1)
    assert numbers(1) != numbers(2)
