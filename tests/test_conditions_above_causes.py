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
from faultfinder.inference.posterior import (
    beliefs,
    evidence_from,
    log_probability,
    posterior,
    silent_about,
)
from faultfinder.model.parts import Kind, NoisyMax, Row, Silence, Striking, Table, Variable
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


def shop_that_creaks() -> CompiledModel:
    """A loose plug makes a wobble likely, which two findings hang on; one of them, and the cracks
    in the glass, would be mentioned by whoever is asked for anything else."""
    model = small_shop()
    rows = (Row({"plug": ("off",)}, (0.2, 0.8)), Row({"plug": ("half",)}, (0.5, 0.5)),
            Row({}, (0.9, 0.1)))  # fmt: skip
    wobble = Variable("wobble", Kind.CONDITION, "Wobble", ("no", "yes"), Table(("plug",), rows))
    shows = Table(("wobble",), (Row({"wobble": ("yes",)}, (0.3, 0.7)), Row({}, (0.95, 0.05))))
    creaks = Variable("creaks", Kind.FINDING, "Creaks", ("no", "yes"), shows,
                      striking=Striking(("yes",), 0.6))  # fmt: skip
    shows = Table(("wobble",), (Row({"wobble": ("yes",)}, (0.6, 0.4)), Row({}, (0.9, 0.1))))
    sways = Variable("sways", Kind.FINDING, "Sways", ("no", "yes"), shows)
    asked = Table((), (Row({}, (0.5, 0.5)),))
    more = Variable("more", Kind.HISTORY, "Anything else", ("nothing", "something"), asked)
    old = [
        replace(v, striking=Striking(("yes",), 0.8)) if v.name == "glass_cracked" else v
        for v in model.variables
    ]
    variables = (more, *old, wobble, creaks, sways)
    silence = Silence("more", "nothing")
    return compile_model(replace(model, variables=variables, silence=silence, digest=""))


@pytest.mark.parametrize(
    "known",
    [{}, {"sways": "yes"}, {"creaks": "no"}, {"glass_cracked": "yes", "sways": "no"},
     {"sways": "yes", "creaks": "yes"}],
)  # fmt: skip
@pytest.mark.parametrize("silent", [False, True])
def test_results_by_scenario_are_those_of_the_whole_network(
    known: dict[str, str], silent: bool
) -> None:
    """Of what hangs on a condition that the findings share too, silence weighed in."""
    shop = shop_that_creaks()
    known = {**known, "more": "nothing"} if silent else known
    told = belief_now(shop, known, at_once=4)
    scenarios, _ = scenario_values(shop, 4)
    exact = beliefs(shop, evidence_from(shop, known))
    for place, cause in enumerate(shop.causes):
        chances = posterior(shop, exact, cause)[:, 0]
        weighed = np.bincount(scenarios[:, place], told.weights, minlength=len(chances))
        assert weighed == pytest.approx(chances, abs=1e-12)
    network, unsaid = shop.network, silent_about(shop, known)
    open_ones = [v.name for v in shop.model.of_kind(Kind.FINDING) if v.name not in known]
    for row in np.flatnonzero(told.weights > 1e-9).tolist():
        causes = {
            network.names[cause]: network.states[cause][state]
            for cause, state in zip(shop.causes, scenarios[row].tolist(), strict=True)
        }
        for name in open_ones:
            number = network.index[name]
            # As if each result were found, times the chance that it would not be mentioned.
            evidence = [
                evidence_from(shop, {**known, **causes, name: state})
                for state in network.states[number]
            ]
            chances = np.exp([log_probability(shop, one)[0] for one in evidence])
            chances = chances * unsaid.get(number, 1.0)
            chances /= chances.sum()
            assert told.likelihoods[number][:, row] == pytest.approx(chances, abs=1e-12), name
