"""The whole plan from here as a tree, and what it costs, exactly over its scenarios."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from faultfinder.decide.policies.planners import (
    Planner,
    Situation,
    after_check,
    after_repair,
    check_cost,
    start,
)
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order
from faultfinder.model.network import Array


@dataclass(frozen=True)
class Branch:
    """One result of an action: its label, its probability there, and what follows."""

    label: str
    probability: float
    node: PlanNode


@dataclass(frozen=True)
class PlanNode:
    """A step of a plan.

    `kind` is "check", "repair", "hand over", "closed" (the look after a repair
    passed: prove it and close) or "order" (a folded branch: `order` names the repairs
    to try, in turn, then handing over). `reached` is the probability of getting here,
    `cost` what the step itself costs when reached (way included), `expected_cost` the
    mean cost from here to the end. `causes` are the most likely causes here with the
    probability that each is present; `stage` is where the machine is before the step.
    """

    kind: str
    name: str
    reached: float
    cost: float
    expected_cost: float
    stage: str
    causes: tuple[tuple[str, float], ...]
    branches: tuple[Branch, ...] = ()
    order: tuple[str, ...] = ()
    folded: str = ""

    def walk(self) -> Iterator[PlanNode]:
        """This node and all below it."""
        yield self
        for branch in self.branches:
            yield from branch.node.walk()


@dataclass(frozen=True)
class Plan:
    """A plan: the tree, its expected cost, and what it was made with.

    `full` tells that branches were folded because the plan had grown too large.
    """

    root: PlanNode
    planner: str
    expected_cost: float
    neglected: float
    fold_below: float
    depth: int
    full: bool = False


@dataclass(frozen=True)
class _Maker:
    problem: Problem
    planner: Planner
    fold_below: float
    depth: int
    progress: Callable[[float], None] | None = field(default=None)
    most: int = 10**9
    made: list[int] = field(default_factory=list)

    def node(self, situation: Situation, reached: float, depth: int) -> PlanNode:
        """The plan from a situation that still shows the fault (or has never been looked at)."""
        if depth <= 0 or reached < self.fold_below or len(self.made) >= self.most:
            why = "depth" if depth <= 0 else "unlikely"
            if len(self.made) >= self.most:
                why = "size"
            return self._order(situation, reached, why)
        self.made.append(1)
        action = self.planner.decide(situation)
        if action.kind == "check":
            return self._check(situation, action.number, reached, depth)
        if action.kind == "repair":
            return self._repair(situation, action.number, reached, depth)
        return self._hand_over(situation, reached)

    def _check(self, situation: Situation, check: int, reached: float, depth: int) -> PlanNode:
        action = self.problem.checks[check]
        cost = check_cost(self.problem, situation, check)
        branches = tuple(
            Branch(action.results[result], p, self.node(nxt, reached * p, depth - 1))
            for result, p, nxt in after_check(self.problem, situation, check)
        )
        total = cost + sum(branch.probability * branch.node.expected_cost for branch in branches)
        return self._made("check", action.name, situation, reached, cost, total, branches)

    def _repair(self, situation: Situation, repair: int, reached: float, depth: int) -> PlanNode:
        problem = self.problem
        action = problem.repairs[repair]
        cost = float(problem.act_cost[situation.stage, repair])
        passes, slipped, fails, nxt = after_repair(problem, situation, repair)
        finish = float(problem.finish[action.test_stage])
        end_cost = finish + (slipped / passes * problem.comeback if passes > 0.0 else 0.0)
        closed = PlanNode(
            "closed",
            action.name,
            reached * passes,
            finish,
            end_cost,
            problem.stages[action.test_stage],
            (),
        )
        self._tick(reached * passes)
        branches = [Branch("picture is back", passes, closed)] if passes > 0.0 else []
        if nxt is not None:
            branches.append(
                Branch("still no usable picture", fails, self.node(nxt, reached * fails, depth - 1))
            )
        total = cost + sum(b.probability * b.node.expected_cost for b in branches)
        return self._made("repair", action.name, situation, reached, cost, total, tuple(branches))

    def _hand_over(self, situation: Situation, reached: float) -> PlanNode:
        cost = self.problem.give_up + float(self.problem.finish[situation.stage])
        self._tick(reached)
        return self._made("hand over", "hand over", situation, reached, cost, cost, ())

    def _order(self, situation: Situation, reached: float, why: str) -> PlanNode:
        order = best_order(self.problem, situation.weights, situation.stage, situation.repaired)
        names = tuple(self.problem.repairs[step.repair].name for step in order.steps)
        self._tick(reached)
        made = self._made("order", "", situation, reached, order.cost, order.cost, ())
        return replace(made, order=names, folded=why)

    def _made(
        self,
        kind: str,
        name: str,
        situation: Situation,
        reached: float,
        cost: float,
        total: float,
        branches: tuple[Branch, ...],
    ) -> PlanNode:
        return PlanNode(
            kind,
            name,
            reached,
            cost,
            total,
            self.problem.stages[situation.stage],
            likely_causes(self.problem, situation.weights),
            branches,
        )

    def _tick(self, reached: float) -> None:
        if self.progress is not None:
            self.progress(reached)


def likely_causes(
    problem: Problem, weights: Array, most: int = 4, least: float = 0.02
) -> tuple[tuple[str, float], ...]:
    """The most likely causes of a belief, with the probability that each is present."""
    present = weights @ (problem.scenarios != 0)
    ranked = sorted(zip(problem.causes, present.tolist(), strict=True), key=lambda item: -item[1])
    return tuple((name, p) for name, p in ranked[:most] if p >= least)


def make_plan(
    problem: Problem,
    planner: Planner,
    *,
    fold_below: float = 0.02,
    depth: int = 8,
    most: int = 10**9,
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """Follow a planner through every result into a tree.

    Branches reached with less than `fold_below`, after `depth` steps, or once the plan has
    `most` steps, are folded into a plain repair order, which is costed in full.
    `progress` is told the probability of each leaf as it is finished (they sum to one).
    """
    maker = _Maker(problem, planner, fold_below, depth, progress, most)
    root = maker.node(start(problem), 1.0, depth)
    full = len(maker.made) >= most
    return Plan(root, planner.name, root.expected_cost, problem.neglected, fold_below, depth, full)


def policy_cost(problem: Problem, planner: Planner) -> float:
    """The expected cost of following a planner to the end, by following every result."""
    steps = len(problem.checks) + len(problem.repairs) + 1
    return make_plan(problem, planner, fold_below=-1.0, depth=steps).expected_cost
