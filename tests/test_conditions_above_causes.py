"""Causes that depend on a hidden condition: beliefs by scenarios stay exact."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import faultfinder
from faultfinder.decide.belief import belief_now
from faultfinder.decide.scenarios import scenario_values
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.model.parts import Kind, NoisyMax, Row, Table, Variable
from tests.small_shop import small_shop


def shop_where_a_plug_hangs_on(kind: Kind) -> CompiledModel:
    """The plug comes loose where the machine was shaken, which a knock makes likely and a
    marked case shows."""
    model = small_shop()
    shaken = Variable(
        "shaken",
        kind,
        "Shaken",
        ("no", "yes"),
        Table(("knock",), (Row({"knock": ("yes",)}, (0.3, 0.7)), Row({}, (0.9, 0.1)))),
    )
    marks = Variable(
        "marks",
        Kind.FINDING,
        "Marks",
        ("no", "yes"),
        Table(("shaken",), (Row({"shaken": ("yes",)}, (0.4, 0.6)), Row({}, (0.95, 0.05)))),
    )
    variables = []
    for variable in model.variables:
        if variable.name == "plug":
            told = variable.distribution
            assert isinstance(told, NoisyMax)
            links = {"shaken": {"yes": told.links["knock"]["yes"]}}
            variables.append(shaken)
            variable = replace(variable, distribution=NoisyMax(("shaken",), told.leak, links))
        variables.append(variable)
    return compile_model(replace(model, variables=(*variables, marks), digest=""))


@pytest.mark.parametrize(
    "known",
    [{}, {"knock": "yes"}, {"marks": "yes"}, {"knock": "no", "marks": "yes", "plug_seen": "yes"}],
)
def test_beliefs_by_scenarios_are_those_of_the_whole_network(known: dict[str, str]) -> None:
    shop = shop_where_a_plug_hangs_on(Kind.CONDITION)
    told = belief_now(shop, known, at_once=4)
    scenarios, _ = scenario_values(shop, 4)
    exact = beliefs(shop, evidence_from(shop, known))
    assert told.evidence_probability == pytest.approx(np.exp(exact.log_evidence[0]), rel=1e-12)
    for place, cause in enumerate(shop.causes):
        chances = posterior(shop, exact, cause)[:, 0]
        weighed = np.bincount(scenarios[:, place], told.weights, minlength=len(chances))
        assert weighed == pytest.approx(chances, abs=1e-12)
    assert faultfinder.consult(faultfinder.Case(shop, known)).next_step is not None


def test_a_cause_that_hangs_on_a_finding_is_refused_in_a_sentence() -> None:
    shop = shop_where_a_plug_hangs_on(Kind.FINDING)
    with pytest.raises(FaultfinderError, match="A cause depends on the finding shaken"):
        belief_now(shop, {}, at_once=2)
