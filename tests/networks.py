"""Networks for tests: the published ones that pgmpy carries, and random small models."""

from __future__ import annotations

import gzip
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import strategies as st

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.model.parts import (
    Check,
    Dense,
    Distribution,
    FaultModel,
    Kind,
    Link,
    NoisyMax,
    Row,
    SimpleTest,
    Stage,
    Table,
    Variable,
)
from tests.brute_force import Joint, family_table, joint_of_model

BENCH = (Stage("bench", "bench", powered=True),)


def bif_text(name: str) -> str:
    """The text of a network file inside the pgmpy package."""
    import pgmpy

    path = Path(pgmpy.__file__).parent / "utils" / "example_models" / f"{name}.bif.gz"
    with gzip.open(path, "rt", encoding="utf-8") as file:
        return file.read()


def unscaled(name: str) -> Any:
    """A network file inside the pgmpy package, as it is."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.readwrite import BIFReader

        return BIFReader(string=bif_text(name)).get_model()


@lru_cache(maxsize=8)
def published(name: str) -> Any:
    """A network file inside the pgmpy package, its columns scaled to sum to one.

    The files round their columns (0.3333333 three times); the engine scales them
    too, so that both sides hold the same probabilities.
    """
    network = unscaled(name)
    for table in network.get_cpds():
        table.normalize()
    return network


def make_model(
    variables: Sequence[Variable],
    checks: Mapping[str, Sequence[str]] | None = None,
    complaint: str | None = None,
) -> FaultModel:
    """A model with one stage; by default one check of one minute per finding."""
    if checks is None:
        checks = {v.name: (v.name,) for v in variables if v.kind is Kind.FINDING}
    return FaultModel(
        name="made",
        title="made",
        variables=tuple(variables),
        checks=tuple(Check(name, name, tuple(what), 1.0, "bench") for name, what in checks.items()),
        stages=BENCH,
        moves=(),
        start="bench",
        complaint=complaint,
    )


def root(name: str, kind: Kind, *gives: float) -> Variable:
    """A variable without parents; its states are s0, s1, ..."""
    return Variable(name, kind, name, state_names(len(gives)), Table((), (Row({}, gives),)))


def state_names(count: int) -> tuple[str, ...]:
    return tuple(f"s{number}" for number in range(count))


@dataclass(frozen=True, eq=False)
class Case:
    """A random model three ways, and something that can be seen on it."""

    model: FaultModel
    compiled: CompiledModel
    joint: Joint
    findings: dict[str, str]

    @property
    def always(self) -> dict[str, str]:
        """The complaint, where the model has one."""
        complaint = self.model.complaint
        return {} if complaint is None else {complaint: self.joint.states[complaint][-1]}

    @property
    def evidence(self) -> dict[str, str]:
        """All that the engine takes as known."""
        return {**self.always, **self.findings}

    @property
    def causes(self) -> list[str]:
        return [variable.name for variable in self.model.of_kind(Kind.CAUSE)]

    def __repr__(self) -> str:
        lines = [f"  {v.name} {len(v.states)} {v.distribution}" for v in self.model.variables]
        checks = {check.name: check.observes for check in self.model.checks}
        return "\n".join(
            ["Case(", *lines, f"  checks={checks}", f"  findings={self.findings}", ")"]
        )


class _Maker:
    """Draws the structure from hypothesis and the numbers from a seeded generator."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
        self.variables: list[Variable] = []

    def states(self) -> tuple[str, ...]:
        return state_names(self.draw(st.sampled_from([2, 2, 2, 3])))

    def some(self, kinds: Sequence[Kind], least: int, most: int) -> tuple[Variable, ...]:
        pool = [variable for variable in self.variables if variable.kind in kinds]
        if len(pool) < max(least, 1):
            return ()
        chosen = self.draw(
            st.lists(
                st.sampled_from(range(len(pool))),
                min_size=least,
                max_size=min(most, len(pool)),
                unique=True,
            )
        )
        return tuple(pool[number] for number in chosen)

    def shares(self, count: int, *, sure: bool = False) -> tuple[float, ...]:
        """Probabilities that sum to one; now and then some of them are zero."""
        p = self.rng.dirichlet(np.full(count, 0.7))
        if sure:
            p = np.eye(count)[self.rng.integers(count)]
        elif self.rng.random() < 0.2:
            p[self.rng.integers(count)] = 0.0
            p /= p.sum()
        return tuple(p.tolist())

    def link(self, count: int, *, sure: bool) -> Link:
        return Link(self.shares(count, sure=sure))

    def distribution(
        self, states: tuple[str, ...], parents: tuple[Variable, ...], form: str
    ) -> Distribution:
        count = len(states)
        names = tuple(parent.name for parent in parents)
        if form == "test" and parents:
            low, high = self.rng.uniform(0.5, 1.0, 2)
            shows = tuple(self.rng.permutation(parents[0].states)[:1].tolist())
            return SimpleTest(names[0], shows, float(high), float(low))
        if form in ("noisy", "worst"):
            sure = form == "worst"
            leak = Link(tuple(np.eye(count)[0].tolist())) if sure else self.link(count, sure=False)
            links = {
                parent.name: {state: self.link(count, sure=sure) for state in parent.states[1:]}
                for parent in parents
            }
            return NoisyMax(names, leak, links)
        if form in ("rows", "rule"):
            rows = []
            for parent in parents:
                when = {parent.name: tuple(parent.states[1:])}
                rows.append(Row(when, self.shares(count, sure=form == "rule")))
            rows.append(Row({}, self.shares(count, sure=form == "rule")))
            return Table(names, tuple(rows))
        shape = tuple(len(parent.states) for parent in parents)
        flat = [self.shares(count) for _ in range(int(np.prod(shape)))]
        return Dense(names, np.array(flat).reshape(*shape, count))

    def add(self, name: str, kind: Kind, parents: tuple[Variable, ...], forms: list[str]) -> None:
        form = self.draw(st.sampled_from(forms)) if parents else "rows"
        states = state_names(2) if form == "test" and parents else self.states()
        self.variables.append(
            Variable(name, kind, name, states, self.distribution(states, parents, form))
        )


@st.composite
def cases(draw: st.DrawFn, *, possible: bool = True) -> Case:
    """Random models of all the forms a model can have, with findings.

    Up to 2 histories, 4 causes, 3 hidden conditions, 4 findings (some on other
    findings), sometimes a complaint; checks of one or more findings, also of
    histories, causes and hidden conditions. With `possible` the findings are drawn
    from a joint state of positive probability, else each on its own, so that they can
    contradict each other.
    """
    make = _Maker(draw)
    cause, condition, history = Kind.CAUSE, Kind.CONDITION, Kind.HISTORY
    # Findings that contradict each other are rare where there is noise.
    sure = ["worst", "worst", "rule", "dense"]
    for number in range(draw(st.integers(0, 2))):
        make.add(f"history{number}", history, (), ["rows"])
    for number in range(draw(st.integers(1, 4))):
        forms = ["dense", "noisy", "rows"]
        make.add(f"cause{number}", cause, make.some([history], 0, 2), forms)
    for number in range(draw(st.integers(0, 3))):
        forms = ["worst", "worst", "rule", "noisy", "dense"] if possible else sure
        make.add(f"hidden{number}", condition, make.some([cause, condition], 1, 4), forms)
    for number in range(draw(st.integers(1, 4))):
        forms = ["dense", "noisy", "rows", "test", "rule"] if possible else sure
        kinds = [cause, condition, condition, Kind.FINDING] if number else [cause, condition]
        make.add(f"finding{number}", Kind.FINDING, make.some(kinds, 0, 3), forms)
    complaint = None
    if draw(st.booleans()):
        complaint = "complaint"
        parents = make.some([cause, condition], 1, 4)
        states = state_names(2)
        forms = ["noisy", "dense", "worst"]
        rule = make.distribution(states, parents, draw(st.sampled_from(forms)))
        make.variables.append(Variable(complaint, Kind.COMPLAINT, complaint, states, rule))
    names = [variable.name for variable in make.variables if variable.name != complaint]
    checks = {name: (name,) for name in names}
    for number in range(draw(st.integers(0, 3))):
        group = st.lists(st.sampled_from(names), min_size=2, max_size=3, unique=True)
        if len(names) > 1:
            checks[f"group{number}"] = tuple(draw(group))
    model = make_model(make.variables, checks, complaint)
    joint = joint_of_model(model)
    told = {v.name: v.states for v in model.variables if v.kind not in (condition, Kind.COMPLAINT)}
    least = 0 if possible else min(3, len(told))
    known = st.lists(st.sampled_from(sorted(told)), min_size=least, max_size=len(told), unique=True)
    wanted = draw(known)
    if possible:
        case = Case(model, compile_model(model), joint, {})
        weights = joint.weights(case.always)
        if weights.sum() == 0.0:
            # The complaint cannot be there at all: then nothing else is known either.
            model = make_model(make.variables, checks, None)
            weights = joint.table
        flat = weights.reshape(-1) / weights.sum()
        place = int(make.rng.choice(len(flat), p=flat))
        where = np.unravel_index(place, weights.shape)
        findings = {
            name: joint.states[name][int(where[joint.axis(name)])]
            for name in wanted[: draw(st.integers(0, 4))]
        }
    else:
        findings = {}
        complaint_seen = {} if complaint is None else {complaint: joint.states[complaint][-1]}
        for name in wanted:
            options = list(told[name])
            if joint.probability(complaint_seen) > 0.0 and make.rng.random() < 0.9:
                # Mostly results that could be seen alone: the larger sets are the hard ones.
                shares = joint.posterior(name, complaint_seen)
                options = [state for state in options if shares[state] > 0.0]
            findings[name] = str(make.rng.choice(options))
    return Case(model, compile_model(model), joint, findings)


def to_pgmpy(case: Case) -> Any:
    """The same random model as a pgmpy network, its tables counted out by the oracle."""
    return pgmpy_network(
        {
            v.name: (
                v.states,
                v.parents,
                family_table(case.model, v).reshape(-1, len(v.states)).tolist(),
            )
            for v in case.model.variables
        }
    )


def pgmpy_network(
    tables: Mapping[str, tuple[Sequence[str], Sequence[str], Sequence[Sequence[float]]]],
) -> Any:
    """A pgmpy network from plain numbers.

    `tables[name]` is (states, parents, rows): one row of child probabilities per
    joint parent state, the last parent varying fastest.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.models import DiscreteBayesianNetwork

    network = DiscreteBayesianNetwork()
    network.add_nodes_from(tables)
    for name, (states, parents, rows) in tables.items():
        network.add_edges_from((parent, name) for parent in parents)
        network.add_cpds(
            TabularCPD(
                name,
                len(states),
                np.array(rows, dtype=np.float64).T,
                evidence=list(parents) or None,
                evidence_card=[len(tables[parent][0]) for parent in parents] or None,
                state_names={n: list(tables[n][0]) for n in (name, *parents)},
            )
        )
    return network
