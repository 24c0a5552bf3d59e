"""The same question put to this engine, to pgmpy and to pyAgrum: the gain of every open check.

Every contender gets the same tables (those of the compiled network, steps of split families
included), the same evidence, and the same checks, and returns gains in bits by check.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import faultfinder
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.information import speaking
from faultfinder.inference.separation import determined, requisite
from faultfinder.inference.target import TargetSpec
from tests.consulted import look_at
from tests.networks import pgmpy_network, published
from tests.outside.reference import states_of

Known = Mapping[str, str]
Gains = dict[str, float]
Rank = Callable[[int], Gains]
"""Ranks all checks given evidence set number 0, 1 or 2 of a case."""


@dataclass(frozen=True, eq=False)
class Case:
    """A model, the joint target, and three evidence sets over the same three findings.

    `scopes[set][check]` are the variables whose joint belief gives the check's gain: its
    open findings, and before them the part of the target (or of hidden conditions that are
    functions of it) that they depend on. Working them out is not charged to anybody.
    """

    name: str
    compiled: CompiledModel
    causes: tuple[str, ...]
    findings: tuple[Known, ...]
    target: Any

    @property
    def evidence(self) -> tuple[Known, ...]:
        complaint = self.compiled.model.complaint
        if complaint is None:
            return self.findings
        state = self.compiled.model.by_name[complaint].states[-1]
        return tuple({**known, complaint: state} for known in self.findings)

    @property
    def checks(self) -> dict[str, tuple[str, ...]]:
        """Open findings by open check (the same ones in all three evidence sets)."""
        left = {
            check.name: tuple(n for n in check.observes if n not in self.findings[0])
            for check in self.compiled.model.checks
        }
        return {check: what for check, what in left.items() if what}

    def scopes(self) -> dict[str, tuple[tuple[str, ...], tuple[str, ...]]]:
        """(part of the target, open findings) by check."""
        network = self.compiled.network
        closed = determined(network, [network.index[name] for name in self.causes])
        known = {network.index[name] for name in self.evidence[0]}
        found = {}
        for check, what in self.checks.items():
            numbers = [network.index[name] for name in what]
            part, _ = requisite(network, [n for n in numbers if n not in closed], closed | known)
            part -= {*known, *numbers}
            above = {p for n in numbers for p in network.parents[n]}
            if (first := speaking(self.compiled)) is not None:
                part = set(above) if above <= closed else {first}
                part -= known
            names = tuple(network.names[n] for n in sorted(part) if n in closed)
            found[check] = (names, what)
        return found


def cases() -> dict[str, Callable[[], Case]]:
    """How to make each case, by its short name."""
    return {
        "shop": shop_case,
        "shipped": shipped_case,
        "hepar2": hepar2_case,
        "win95pts-6": lambda: win95pts_case(6),
        "win95pts-12": lambda: win95pts_case(12),
    }


def shop_case() -> Case:
    compiled = faultfinder.load_model("thin_clamshell")
    causes = tuple(compiled.network.names[number] for number in compiled.causes)
    findings = (
        {"backlight": "off", "image": "none", "knock": "yes"},
        {"backlight": "flickers", "image": "unsteady", "knock": "no"},
        {"backlight": "on", "image": "lines", "knock": "yes"},
    )
    return Case("shop model", compiled, causes, findings, "causes")


def shipped_case() -> Case:
    """The thin clamshell as it is shipped: which of the causes speaks is a variable of its own.

    What a check tells is read off that variable, as this engine does, for everybody.
    """
    path = Path(__file__).parents[2] / "models" / "thin_clamshell.yaml"
    compiled = faultfinder.load_model(str(path))
    findings = (
        {"screen_light": "lit", "after": "own_repair", "torch": "nothing_seen"},
        {"screen_light": "lit", "after": "fall_or_blow", "torch": "nothing_seen"},
        {"screen_light": "lit", "after": "nothing_known", "torch": "nothing_seen"},
    )
    causes = tuple(compiled.network.names[number] for number in compiled.causes)
    return Case("thin clamshell as shipped", compiled, causes, findings, "causes")


def _published(name: str, causes: list[str], findings: tuple[Known, ...]) -> Case:
    network = published(name)
    checks = [str(node) for node in network.nodes() if node not in causes]
    faulty = {cause: states_of(network, cause)[1:] for cause in causes}
    compiled = faultfinder.from_pgmpy(network, faulty, checks)
    return Case(name, compiled, tuple(causes), findings, "causes")


def hepar2_case() -> Case:
    """All seven disorders; every other node is a check."""
    causes = ["Steatosis", "Cirrhosis", "PBC", "ChHepatitis", "THepatitis", "RHepatitis"]
    return _published(
        "hepar2",
        [*causes, "Hyperbilirubinemia"],
        (
            {"fatigue": "present", "jaundice": "present", "itching": "present"},
            {"fatigue": "absent", "jaundice": "present", "itching": "absent"},
            {"fatigue": "present", "jaundice": "absent", "itching": "absent"},
        ),
    )


def win95pts_case(count: int) -> Case:
    """Up to twelve faults of two states (4,096 joint states); every other node is a check."""
    causes = ["PrtOn", "PrtPaper", "PrtCbl", "NetPrint", "PrtDriver", "PrtSel"]
    causes += ["AppOK", "DataFile", "DskLocal", "DS_NTOK", "PrtMem", "PrtPath"]
    causes = causes[:count]
    network = published("win95pts")

    def seen(*places: int) -> Known:
        names = ("Problem1", "PrtStatPaper", "REPEAT")
        return {
            name: states_of(network, name)[place] for name, place in zip(names, places, strict=True)
        }

    return _published("win95pts", causes, (seen(1, 0, 0), seen(0, 0, 1), seen(1, 1, 1)))


def entropy_bits(table: np.ndarray) -> float:
    positive = table[table > 0.0]
    return float(-(positive * np.log2(positive)).sum())


def gain_of(table: np.ndarray, part: int) -> float:
    """I(part; findings) of a joint table whose first `part` axes are the part of the target."""
    rows = math.prod(table.shape[:part])
    flat = table.reshape(rows, -1)
    flat = flat / flat.sum()
    return entropy_bits(flat.sum(axis=0)) + entropy_bits(flat.sum(axis=1)) - entropy_bits(flat)


def ranked(
    compiled: CompiledModel, findings: Mapping[str, str], target: TargetSpec = "causes"
) -> tuple[RankedCheck, ...]:
    """All checks by information, and all that a page says of the causes besides."""
    answer = look_at(compiled, findings, target)
    assert len(answer.causes)
    assert answer.warnings is not None
    return answer.most_telling


def engine(case: Case) -> Rank:
    """A consultation: it also works out beliefs of all causes, costs, warnings, and the order."""

    def rank(number: int) -> Gains:
        checks = ranked(case.compiled, case.findings[number], case.target)
        return {check.check: check.gain_bits for check in checks}

    return rank


class _Pgmpy:
    def __init__(self, case: Case) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from pgmpy.inference import VariableElimination
        network = case.compiled.network
        self.network = pgmpy_network(
            {
                name: (
                    network.states[i],
                    [network.names[p] for p in network.parents[i]],
                    network.tables[i].reshape(-1, network.cards[i]).tolist(),
                )
                for i, name in enumerate(network.names)
            }
        )
        self.elimination = VariableElimination(self.network)

    def joint(self, names: tuple[str, ...], known: Known) -> np.ndarray:
        found = self.elimination.query(list(names), evidence=dict(known), show_progress=False)
        return np.asarray(found.values).transpose([found.variables.index(n) for n in names])


class _Agrum:
    def __init__(self, case: Case) -> None:
        import pyagrum

        self.library = pyagrum
        network = case.compiled.network
        self.states = dict(zip(network.names, network.states, strict=True))
        self.bayes_net = pyagrum.BayesNet()
        for name, states in self.states.items():
            self.bayes_net.add(pyagrum.LabelizedVariable(name, name, list(states)))
        for number, name in enumerate(network.names):
            for parent in network.parents[number]:
                self.bayes_net.addArc(network.names[parent], name)
        for number, name in enumerate(network.names):
            scope = [*(network.names[p] for p in network.parents[number]), name]
            table = self.bayes_net.cpt(name)
            # A tensor is filled with its first-named variable varying fastest.
            order = [scope.index(other) for other in reversed(table.names)]
            table.fillWith(network.tables[number].transpose(order).reshape(-1).tolist())

    def engine(self) -> Any:
        return self.library.LazyPropagation(self.bayes_net)

    def coded(self, known: Known) -> dict[str, int]:
        return {name: self.states[name].index(state) for name, state in known.items()}

    def read(self, inference: Any, names: tuple[str, ...]) -> np.ndarray:
        if len(names) == 1:
            return np.asarray(inference.posterior(names[0]).toarray())
        found = inference.jointPosterior(set(names))
        order = list(reversed(found.names))
        return np.asarray(found.toarray()).transpose([order.index(name) for name in names])


def pgmpy_loop(case: Case) -> Rank:
    """(a) A check and a result at a time: the joint belief of all causes after each result."""
    tool = _Pgmpy(case)

    def rank(number: int) -> Gains:
        known = case.evidence[number]
        before = entropy_bits(tool.joint(case.causes, known))
        gains = {}
        for check, what in case.checks.items():
            results = tool.joint(what, known)
            after = 0.0
            for places in np.ndindex(results.shape):
                if results[places] > 0.0:
                    told = {
                        name: tool.network.get_cpds(name).state_names[name][place]
                        for name, place in zip(what, places, strict=True)
                    }
                    left = tool.joint(case.causes, {**known, **told})
                    after += float(results[places]) * entropy_bits(left)
            gains[check] = before - after
        return gains

    return rank


def pgmpy_scopes(case: Case) -> Rank:
    """One small query a check: the check and what it depends on, as this engine would ask."""
    tool, scopes = _Pgmpy(case), case.scopes()

    def rank(number: int) -> Gains:
        known = case.evidence[number]
        return {
            check: gain_of(tool.joint((*part, *what), known), len(part)) if part else 0.0
            for check, (part, what) in scopes.items()
        }

    return rank


def agrum_loop(case: Case) -> Rank:
    """(b) Lazy propagation with all causes as joint target, a check and a result at a time."""
    tool = _Agrum(case)
    inference = tool.engine()
    inference.addJointTarget(set(case.causes))
    results_of = tool.engine()
    for what in case.checks.values():
        _aim(results_of, what)

    def rank(number: int) -> Gains:
        known = tool.coded(case.evidence[number])

        def uncertainty(more: Mapping[str, int]) -> float:
            inference.eraseAllEvidence()
            inference.setEvidence({**known, **more})
            inference.makeInference()
            return entropy_bits(tool.read(inference, case.causes))

        results_of.eraseAllEvidence()
        results_of.setEvidence(known)
        results_of.makeInference()
        before = uncertainty({})
        gains = {}
        for check, what in case.checks.items():
            results = tool.read(results_of, what)
            after = 0.0
            for places in np.ndindex(results.shape):
                if results[places] > 0.0:
                    told = dict(zip(what, places, strict=True))
                    after += float(results[places]) * uncertainty(told)
            gains[check] = before - after
        return gains

    return rank


def agrum_scopes(case: Case) -> Rank:
    """(b, strong) One lazy propagation with a joint target per check: the check and what it
    depends on. The engine object is kept between calls; only its evidence is renewed."""
    tool, scopes = _Agrum(case), case.scopes()
    inference = tool.engine()
    for part, what in scopes.values():
        _aim(inference, (*part, *what))

    def rank(number: int) -> Gains:
        inference.eraseAllEvidence()
        inference.setEvidence(tool.coded(case.evidence[number]))
        inference.makeInference()
        return {
            check: gain_of(tool.read(inference, (*part, *what)), len(part)) if part else 0.0
            for check, (part, what) in scopes.items()
        }

    return rank


def _aim(inference: Any, names: tuple[str, ...]) -> None:
    if len(names) == 1:
        inference.addTarget(names[0])
    else:
        inference.addJointTarget(set(names))


CONTENDERS: dict[str, Callable[[Case], Rank]] = {
    "this engine": engine,
    "(a) pgmpy, a check and result at a time": pgmpy_loop,
    "(a, strong) pgmpy, one small query a check": pgmpy_scopes,
    "(b) pyAgrum, a check and result at a time": agrum_loop,
    "(b, strong) pyAgrum, one pass, joint targets": agrum_scopes,
}
