"""Closed tickets under other figures: forecasts, comparisons, folds. Tickets are invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultfinder.errors import MisuseError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.judge.forecasts import batches, check_same_structure, forecast
from faultfinder.learning.judge.replay import Comparison, compared, random_folds
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Row, Table
from tests.brute_force import joint_of_model
from tests.consulted import look_at
from tests.drawn_tickets import drawn_tickets, with_rate
from tests.small_shop import small_shop

LOSSES = ("log_loss", "brier", "label_log_loss")
ALL = (*LOSSES, "top1", "top3")


def compare(old: CompiledModel, new: CompiledModel, tickets: Sequence[ClosedTicket]) -> Comparison:
    return compared([(forecast(old, tickets), forecast(new, tickets))], tickets, resamples=200)


@pytest.fixture(scope="module")
def truth() -> CompiledModel:
    return compile_model(small_shop())


@pytest.fixture(scope="module")
def wrong() -> CompiledModel:
    """Thinks that backlight strips die far more often than they do."""
    return with_rate(small_shop(), "strip", 0.5, 0.5)


@pytest.fixture(scope="module")
def tickets(truth: CompiledModel) -> list[ClosedTicket]:
    return drawn_tickets(truth, 400, seed=1)


def bare(number: int, at: str = "2024-05-01T10:00:00Z") -> ClosedTicket:
    return ClosedTicket(number, at, {}, ("plug",))


def never_lines() -> CompiledModel:
    """Holds lines on the screen to be impossible."""
    model = small_shop()
    look = Table((), (Row({}, (0.0, 0.5, 0.5)),))
    return compile_model(
        replace(
            model,
            variables=tuple(
                replace(v, distribution=look) if v.name == "look" else v for v in model.variables
            ),
        )
    )


def test_forecasts_for_many_tickets_are_those_of_one_diagnosis_each(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    told = forecast(truth, tickets[:40])
    for row, ticket in zip(told.probabilities, tickets[:40], strict=True):
        alone = look_at(truth, dict(ticket.findings)).causes
        assert dict(zip(told.causes, row, strict=True)) == pytest.approx(alone, abs=1e-12)


def test_the_label_loss_is_that_of_every_joint_state_counted(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    joint = joint_of_model(small_shop())
    model = truth.model
    told = forecast(truth, tickets[:15])
    for loss, ticket in zip(told.label_loss, tickets[:15], strict=True):
        seen = {**ticket.findings, "no_picture": "yes"}
        ways = product(
            *(
                model.faulty_states(name)
                if name in (ticket.causes or ())
                else model.by_name[name].states[:1]
                for name in told.causes
            )
        )
        both = sum(
            joint.probability({**seen, **dict(zip(told.causes, way, strict=True))}) for way in ways
        )
        assert loss == pytest.approx(-np.log(both / joint.probability(seen)), abs=1e-9)


def test_findings_whose_parents_no_clique_holds_are_batched_apart(truth: CompiledModel) -> None:
    alone = frozenset(truth.tree.cliques[0])
    far = replace(truth, tree=replace(truth.tree, cliques=tuple((v,) for v in alone)))
    number = truth.network.index["look"]
    assert far.tree.home(truth.network.parents[number]) is None
    findings = [{"look": "lines"}, {}, {"look": "faint"}, {"knock": "yes"}]
    assert [part.tolist() for part in batches(far, findings)] == [[0, 2], [1, 3]]


def test_the_true_figures_do_better_than_wrong_ones(
    truth: CompiledModel, wrong: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    told = compare(wrong, truth, tickets)
    for name in LOSSES:
        assert told.differences[name].interval[1] < 0.0
    assert told.new.top1.share > told.old.top1.share
    assert told.new.binned.reliability < told.old.binned.reliability
    assert told.differences["brier"].mean == pytest.approx(told.new.brier - told.old.brier)


def test_a_model_compared_with_itself_differs_by_exactly_nothing(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    told = compare(truth, compile_model(small_shop()), tickets)
    assert set(told.differences) == set(ALL)
    for difference in told.differences.values():
        assert difference.mean == 0.0
        assert difference.interval == (0.0, 0.0)
    assert told.old == told.new


def test_the_order_of_tickets_does_not_matter_to_scores(
    truth: CompiledModel, wrong: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    there, back = compare(wrong, truth, tickets), compare(wrong, truth, tickets[::-1])
    assert there.new.log_loss == pytest.approx(back.new.log_loss, rel=1e-12)
    assert there.differences["brier"].mean == pytest.approx(back.differences["brier"].mean)


def test_the_true_figures_are_calibrated(truth: CompiledModel) -> None:
    """Few of many bins lie outside their 95 % interval; a wrong model has most outside."""
    many = drawn_tickets(truth, 3000, seed=11)
    told = compare(with_rate(small_shop(), "strip", 0.5, 0.5), truth, many)

    def outside(rows: Sequence[object]) -> int:
        return sum(
            not row.interval[0] <= row.mean_forecast <= row.interval[1]  # type: ignore[attr-defined]
            for row in rows
            if row.count  # type: ignore[attr-defined]
        )

    assert outside(told.new.calibration) <= 2
    assert outside(told.old.calibration) >= 5


def test_tickets_without_an_established_cause_are_counted_and_not_scored(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    unknown = [replace(ticket, causes=None) for ticket in tickets[:10]]
    told = compare(truth, truth, [*unknown, *tickets[10:60]])
    assert (told.without_cause, told.old.tickets) == (10, 50)
    assert told.numbers == tuple(ticket.number for ticket in tickets[10:60])


def test_findings_that_one_model_holds_impossible_are_set_aside_for_both(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    told = compare(truth, never_lines(), tickets)
    lines = tuple(t.number for t in tickets if t.findings.get("look") == "lines")
    assert lines
    assert (told.impossible_old, told.impossible_new) == ((), lines)
    assert told.old.tickets == told.new.tickets == len(tickets) - len(lines)
    assert all(np.isfinite(d.mean) for d in told.differences.values())


def test_a_confirmed_cause_held_impossible_costs_much(
    truth: CompiledModel,
) -> None:
    sure = with_rate(small_shop(), "strip", 1.0, 0.0)
    seen = [ClosedTicket(n, "2024-05-01T10:00:00Z", {}, ("strip",)) for n in (1, 2, 3)]
    told = compare(truth, sure, seen)
    assert told.new.label_log_loss == pytest.approx(27.631, abs=1e-3)


@pytest.mark.parametrize(
    ("ticket", "sentence"),
    [
        (ClosedTicket(7, "", {"lock": "yes"}, ("plug",)), 'Ticket 7: "lock".*look'),
        (ClosedTicket(7, "", {"look": "line"}, ("plug",)), 'Ticket 7: look .*"line".*lines'),
        (ClosedTicket(7, "", {}, ("plugg",)), 'Ticket 7: "plugg" is no cause.*plug'),
        (ClosedTicket(7, "", {"plug": "off"}, ("plug",)), "no finding or history"),
        (ClosedTicket(7, "", {"light": "off"}, ("plug",)), "no finding or history"),
    ],
)
def test_a_name_that_is_not_the_models_is_refused_with_the_ticket(
    truth: CompiledModel, ticket: ClosedTicket, sentence: str
) -> None:
    with pytest.raises(MisuseError, match=sentence):
        compare(truth, truth, [bare(1), bare(2), ticket])


def test_models_of_different_structure_are_not_compared(truth: CompiledModel) -> None:
    model = small_shop()
    other = replace(
        model, variables=tuple(v for v in model.variables if v.name != "tap_flicker"),
        checks=tuple(c for c in model.checks if c.name != "tap"),
    )  # fmt: skip
    with pytest.raises(MisuseError, match="tap_flicker"):
        check_same_structure(truth, compile_model(other))


def test_too_few_tickets_are_refused(truth: CompiledModel) -> None:
    with pytest.raises(MisuseError, match="Of 2 tickets, 1 can be scored"):
        compare(truth, truth, [bare(1), replace(bare(2), causes=None)])


@given(st.integers(2, 40), st.integers(2, 12), st.integers(0, 1000))
def test_each_ticket_is_held_out_once_and_never_learnt_from_then(
    count: int, folds: int, seed: int
) -> None:
    some = [bare(number) for number in range(count)]
    if folds > count:
        with pytest.raises(MisuseError, match="folds"):
            random_folds(some, folds, seed)
        return
    split = random_folds(some, folds, seed)
    held = sorted(t.number for _, after in split for t in after)
    assert held == list(range(count))
    for before, after in split:
        numbers = [t.number for t in (*before, *after)]
        assert sorted(numbers) == list(range(count))
        assert abs(len(after) - count / folds) < 1
    assert split == random_folds(some, folds, seed)
