"""Beliefs against published figures, each with its source.

"From memory": the figures are as remembered from the source, which was not at hand;
each was recomputed independently, and is recomputed here by counting every joint state
where the network is small enough.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any

import pytest

import faultfinder
from faultfinder.inference.compiled import compile_model
from faultfinder.model.parts import Kind, Link, NoisyMax, Variable
from tests.brute_force import joint_of_model, joint_of_network
from tests.consulted import look_at
from tests.networks import make_model, pgmpy_network, published, root
from tests.outside.reference import elimination_of

PRINTED = 5e-7


def believed(network: Any, known: Mapping[str, str], wanted: Mapping[str, str]) -> dict[str, float]:
    """P(node = state | known) for each wanted node, by the engine."""
    states = {
        str(node): [str(state) for state in network.get_cpds(node).state_names[node]]
        for node in network.nodes()
    }
    engine = faultfinder.from_pgmpy(
        network,
        {node: [state for state in states[node] if state == wanted[node]] for node in wanted},
        [node for node in states if node not in wanted],
    )
    return dict(look_at(engine, known, "sum-of-single-causes").causes)


CLINIC = {"tub": "yes", "lung": "yes", "bronc": "yes", "smoke": "yes", "either": "yes"}


@pytest.mark.parametrize(
    ("known", "figures"),
    [
        ({}, {"tub": 0.0104, "lung": 0.055, "bronc": 0.45, "either": 0.064828}),
        (
            {"asia": "yes", "dysp": "yes"},
            {"tub": 0.087751, "lung": 0.099525, "bronc": 0.811402, "smoke": 0.625920},
        ),
        (
            {"asia": "yes", "dysp": "yes", "xray": "no"},
            {"tub": 0.002249, "lung": 0.002550, "bronc": 0.862761},
        ),
        (
            {"asia": "yes", "dysp": "yes", "xray": "yes"},
            {"tub": 0.391712, "lung": 0.444271, "bronc": 0.628822},
        ),
    ],
    ids=["nothing known", "visit and dyspnoea", "x-ray clear", "x-ray not clear"],
)
def test_chest_clinic(known: dict[str, str], figures: dict[str, float]) -> None:
    """Lauritzen & Spiegelhalter, JRSS B 50 (1988) 157; the network is the file asia.bif.gz
    inside the pgmpy package. Figures recomputed from that file by counting."""
    network = published("asia")
    found = believed(network, known, CLINIC)
    joint = joint_of_network(network)
    for node, figure in figures.items():
        assert found[node] == pytest.approx(figure, abs=PRINTED)
        assert found[node] == pytest.approx(joint.posterior(node, known)["yes"], abs=1e-12)


@pytest.mark.parametrize(("node", "figure"), [("xray", 0.11029), ("dysp", 0.435971)])
def test_chest_clinic_findings_before_anything_is_known(node: str, figure: float) -> None:
    """Lauritzen & Spiegelhalter, JRSS B 50 (1988) 157 (as above): as the outcomes of checks."""
    engine = faultfinder.from_pgmpy(published("asia"), {"tub": ["yes"], "lung": ["yes"]}, [node])
    (check,) = look_at(engine, {}).most_telling
    assert check.outcomes["yes"] == pytest.approx(figure, abs=PRINTED)


def test_burglar_alarm() -> None:
    """Russell & Norvig, Artificial intelligence: a modern approach (tables and posteriors as
    other programs that work the example print them; the book itself was not at hand)."""
    yes_no = ("no", "yes")

    def rows(*yes: float) -> list[list[float]]:
        return [[1 - p, p] for p in yes]

    network = pgmpy_network(
        {
            "burglary": (yes_no, (), rows(0.001)),
            "earthquake": (yes_no, (), rows(0.002)),
            "alarm": (yes_no, ("burglary", "earthquake"), rows(0.001, 0.29, 0.94, 0.95)),
            "john": (yes_no, ("alarm",), rows(0.05, 0.90)),
            "mary": (yes_no, ("alarm",), rows(0.01, 0.70)),
        }
    )
    known = {"john": "yes", "mary": "yes"}
    found = believed(network, known, {"burglary": "yes", "alarm": "yes"})
    assert found["burglary"] == pytest.approx(0.284172, abs=PRINTED)
    assert found["alarm"] == pytest.approx(0.760692, abs=PRINTED)
    counted = joint_of_network(network).posterior("burglary", known)["yes"]
    assert found["burglary"] == pytest.approx(counted, abs=1e-12)


def test_car_start() -> None:
    """Jensen & Nielsen, Bayesian networks and decision graphs, 2007, page 35 (tables and two to
    three digits as in the tests of another library, read there; the other digits are counted)."""
    network = pgmpy_network(
        {
            "fuel": (("yes", "no"), (), [[0.98, 0.02]]),
            "plugs": (("clean", "dirty"), (), [[0.96, 0.04]]),
            "meter": (
                ("full", "half", "empty"),
                ("fuel",),
                [[0.39, 0.60, 0.01], [0.001, 0.001, 0.998]],
            ),
            "start": (
                ("yes", "no"),
                ("fuel", "plugs"),
                [[0.99, 0.01], [0.01, 0.99], [0.0, 1.0], [0.0, 1.0]],
            ),
        }
    )
    wanted = {"fuel": "yes", "plugs": "clean"}
    found = believed(network, {"start": "no"}, wanted)
    assert found == pytest.approx({"fuel": 0.7068, "plugs": 0.4194}, abs=5e-5)
    found = believed(network, {"start": "no", "meter": "half"}, wanted)
    assert found == pytest.approx({"fuel": 0.9993, "plugs": 0.1957}, abs=5e-5)


@pytest.mark.parametrize(
    ("present", "no_fever"),
    [
        (("cold", "malaria"), 0.06),
        (("cold", "flu"), 0.12),
        (("flu", "malaria"), 0.02),
        (("cold", "flu", "malaria"), 0.012),
        (("cold",), 0.6),
        (("flu",), 0.2),
        (("malaria",), 0.1),
        ((), 1.0),
    ],
)
def test_noisy_or_fever(present: tuple[str, ...], no_fever: float) -> None:
    """Russell & Norvig, Artificial intelligence: a modern approach (the whole table as
    in lecture notes, read there): inhibitors cold .6, flu .2, malaria .1, no leak."""
    inhibitors = {"cold": 0.6, "flu": 0.2, "malaria": 0.1}
    causes = [root(name, Kind.CAUSE, 0.5, 0.5) for name in inhibitors]
    links = {name: {"s1": Link((q, 1 - q))} for name, q in inhibitors.items()}
    rule = NoisyMax(tuple(inhibitors), Link((1.0, 0.0)), links)
    fever = Variable("fever", Kind.FINDING, "fever", ("no", "yes"), rule)
    # As a finding, and as a hidden condition (which is split into a chain) that is read off.
    hidden = Variable("heat", Kind.CONDITION, "heat", ("no", "yes"), rule)
    sure = NoisyMax(("heat",), Link((1.0, 0.0)), {"heat": {"yes": Link((0.0, 1.0))}})
    read = Variable("skin", Kind.FINDING, "skin", ("no", "yes"), sure)
    model = make_model([*causes, fever, hidden, read])
    known = {name: "s1" if name in present else "s0" for name in inhibitors}
    diagnosis = look_at(compile_model(model), known)
    outcomes = {check.check: check.outcomes for check in diagnosis.most_telling}
    assert outcomes["fever"]["no"] == pytest.approx(no_fever, abs=1e-12)
    assert outcomes["skin"]["no"] == pytest.approx(no_fever, abs=1e-12)


def test_noisy_or_fever_explains_away() -> None:
    """The same inhibitors; the beliefs given fever are counted, not published."""
    inhibitors = {"cold": 0.6, "flu": 0.2, "malaria": 0.1}
    priors = {"cold": 0.2, "flu": 0.1, "malaria": 0.01}
    causes = [root(name, Kind.CAUSE, 1 - p, p) for name, p in priors.items()]
    links = {name: {"s1": Link((q, 1 - q))} for name, q in inhibitors.items()}
    rule = NoisyMax(tuple(inhibitors), Link((1.0, 0.0)), links)
    model = make_model([*causes, Variable("fever", Kind.FINDING, "", ("no", "yes"), rule)])
    joint, compiled = joint_of_model(model), compile_model(model)
    feverish = look_at(compiled, {"fever": "yes"}).causes
    for name in priors:
        assert feverish[name] == pytest.approx(joint.posterior(name, {"fever": "yes"})["s1"])
    for known, other in combinations(priors, 2):
        told = look_at(compiled, {"fever": "yes", known: "s1"}).causes
        assert told[other] < feverish[other]


def test_win95pts() -> None:
    """The file win95pts.bif.gz inside the pgmpy package; figures by pgmpy, asked again here."""
    network = published("win95pts")
    found = believed(network, {}, {"Problem1": "No_Output"})
    assert found["Problem1"] == pytest.approx(0.427446, abs=PRINTED)
    wanted = {"PrtOn": "No", "PrtCbl": "Loose", "PrtDriver": "No"}
    found = believed(network, {"Problem1": "No_Output"}, wanted)
    assert found["PrtOn"] == pytest.approx(0.184208, abs=PRINTED)
    assert found["PrtCbl"] == pytest.approx(0.036045, abs=PRINTED)
    assert found["PrtDriver"] == pytest.approx(0.16682, abs=5e-6)
    for node, state in wanted.items():
        table = elimination_of(network).query(
            [node], evidence={"Problem1": "No_Output"}, show_progress=False
        )
        assert found[node] == pytest.approx(float(table.get_value(**{node: state})), abs=1e-9)
