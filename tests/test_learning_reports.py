"""What else closed tickets tell: shifts over time, and labels that are hard to believe."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.drift import drift
from faultfinder.learning.watch.unlikely import unlikely_tickets
from faultfinder.model.parts import FaultModel, Row, Table
from faultfinder.model.reading.reader import parse_model
from faultfinder.report.learning.text import _add_doubtful
from faultfinder.report.page import Page
from tests.brute_force import joint_of_model
from tests.closed_tickets import drawn
from tests.em_by_hand import weights_of
from tests.invented_models import SMALL_LID

SPRING, SUMMER = "2024-03-01", "2024-07-01"


@pytest.fixture(scope="module")
def lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))


def dated(tickets: list[ClosedTicket], date: str) -> list[ClosedTicket]:
    return [replace(ticket, closed_at=date) for ticket in tickets]


def with_dead_strips(model: FaultModel, chance: float) -> FaultModel:
    return replace(
        model,
        variables=tuple(
            replace(v, distribution=Table((), (Row({}, (1 - chance, chance)),)))
            if v.name == "strip"
            else v
            for v in model.variables
        ),
    )


def test_a_cause_that_became_common_is_found_and_nothing_is_where_nothing_changed(
    lid: CompiledModel,
) -> None:
    later = compile_model(with_dead_strips(lid.model, 0.15))
    before = dated(drawn(lid, 600, seed=1), SPRING)
    after = dated(drawn(later, 600, seed=2), SUMMER)
    first = drift(lid, [*before, *after], "2024-05-01")[0]
    assert first.name == "strip"
    assert first.states == ("absent", "present")
    assert first.adjusted is not None
    assert first.adjusted < 1e-6
    assert sum(first.counts_before) == sum(first.counts_after) == 600
    strips = sum("strip" in (ticket.causes or ()) for ticket in before)
    assert first.shares_before[1] == pytest.approx(strips / 600)
    # 60 times nothing happened: by and large no alarm at 5 % after the correction.
    alarms = 0
    pool = drawn(lid, 18_000, seed=50)
    for start in range(0, 18_000, 300):
        same = pool[start : start + 300]
        shifts = drift(lid, [*dated(same[:150], SPRING), *dated(same[150:], SUMMER)], "2024-05-01")
        alarms += any(s.adjusted is not None and s.adjusted < 0.05 for s in shifts)
    assert alarms <= 8


def test_drift_needs_tickets_on_both_sides_and_a_date(lid: CompiledModel) -> None:
    tickets = dated(drawn(lid, 30, seed=1), SPRING)
    with pytest.raises(FaultfinderError, match="All 30 tickets were closed before 2025-01-01"):
        drift(lid, tickets, "2025-01-01")
    with pytest.raises(MisuseError, match=r'split at is "May".*must be a date'):
        drift(lid, tickets, "May")


def test_unlikely_tickets_are_those_of_the_posterior_worst_first(lid: CompiledModel) -> None:
    good = drawn(lid, 120, seed=3)
    # Lit, cracked and lined: by all it shows the panel, and yet labelled a dead strip.
    odd = ClosedTicket(
        500,
        SPRING,
        {"backlight": "on", "glass": "whole", "image": "spoilt", "lamp_image": "no"},
        ("strip",),
    )
    listed = unlikely_tickets(lid, [*good, odd, replace(odd, number=501, causes=None)], 5)
    assert listed[0].number == 500
    assert listed[0].causes == ("strip",)
    assert listed[0].leading == "panel"
    assert listed[0].against[0].finding == "image" or listed[0].against[0].finding == "backlight"
    chances = [ticket.probability for ticket in listed]
    assert chances == sorted(chances)
    # All of them by counting every joint state.
    joint = joint_of_model(lid.model)
    by_hand = {}
    for ticket in [*good, odd]:
        whole = weights_of(joint, lid.model, replace(ticket, causes=None)).sum()
        by_hand[ticket.number] = float(weights_of(joint, lid.model, ticket).sum() / whole)
    assert chances == pytest.approx(sorted(by_hand.values())[:5], rel=1e-9)
    for found in listed:
        assert found.probability == pytest.approx(by_hand[found.number], rel=1e-9)
    strip = listed[0]
    for against in strip.against:
        fewer = {n: r for n, r in odd.findings.items() if n != against.finding}
        kept = replace(odd, findings=fewer)
        with_label = weights_of(joint, lid.model, kept).sum()
        chance = float(with_label / weights_of(joint, lid.model, replace(kept, causes=None)).sum())
        assert against.ratio == pytest.approx(by_hand[500] / chance, rel=1e-9)
        assert against.ratio < 1.0


def test_an_impossible_label_comes_first_and_impossible_findings_before_it(
    lid: CompiledModel,
) -> None:
    sure = replace(
        lid.model,
        variables=tuple(
            replace(v, distribution=Table(v.parents, tuple(certain(v.distribution))))
            if v.name == "lamp_image"
            else v
            for v in lid.model.variables
        ),
    )
    compiled = compile_model(sure)
    label = ClosedTicket(1, SPRING, {"glass": "cracked"}, ("driver",))
    findings = ClosedTicket(2, SPRING, {"glass": "cracked", "lamp_image": "yes"}, ("panel",))
    fine = ClosedTicket(3, SPRING, {"glass": "cracked"}, ("panel",))
    listed = unlikely_tickets(compiled, [fine, label, findings], 3)
    assert [ticket.number for ticket in listed] == [2, 1, 3]
    assert [bool(ticket.leading) for ticket in listed] == [False, True, True]
    assert listed[1].probability == 0.0
    assert listed[1].against[0].finding == "glass"
    assert listed[1].against[0].ratio == 0.0
    page = Page()
    _add_doubtful(page, listed)
    said = " ".join(str(page).split())
    assert "Ticket 2: closed as panel; what was found contradicts itself" in said
    assert f"the model leads with {listed[1].leading} (" in said
    assert "leads with (" not in said


def certain(told: object) -> list[Row]:
    """The rows of a table with its rarest results made impossible."""
    assert isinstance(told, Table)
    return [replace(r, gives=tuple(np.eye(len(r.gives))[np.argmax(r.gives)])) for r in told.rows]
