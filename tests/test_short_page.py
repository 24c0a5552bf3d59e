"""The page of `next` fits a screen of 80 x 24 in every state, and no caution is ever cut.

300 states are drawn over the families that come along. Each is made to lead to a step drawn at
random, check or repair, alone or with others of its stage, so that rare steps are met as well.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from faultfinder import Case, Tried
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order
from faultfinder.decide.situation import Action, Situation
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Kind
from faultfinder.report.consultation.short import HEIGHT, Line, fitted, no_ticket_head, screens
from faultfinder.report.consultation.view import View
from faultfinder.report.wording import percent
from tests import MODELS
from tests.drawn_machines import draw_machines

FAMILIES = ("thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop")
EACH = 75
SHIPPED = Path(__file__).resolve().parents[1] / "models"
HEAD = [Line(("Ticket 1234, day 12: dark since it fell from the table" + " again" * 4,), "step")]


class Led:
    """A policy that always takes the same step, for pages of steps that are rarely advised."""

    def __init__(self, problem: Problem, pick: float, repairing: bool) -> None:
        self.problem, self.pick, self.repairing = problem, pick, repairing

    def decide(self, situation: Situation) -> Action:
        travel = self.problem.travel[situation.stage]
        repairs = [step.stage for step in self.problem.repairs]
        stages = repairs if self.repairing else [step.stage for step in self.problem.checks]
        reached = [n for n, stage in enumerate(stages) if np.isfinite(travel[stage])]
        number = reached[int(self.pick * len(reached))]
        cost = best_order(self.problem, situation.weights, situation.stage).cost
        return Action("repair" if self.repairing else "check", number, cost)


@cache
def loaded(family: str) -> CompiledModel:
    return load_model(MODELS / f"{family}.yaml")


@cache
def drawn(family: str) -> Any:
    """All machines of a family at once: a draw is dear, whatever it draws."""
    return draw_machines(loaded(family), EACH, np.random.default_rng(len(family)))


def state(family: str, place: int) -> Consultation:
    compiled = loaded(family)
    model, network = compiled.model, compiled.network
    rng = np.random.default_rng([len(family), place])
    machine = drawn(family)[place]
    seen = [v.name for v in model.of_kind(Kind.FINDING)]
    results: dict[str, str | None] = {}
    for one in map(str, rng.choice(seen, int(rng.integers(0, 12)), replace=False)):
        number = network.index[one]
        clear = rng.random() < 0.9
        results[one] = network.states[number][int(machine[number])] if clear else None
    stage = str(rng.choice([one.name for one in model.stages])) if place % 2 else None
    tried = (Tried(str(rng.choice([r.name for r in model.repairs]))),) if place % 9 == 0 else ()
    pick, repairing = float(rng.random()), place % 4 == 0

    def led(problem: Problem, _shop: Any) -> Any:
        return Led(problem, pick, repairing)

    told = consult(Case(compiled, results, stage, tried), policy=led)
    if not told.stop and told.next is not None:
        together, spent = [told.next.check], 0.0
        for ranked in told.order_at_bench[1:]:
            check = model.checks_by_name[ranked.check]
            same = check.stage == model.checks_by_name[together[0]].stage
            if same and len(together) < 5 and spent + check.minutes <= 3.0:
                together.append(ranked.check)
                spent += check.minutes
        # As a round may come out; how it is chosen is not what is tested here.
        told.__dict__["round"] = tuple(together[: 1 + place % 5])
    return told


@pytest.mark.parametrize("family", FAMILIES)
def test_every_state_fits_and_no_caution_is_cut(family: str) -> None:
    for place in range(EACH):
        try:
            told = state(family, place)
        except FaultfinderError:
            continue
        for ticket in (None, 1234):
            pages = screens(View(told, ticket), HEAD if ticket else [no_ticket_head()])
            # A second screen is for the cautions of a way through two stages or more.
            assert len(pages) == 1 or len(told.way.moves) > 1, pages
            for page in pages:
                assert len(page.splitlines()) <= HEIGHT, page
                assert max(map(len, page.splitlines())) <= 80, page
            said = " ".join(" ".join(pages).split())
            for caution in told.cautions:
                wanted = " ".join(caution.removeprefix("Stop.").split())
                assert wanted in said, (caution, said)
            if not told.stop:
                assert "NEXT" in pages[0].splitlines()[1]
                # The three leading causes: by their titles, or all by their names in one line.
                leading = list(told.causes)[:3]
                titles = [View(told).cause(name)[:40] for name in leading]
                names = ", ".join(
                    f"{percent(told.causes[name])} {name}" if place else name
                    for place, name in enumerate(leading)
                ).replace("_", " ")
                assert all(title in said for title in titles) or names[:50] in said
                assert told.quote is None or "Quote" in said


@pytest.mark.parametrize(
    ("family", "results", "says"),
    [
        # Five checks with many results each: neither what was told nor where it leads is lost.
        ("thin_clamshell", {"screen_light": "dark", "after": "firmware_write"}, "No life: the"),
        ("bezel_clamshell", {"began": "comes_and_goes", "image": "none", "flicker_when": "cold",
                             "lid_angle": "picture_comes_and_goes"}, "If good outside"),
    ],
)  # fmt: skip
def test_long_lists_yield_to_what_was_told_and_where_it_leads(
    family: str, results: dict[str, str | None], says: str
) -> None:
    told = consult(Case(load_model(SHIPPED / f"{family}.yaml"), results))
    (page,) = screens(View(told), [no_ticket_head()])
    assert says in page
    (first, *_) = told.suggestions
    assert first.say.split(".")[0] in " ".join(page.split())


def test_what_yields_yields_in_order() -> None:
    blocks = [Line(("step",)), Line(("why",), "why"), Line(("second",), "second"),
              Line(("third",), "third"), Line(("unasked",), "unasked")]  # fmt: skip
    shown = [fitted(blocks, height)[0].splitlines() for height in (5, 4, 3, 2, 1)]
    assert [len(lines) for lines in shown] == [5, 4, 3, 2, 1]
    assert [set(a) - set(b) for a, b in pairwise(shown)] == [
        {"unasked"}, {"third"}, {"second"}, {"why"}]  # fmt: skip


def test_cautions_that_fill_the_screen_come_first_and_whole() -> None:
    blocks = [Line(("step",), "step"), Line(tuple("abc"), "caution"), Line(("quote",))]
    assert fitted(blocks, 4) == ["step\na\nb\nc", "step\nquote"]


def test_a_step_that_takes_two_screens_goes_on_with_its_cautions_whole() -> None:
    blocks = [Line(("step",), "step"), Line(("a", "b"), "caution"), Line(("on",), "step"),
              Line(("c", "d"), "caution"), Line(("quote",))]  # fmt: skip
    assert fitted(blocks, 4) == ["step\na\nb", "on\nc\nd\nquote"]
