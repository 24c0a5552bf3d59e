"""The whole plan from here as a tree, and what it costs, exactly over its scenarios."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from faultfinder.decide.bounds import LowerBound
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import best_order
from faultfinder.decide.situation import Policy, Situation, after_repair, start
from faultfinder.decide.walk import PASSES, EveryResult, Step, closing_cost, walk
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

    `least` is what no plan can cost less than (see `faultfinder.decide.bounds`). `full` tells
    that branches were folded because the plan had grown too large.
    """

    root: PlanNode
    planner: str
    expected_cost: float
    least: float
    neglected: float
    fold_below: float
    depth: int
    full: bool = False


NAMED, BARELY_LIKELY = 4, 0.02
"""Causes named at a step of a plan, and the probability from which they are."""


def likely_causes(problem: Problem, weights: Array) -> tuple[tuple[str, float], ...]:
    """The most likely causes of a belief, with the probability that each is present."""
    present = weights @ (problem.scenarios != 0)
    ranked = sorted(zip(problem.causes, present.tolist(), strict=True), key=lambda item: -item[1])
    return tuple((name, p) for name, p in ranked[:NAMED] if p >= BARELY_LIKELY)


def make_plan(
    problem: Problem,
    policy: Policy,
    name: str = "",
    *,
    fold_below: float = 0.02,
    depth: int = 8,
    most: int = 10**9,
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """Follow a policy through every result into a tree; `name` is what to call it.

    Branches reached with less than `fold_below`, after `depth` steps, or once the plan has
    `most` steps, are folded into a plain repair order, which is costed in full.
    `progress` is told the probability of all leaves that are finished.
    """
    made, finished = 0, 0.0

    def fold(situation: Situation, reached: float) -> str:
        nonlocal made
        done = len(situation.checked) + len(situation.repaired)
        why = "depth" if done >= depth else "unlikely" if reached < fold_below else ""
        why = "size" if made >= most else why
        made += not why
        return why

    steps = []
    for step in walk(problem, policy, EveryResult(), until=fold):
        steps.append(step)
        if progress is not None:
            ends = [way.group for way in step.ways if way.then is None]
            finished += sum(ends) if step.ways else step.group
            progress(finished)
    # What follows a step comes after it in the list: from the end, all branches are there.
    nodes: dict[tuple[int, int], PlanNode] = {}
    for step in reversed(steps):
        nodes[step.before, step.way] = _node(problem, step, nodes)
    root = nodes[-1, -1]
    least = LowerBound(problem).at(start(problem))
    return Plan(
        root, name, root.expected_cost, least, problem.neglected, fold_below, depth, made >= most
    )


def _node(problem: Problem, step: Step[float], nodes: dict[tuple[int, int], PlanNode]) -> PlanNode:
    """A step as a node, from the nodes of the steps after it."""
    situation, action = step.situation, step.action
    name, cost = action.kind, step.cost
    order: tuple[str, ...] = ()
    kind = "order" if step.why else action.kind
    branches: list[Branch] = []
    if kind == "order":
        best = best_order(problem, situation.weights, situation.stage, situation.repaired)
        name, cost = "", best.cost
        order = tuple(problem.repairs[one.repair].name for one in best.steps)
    elif kind == "check":
        name = problem.checks[action.number].name
        labels = problem.checks[action.number].results
        branches = [
            Branch(labels[way.result], way.group / step.group, nodes[step.number, place])
            for place, way in enumerate(step.ways)
        ]
    elif kind == "repair":
        name = problem.repairs[action.number].name
        for place, way in enumerate(step.ways):
            if way.result == PASSES:
                branches.append(Branch("picture is back", way.group / step.group,
                                       _closed(problem, step, way.group)))  # fmt: skip
            elif way.then is not None:
                branches.append(Branch("still no usable picture", way.group / step.group,
                                       nodes[step.number, place]))  # fmt: skip
    total = cost + sum(b.probability * b.node.expected_cost for b in branches)
    return PlanNode(
        kind,
        name,
        step.group,
        cost,
        total,
        problem.stages[situation.stage],
        likely_causes(problem, situation.weights),
        tuple(branches),
        order,
        step.why,
    )


def _closed(problem: Problem, step: Step[float], reached: float) -> PlanNode:
    """The look passed: proved, closed, handed out; some come back."""
    action = problem.repairs[step.action.number]
    passes = after_repair(problem, step.situation, step.action.number)[0]
    return PlanNode(
        "closed",
        action.name,
        reached,
        float(problem.finish[action.test_stage]),
        closing_cost(problem, step) / passes,
        problem.stages[action.test_stage],
        (),
    )
