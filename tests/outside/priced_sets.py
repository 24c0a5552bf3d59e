"""Three public sets of patients as diagnosis problems with made-up prices.

Each is one thing to name (or "none of these") from findings that need no teardown; blood tests
share the drawing of blood. The prices are MADE UP; which tests share a cost, which are questions
and what is computed from others was read (see tests/outside/priced/README.md).
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from faultfinder.decide.naming import NONE_OF_THESE, Naming
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Check, Dense, FaultModel, Kind, Kit, Stage, Variable

HERE = Path(__file__).with_name("priced")
NOT_MEASURED, UNMEASURED = "", "not_measured"

Patients = list[dict[str, str]]


@dataclass(frozen=True)
class Prices:
    """A made-up price list: money for each test, and for drawing blood; `overlooked` is what it
    costs to name nothing in the ill, `alarm` what it costs to call others ill."""

    name: str
    tests: Mapping[str, float]
    blood: float
    overlooked: float
    alarm: float

    @property
    def naming(self) -> Naming:
        return Naming(wrong={"ill": self.overlooked, NONE_OF_THESE: self.alarm})


@dataclass(frozen=True)
class Set:
    """A set of patients: what is to be named, which value of the class that is, and its tests.

    `blood` are the tests that share the drawing of blood; `computed` are made of others.
    """

    name: str
    file: str
    ill: str
    tests: tuple[str, ...]
    numbers: frozenset[str]
    blood: tuple[str, ...]
    prices: tuple[Prices, ...]
    computed: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def read(self, folder: Path = HERE) -> tuple[Patients, np.ndarray]:
        """The patients' tests ("" where not measured), and whether each is ill."""
        path = folder / self.file
        if not path.exists():
            path = folder / Path(self.file).name
        with open(path, encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        return [{test: row[test] for test in self.tests} for row in rows], np.array(
            [_ill(self, row) for row in rows]
        )


def _ill(which: Set, row: Mapping[str, str]) -> bool:
    if which.name == "liver-disorders":
        # Turney (1995): class 1 from 3 half-pint equivalents a day on.
        return float(row["drinks"]) >= 3.0
    return row["class"] == which.ill


def words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


QUESTIONS = words(
    "age sex on_thyroxine query_on_thyroxine on_antithyroid_medication thyroid_surgery "
    "query_hypothyroid query_hyperthyroid pregnant sick tumor lithium goitre"
)
EXAMINED = words(
    "age sex steroid antivirals fatigue malaise anorexia liver_big liver_firm "
    "spleen_palpable spiders ascites varices histology"
)
OF_LIVER = words("bilirubin alk_phosphate sgot albumin protime")
OF_MEN = words("mcv alkphos sgpt sgot gammagt")


def _list(name: str, asked: Sequence[str], tests: Mapping[str, float], *others: float) -> Prices:
    blood, overlooked, alarm = others
    return Prices(name, {**dict.fromkeys(asked, 1.0), **tests}, blood, overlooked, alarm)


HYPOTHYROID = Set(
    "hypothyroid",
    "hypothyroid/hypothyroid.csv",
    "hypothyroid",
    (*QUESTIONS, "TSH", "T3", "TT4", "T4U", "FTI"),
    frozenset({"age", "TSH", "T3", "TT4", "T4U", "FTI"}),
    ("TSH", "T3", "TT4", "T4U"),
    tuple(
        _list(name, QUESTIONS, {**dict(zip(("TSH", "T3", "TT4", "T4U"), own, strict=True)),
              "FTI": 0.0}, blood, 2000.0, 200.0)
        for name, own, blood in (
            ("even", (8.0, 8.0, 8.0, 8.0), 4.0),
            ("steep", (25.0, 12.0, 12.0, 9.0), 2.0),
            ("dear blood", (4.0, 4.0, 4.0, 4.0), 20.0),
        )
    ),
    {"FTI": ("TT4", "T4U")},
)  # fmt: skip
HEPATITIS = Set(
    "hepatitis",
    "hepatitis/hepatitis.csv",
    "1",
    (*EXAMINED, *OF_LIVER),
    frozenset({"age", *OF_LIVER}),
    tuple(OF_LIVER),
    tuple(
        _list(name, EXAMINED, dict(zip(OF_LIVER, own, strict=True)), blood, 400.0, 100.0)
        for name, own, blood in (
            ("even", (6.0, 6.0, 6.0, 6.0, 6.0), 2.1),
            ("steep", (4.0, 6.0, 8.0, 12.0, 20.0), 2.1),
            ("dear blood", (2.0, 2.0, 2.0, 2.0, 2.0), 15.0),
        )
    ),
)
LIVER = Set(
    "liver-disorders",
    "liver-disorders/bupa.csv",
    "",
    tuple(OF_MEN),
    frozenset(OF_MEN),
    tuple(OF_MEN),
    tuple(
        Prices(name, dict(zip(OF_MEN, own, strict=True)), blood, 300.0, 300.0)
        for name, own, blood in (
            ("even", (7.0, 7.0, 7.0, 7.0, 7.0), 2.1),
            ("steep", (3.0, 5.0, 7.0, 9.0, 11.0), 2.1),
            ("dear blood", (2.0, 2.0, 2.0, 2.0, 2.0), 15.0),
        )
    ),
)
SETS = (HYPOTHYROID, HEPATITIS, LIVER)


@dataclass(frozen=True)
class Cuts:
    """Tests as states: numbers by the quartiles of those who were learnt from, words as they
    are."""

    edges: Mapping[str, np.ndarray]
    words: Mapping[str, tuple[str, ...]]
    unmeasured: frozenset[str] = frozenset()
    """Tests that some went without: that is a result like others, since who is sent to a test
    is not drawn by lot."""

    @classmethod
    def of(cls, which: Set, patients: Patients) -> Cuts:
        edges, words = {}, {}
        for test in which.tests:
            told = [one[test] for one in patients if one[test] != NOT_MEASURED]
            if test in which.numbers:
                edges[test] = np.unique(np.quantile([float(t) for t in told], (0.25, 0.5, 0.75)))
            else:
                words[test] = tuple(sorted(set(told)))
        unmeasured = {t for t in which.tests if any(one[t] == NOT_MEASURED for one in patients)}
        return cls(edges, words, frozenset(unmeasured))

    def states(self, test: str) -> tuple[str, ...]:
        if test in self.edges:
            told = tuple(f"q{part}" for part in range(len(self.edges[test]) + 1))
        else:
            told = self.words[test]
        if test in self.unmeasured:
            told = (*told, UNMEASURED)
        return told if len(told) > 1 else (*told, "other")

    def results(self, patient: Mapping[str, str]) -> dict[str, str]:
        """What was measured, as states; what was never seen before counts as not told."""
        found = {}
        for test, said in patient.items():
            if said == NOT_MEASURED:
                said = UNMEASURED
            elif test in self.edges:
                said = f"q{int(np.searchsorted(self.edges[test], float(said), side='right'))}"
            if said in self.states(test):
                found[test] = said
        return found


def untaught(which: Set, prices: Prices, cuts: Cuts) -> CompiledModel:
    """The model before it has learnt anything: every share even, a test depends on the illness
    alone. An hour costs 60, so that a minute is a unit of money."""
    variables = [Variable("ill", Kind.CAUSE, "ill", ("no", "yes"), Dense((), np.array([0.5, 0.5])))]
    for test in which.tests:
        states = cuts.states(test)
        even = np.full((2, len(states)), 1.0 / len(states))
        variables.append(Variable(test, Kind.FINDING, test, states, Dense(("ill",), even)))
    return compile_model(
        FaultModel(
            name=which.name.replace("-", "_"),
            title=which.name,
            variables=tuple(variables),
            checks=tuple(
                Check(
                    test,
                    test,
                    (test,),
                    prices.tests[test],
                    "here",
                    behind=which.computed.get(test, ()),
                    kits=("blood",) if test in which.blood else (),
                )
                for test in which.tests
            ),
            kits=(Kit("blood", "blood is drawn", prices.blood),),
            stages=(Stage("here", "here", powered=False),),
            moves=(),
            start="here",
        )
    )


def learnt(
    which: Set,
    prices: Prices,
    cuts: Cuts,
    results: Sequence[Mapping[str, str]],
    ill: Sequence[bool],
    worth: float = 2.0,
) -> CompiledModel:
    """The model with the figures of patients with those results; who is not ill is labelled as
    none of these. The even shares count for `worth` patients."""
    begin = untaught(which, prices, cuts)
    return compile_model(tune(begin, tickets_of(results, ill), default_worth=worth).model)


def tickets_of(results: Sequence[Mapping[str, str]], ill: Sequence[bool]) -> list[ClosedTicket]:
    """Patients as closed tickets."""
    return [
        ClosedTicket(n, "2026-01-01", one, ("ill",) if sick else ())
        for n, (one, sick) in enumerate(zip(results, ill, strict=True), 1)
    ]
