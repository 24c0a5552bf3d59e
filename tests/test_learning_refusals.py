"""What learning weighs, and what it refuses, with which words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.em.patterns import gather
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Basis, Kind
from faultfinder.model.reading.reader import parse_model
from tests.closed_tickets import drawn
from tests.invented_models import SMALL_LID
from tests.networks import make_model, root


@pytest.fixture(scope="module")
def lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))


# --- prior, recency


def one_finding(*gives: float, worth: float) -> CompiledModel:
    finding = replace(root("result", Kind.FINDING, *gives), basis=Basis("guess", "invented", worth))
    return compile_model(make_model([root("cause", Kind.CAUSE, 0.9, 0.1), finding]))


def results(counts: dict[str, int], closed_at: str = "2024-01-01") -> list[ClosedTicket]:
    return [
        ClosedTicket(number, closed_at, {"result": state}, ())
        for number, state in enumerate(s for s, n in counts.items() for _ in range(n))
    ]


def after(tuned: Tuned, variable: str) -> tuple[float, ...]:
    (figure,) = [f for f in tuned.figures if f.place.variable == variable]
    return figure.after


def test_a_half_life_weighs_old_tickets_less() -> None:
    compiled = one_finding(0.5, 0.5, worth=1e-9)
    old, new = results({"s0": 40}, "2023-12-02"), results({"s1": 40}, "2024-01-01T00:00")
    tuned = tune(compiled, old + new, half_life_days=30.0)
    assert after(tuned, "result") == pytest.approx((1 / 3, 2 / 3), abs=1e-6)
    # Newest first gives the same weights: nothing hangs on the order of reading.
    assert sorted(gather(compiled, new + old, 30.0).weights) == pytest.approx([20.0, 40.0])


def test_weights_stay_finite_over_thousands_of_half_lives() -> None:
    compiled = one_finding(0.5, 0.5, worth=1e-9)
    tickets = results({"s0": 5}, "1990-01-01") + results({"s1": 5}, "2024-01-01")
    weights = gather(compiled, tickets, half_life_days=2.0).weights
    assert weights == pytest.approx([0.0, 5.0])


# --- refusals


def test_refusals_say_which_ticket_and_what_would_be_right(lid: CompiledModel) -> None:
    good = drawn(lid, 30, seed=1)

    def bad(findings: dict[str, str], causes: tuple[str, ...] | None = None) -> Any:
        return [*good, ClosedTicket(99, "2024-01-01", findings, causes)]

    for tickets, said in [
        (
            bad({"backlihgt": "on"}),
            r'Ticket 99 has the finding "backlihgt".*Did you mean backlight',
        ),
        (bad({"backlight": "of"}), r'Ticket 99 has backlight="of"\. Did you mean off'),
        (bad({"light": "dark"}), r'Ticket 99 has the finding "light"'),
        (bad({}, ("stripe",)), r'Ticket 99 names the cause "stripe".*Did you mean strip'),
        (bad({"no_usable_picture": "no"}), "Ticket 99 .*without the complaint"),
    ]:
        with pytest.raises(MisuseError, match=said):
            tune(lid, tickets)
    with pytest.raises(FaultfinderError, match=r"are 5 closed tickets.*at least 20"):
        tune(lid, good[:5])
    with pytest.raises(FaultfinderError, match="None of the 30 closed tickets says"):
        tune(lid, [replace(ticket, causes=None) for ticket in good])
    with pytest.raises(MisuseError, match="half-life is -1"):
        tune(lid, good, half_life_days=-1.0)
    with pytest.raises(MisuseError, match="label error is 1"):
        tune(lid, good, label_error=1.0)
    with pytest.raises(FaultfinderError, match="are 0 closed tickets"):
        tune(lid, [], least=0)
    undated = [replace(good[0], closed_at="last week"), *good]
    with pytest.raises(MisuseError, match=r'ticket 1 is "last week"; it must be a date'):
        tune(lid, undated, half_life_days=30.0)


def test_an_impossible_ticket_is_named_with_its_smallest_contradiction(lid: CompiledModel) -> None:
    good = drawn(lid, 40, seed=1)
    odd = ClosedTicket(77, "2024-01-01", {"glass": "cracked", "backlight": "off"}, ("strip",))
    with pytest.raises(FaultfinderError, match=r"Ticket 77.*glass=cracked.*impossible with strip"):
        tune(lid, [*good, odd, odd])
    none = ClosedTicket(78, "2024-01-01", {"backlight": "off"}, ())
    with pytest.raises(FaultfinderError, match=r"Ticket 78.*cannot explain it by no cause"):
        tune(lid, [*good, none])
    tuned = tune(lid, [*good, odd, odd, none], leave_out_impossible=True)
    assert [(s.number, s.tickets) for s in tuned.set_aside] == [(77, 2), (78, 1)]
    assert tuned.set_aside[0].findings == (("glass", "cracked"),)
    assert tuned.tickets == 40
    without = tune(lid, good)
    assert [f.after for f in tuned.figures] == [f.after for f in without.figures]
    # A label that may be wrong makes the first one possible, and is then not believed.
    tuned = tune(lid, [*good, odd, odd], label_error=0.02)
    assert not tuned.set_aside
