"""The ranking of checks with one figure of the model moved, without compiling anew.

A figure lives in the table of one variable (or in a few small steps, where a large family
was split). Of a finding not known yet, only the readouts of its checks change. Of any other
variable, the junction tree's start tables are made once without its family, and the moved
tables are multiplied in as factors, a batch column for each value tried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from faultfinder.assess.figures import Figure, moved_variable
from faultfinder.consultation.surprises import contradiction
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import (
    CompiledModel,
    Readout,
    entropy_bits,
    family_factor,
    ordered_factor,
    readout,
    start_tables,
)
from faultfinder.inference.information import information, open_findings
from faultfinder.inference.posterior import Evidence, beliefs, evidence_from, factors_of
from faultfinder.inference.propagation import Calibrated, Factor, calibrate, initial_tables
from faultfinder.inference.target import resolve_target
from faultfinder.inference.tree import JunctionTree, build_tree
from faultfinder.model.network import Array, to_network
from faultfinder.model.parts import Dense, Kind, Variable

_SLACK = 1e-9
"""Relative lead below which two checks count as level; the one named now stays named."""


@dataclass(frozen=True, eq=False)
class MovedRanking:
    """A bench situation whose next check is asked for again and again.

    `leader` is the check named now, "" for none. A check's score is its bits per money;
    it is named while that is at least `least`.
    """

    compiled: CompiledModel
    evidence: Evidence
    vain: tuple[int, ...]
    costs: Mapping[str, float]
    least: float
    tree: JunctionTree
    start_factors: tuple[Factor, ...] = field(repr=False)
    leader: str = ""

    @classmethod
    def start(
        cls,
        compiled: CompiledModel,
        known: Mapping[str, str],
        unclear: Sequence[str],
        stage: str,
        shop: Shop,
        checks: Sequence[str],
    ) -> MovedRanking:
        """The ranking as it stands. Raises ImpossibleEvidence."""
        model = compiled.model
        evidence = evidence_from(compiled, known)
        vain = tuple(compiled.network.index[name] for name in unclear)
        costs: dict[str, float] = {}
        for name in checks:
            check = model.checks_by_name[name]
            if (stage, check.stage) not in compiled.routes:
                continue
            if not open_findings(compiled, name, evidence, vain):
                continue
            minutes = compiled.routes[stage, check.stage].minutes + check.minutes
            costs[name] = shop.cost(minutes, check.consumables)
        factors = factors_of(compiled, evidence)
        tree = compiled.tree
        extra = [scope for scope, _ in factors if tree.home(scope) is None]
        if extra:
            tree = build_tree([*tree.cliques, *extra], compiled.network.cards)
        least = 1.0 / shop.worth_per_bit if shop.worth_per_bit > 0.0 else np.inf
        ranking = cls(compiled, evidence, vain, costs, least, tree, tuple(factors))
        if np.isneginf(ranking._now.log_evidence[0]):
            raise contradiction(compiled, evidence, known)
        scores = ranking._exact(compiled, ranking._ways, ranking._now, list(costs))
        return replace(ranking, leader=ranking._named(scores))

    # --- what does not change

    @cached_property
    def _ways(self) -> dict[str, Readout | None]:
        return {name: self._way(self.compiled, name) for name in self.costs}

    def _way(self, compiled: CompiledModel, check: str) -> Readout | None:
        findings = open_findings(compiled, check, self.evidence, self.vain)
        way = compiled.readouts[check]
        if way is None or way.findings != findings:
            way = readout(compiled, findings)
        return None if way is None or self.tree.home(way.scope) is None else way

    @cached_property
    def _sure(self) -> frozenset[int]:
        """What is known, or a function of the causes."""
        return self.compiled.closed_causes | self.evidence.likelihoods.keys()

    @cached_property
    def _now(self) -> Calibrated:
        start = start_tables(self.tree, self.compiled.network, self.compiled.leaves)
        return calibrate(self.tree, start, self.start_factors)

    @cached_property
    def _scores(self) -> dict[str, float]:
        return self._exact(self.compiled, self._ways, self._now, list(self.costs))

    @cached_property
    def _observers(self) -> dict[int, list[str]]:
        """The checks that each open finding is read by."""
        found: dict[int, list[str]] = {}
        for check in self.costs:
            for number in open_findings(self.compiled, check, self.evidence, self.vain):
                found.setdefault(number, []).append(check)
        return found

    @cached_property
    def _bases(self) -> dict[frozenset[int], tuple[Array, ...]]:
        return {}

    def _base(self, without: frozenset[int]) -> tuple[Array, ...]:
        """The tree's tables without the families of some variables."""
        if without not in self._bases:
            network = self.compiled.network
            self._bases[without] = initial_tables(
                self.tree,
                [
                    family_factor(network, number)
                    for number in range(len(network.names))
                    if number not in self.compiled.leaves and number not in without
                ],
            )
        return self._bases[without]

    # --- what is named

    def _named(self, scores: Mapping[str, float], leader: str = "") -> str:
        """The check with the highest score, "" where none is worth its cost."""
        if not scores:
            return ""
        best = max(sorted(scores), key=lambda name: (scores[name], name == leader))
        if leader and scores.get(leader, 0.0) >= scores[best] * (1.0 - _SLACK):
            best = leader
        return best if scores[best] >= self.least and scores[best] > 1e-9 else ""

    def _score(self, check: str, bits: float) -> float:
        # Checks that cost nothing go first, the most telling one before the others.
        return bits / max(self.costs[check], 1e-9)

    def leaders(self, figure: Figure, values: Sequence[float]) -> list[str | None]:
        """The check named with the figure at each value; None where all that was found
        would be impossible."""
        moved = [self._moved_tables(figure, value) for value in values]
        changed = frozenset(moved[0])
        leaf = changed & self.compiled.leaves
        if leaf and not leaf & self.evidence.likelihoods.keys():
            return [self._leader_of_leaf(tables) for tables in moved]
        return self._leaders_of_core(moved, changed)

    def _moved_tables(self, figure: Figure, value: float) -> dict[int, Array]:
        """The tables that a figure at `value` changes, by variable number."""
        model, network = self.compiled.model, self.compiled.network
        variable = moved_variable(model.by_name[figure.variable], figure, value)
        number = network.index[variable.name]
        small = [
            Variable(p, Kind.CAUSE, p, s, Dense((), np.full(len(s), 1.0 / len(s))))
            for p, s in ((p, model.by_name[p].states) for p in variable.parents)
        ]
        small.append(variable)
        if network.children[number] or variable.name == model.complaint:
            # Something depends on it, so that a large family is split here as well.
            table = np.full((len(variable.states), 2), 0.5)
            below = Dense((variable.name,), table)
            small.append(Variable("~below", Kind.FINDING, "", ("no", "yes"), below))
        part = to_network(
            replace(
                model, variables=tuple(small), checks=(), complaint=None, repairs=(), stop_rules=()
            )
        )
        return {
            network.index[name]: table
            for name, table in zip(part.names, part.tables, strict=True)
            if name == variable.name or name.startswith(f"{variable.name}~")
        }

    def _patched(self, tables: Mapping[int, Array]) -> CompiledModel:
        network = self.compiled.network
        changed = tuple(tables.get(i, table) for i, table in enumerate(network.tables))
        return replace(self.compiled, network=replace(network, tables=changed))

    def _leader_of_leaf(self, tables: Mapping[int, Array]) -> str:
        """A finding not known yet: beliefs stay, what its checks tell changes."""
        (number,) = tables
        touched = [c for c in self._observers.get(number, ()) if c in self.costs]
        if not touched:
            return self.leader
        patched = self._patched(tables)
        ways = {check: self._way_anew(patched, check) for check in touched}
        patched = replace(patched, readouts={**self.compiled.readouts, **ways})
        scores = {check: self._scores[check] for check in self.costs if check not in touched}
        best = max([self.least, *scores.values()])
        # A check that cannot lead even by its bound needs no exact score.
        close = [check for check in touched if self._most(check, ways[check]) >= best - _SLACK]
        scores.update(self._exact(patched, ways, self._now, close))
        return self._named(scores, self.leader)

    def _most(self, check: str, way: Readout | None) -> float:
        """A bound on a check's score by what it tells about its own scope."""
        if way is None:
            return np.inf
        weights = self._now.marginal(way.scope).reshape(-1)
        return self._score(check, float(entropy_bits(way.rows @ weights) - way.entropy @ weights))

    def _way_anew(self, patched: CompiledModel, check: str) -> Readout | None:
        way = readout(patched, open_findings(patched, check, self.evidence, self.vain))
        return None if way is None or self.tree.home(way.scope) is None else way

    def _leaders_of_core(
        self, moved: Sequence[Mapping[int, Array]], changed: frozenset[int]
    ) -> list[str | None]:
        """All else: a pass over the tree with a column per value, then every check's gain."""
        compiled, network = self.compiled, self.compiled.network
        core = changed - compiled.leaves
        factors = [
            ordered_factor(
                (*network.parents[number], number),
                np.stack([tables[number] for tables in moved], axis=-1),
            )
            for number in core
        ]
        for number, vector in self.evidence.likelihoods.items():
            if number in changed and number in compiled.leaves:
                values = np.stack([tables[number] @ vector for tables in moved], axis=-1)
                factors.append(ordered_factor(network.parents[number], values))
            else:
                factors += factors_of(compiled, Evidence({number: vector}))
        calibrated = calibrate(self.tree, self._base(core), factors)
        count = len(moved)
        log = np.broadcast_to(calibrated.log_evidence, (count,))
        quick: dict[str, Array] = {}
        bounds: dict[str, Array] = {}
        for check, way in self._ways.items():
            if way is None:
                bounds[check] = np.full(count, np.inf)
                continue
            weights = calibrated.marginal(way.scope)
            weights = weights.reshape(-1, weights.shape[-1])
            gain = entropy_bits(way.rows @ weights) - way.entropy @ weights
            # About the scope; the same about the causes where they decide it, else a bound.
            exact = all(v in self._sure for v in way.scope)
            (quick if exact else bounds)[check] = np.broadcast_to(gain, (count,))
        named: list[str | None] = []
        for column in range(count):
            if np.isneginf(log[column]):
                named.append(None)
                continue
            scores = {c: self._score(c, float(gain[column])) for c, gain in quick.items()}
            best = max([self.least, *scores.values()])
            close = [
                check
                for check, most in bounds.items()
                if self._score(check, float(most[column])) >= best * (1.0 - _SLACK)
            ]
            if close:
                patched = self._patched(moved[column])
                scores.update(self._anew(patched, close))
            named.append(self._named(scores, self.leader))
        return named

    def _anew(self, patched: CompiledModel, checks: Sequence[str]) -> dict[str, float]:
        """Scores of a few checks in a changed model, from its own tables."""
        start = start_tables(patched.tree, patched.network, patched.leaves)
        patched = replace(patched, start=start)
        ways = {check: self._way_anew(patched, check) for check in checks}
        patched = replace(patched, readouts={**patched.readouts, **ways})
        return self._exact(patched, ways, beliefs(patched, self.evidence), checks)

    def _exact(
        self,
        compiled: CompiledModel,
        ways: Mapping[str, Readout | None],
        calibrated: Calibrated,
        checks: Sequence[str],
    ) -> dict[str, float]:
        """Scores of some checks from beliefs that hold for `compiled`."""
        scores: dict[str, float] = {}
        rest: list[str] = []
        for check in checks:
            way = ways[check]
            if way is None or not all(v in self._sure for v in way.scope):
                rest.append(check)
                continue
            weights = calibrated.marginal(way.scope).reshape(-1)
            gain = float(entropy_bits(way.rows @ weights)) - float(way.entropy @ weights)
            scores[check] = self._score(check, max(gain, 0.0))
        if rest:
            target = resolve_target(compiled, "causes")
            told = information(target, self.evidence, calibrated, rest, self.vain)
            for check in rest:
                bits = told[check].gain_bits if check in told else 0.0
                scores[check] = self._score(check, bits)
        return scores
