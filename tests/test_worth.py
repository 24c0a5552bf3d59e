"""What the author's figures are worth beside the tickets. All invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.em.patterns import gather
from faultfinder.learning.em.worth import FOLDS, KEPT, LEAST_WORTH, folds_of
from faultfinder.learning.judge.forecasts import forecast
from tests.benchmarks.cut_family import CAUSES, CHECKS, moved, small_family
from tests.drawn_tickets import drawn_tickets
from tests.small_shop import small_shop


@pytest.fixture(scope="module")
def file() -> CompiledModel:
    return compile_model(small_family())


def factors(tuned: Tuned) -> dict[str, float]:
    return {one.group: one.factor for one in tuned.weighed}


def loss(compiled: CompiledModel, shop: CompiledModel) -> float:
    return float(forecast(compiled, drawn_tickets(shop, 400, seed=9)).label_loss.mean())


def test_where_the_file_is_right_its_figures_stand(file: CompiledModel) -> None:
    tuned = tune(file, drawn_tickets(file, 60, seed=1), weigh_belief=True)
    assert factors(tuned) == {"base rates": KEPT, "results": KEPT}
    for figure in tuned.figures:
        assert figure.after == pytest.approx(figure.before, rel=1e-12)


def test_where_the_shop_is_another_the_tickets_count_and_predict_better(
    file: CompiledModel,
) -> None:
    shop = moved(file, 1.0, seed=306)
    tickets = drawn_tickets(shop, 60, seed=2)
    tuned = tune(file, tickets, weigh_belief=True)
    assert max(factors(tuned).values()) < KEPT
    assert all(one.gain > 0.0 for one in tuned.weighed if one.factor < KEPT)
    assert loss(compile_model(tuned.model), shop) < 0.95 * loss(file, shop)


def test_the_choice_does_not_depend_on_the_order_of_the_tickets(file: CompiledModel) -> None:
    tickets = drawn_tickets(moved(file, 1.0, seed=306), 60, seed=2)
    there, back = (tune(file, some, weigh_belief=True) for some in (tickets, tickets[::-1]))
    assert factors(there) == factors(back)
    for one, other in zip(there.figures, back.figures, strict=True):
        assert one.after == pytest.approx(other.after, abs=1e-9)


def test_no_figure_counts_for_less_than_the_floor() -> None:
    """Tickets that all say the same against a file that says the opposite."""
    model = small_shop()
    compiled = compile_model(model)
    same = [replace(t, findings={"look": "lines"}, causes=("panel",))
            for t in drawn_tickets(compiled, 40, seed=1)]  # fmt: skip
    tuned = tune(compiled, same, weigh_belief=True)
    look = [f for f in tuned.figures if f.place.variable == "look" and f.tickets > 1.0]
    assert look
    for figure in look:
        kept = LEAST_WORTH / (LEAST_WORTH + figure.tickets)
        for before, after in zip(figure.before, figure.after, strict=True):
            assert after >= kept * before - 1e-6


def test_every_ticket_is_held_out_once(file: CompiledModel) -> None:
    tickets = drawn_tickets(file, 57, seed=3)
    patterns = gather(file, [*tickets, *tickets[:5]])
    folds = folds_of(patterns)
    assert len(folds) == FOLDS
    assert sum(part.weights.sum() for part in folds) == pytest.approx(62.0)
    rows = {code.tobytes(): 0.0 for code in patterns.codes}
    for part in folds:
        for code, weight in zip(part.codes, part.weights, strict=True):
            rows[code.tobytes()] += weight
    assert np.allclose(list(rows.values()), patterns.weights)


def test_a_family_cut_down_keeps_the_figures_of_what_is_left(file: CompiledModel) -> None:
    names = {file.network.names[number] for number in file.causes}
    assert names == set(CAUSES)
    assert {check.name for check in file.model.checks} == set(CHECKS)
    assert {cause for repair in file.model.repairs for cause in repair.mends} <= names
