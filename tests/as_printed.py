"""A finished plan as a policy: machines are walked through the tree that is printed."""

from __future__ import annotations

import numpy as np

from faultfinder.decide.plan import Plan, PlanNode
from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Action, Situation, after_check, after_repair, start


class AsPrinted:
    """Follows a finished plan to the letter: its steps, and its folded orders in turn."""

    name = "as printed"

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem = problem
        self.actions: dict[tuple[object, ...], Action] = {}
        self._walk(start(problem), plan.root)

    def _key(self, situation: Situation) -> tuple[object, ...]:
        weights = np.round(situation.weights, 10).tobytes()
        return (situation.stage, situation.checked, situation.repaired, weights)

    def _walk(self, situation: Situation, node: PlanNode) -> None:
        problem = self.problem
        if node.kind == "check":
            number = next(i for i, c in enumerate(problem.checks) if c.name == node.name)
            self.actions[self._key(situation)] = Action("check", number, 0.0)
            ways = after_check(problem, situation, number)
            for (_, _, nxt), branch in zip(ways, node.branches, strict=True):
                self._walk(nxt, branch.node)
        elif node.kind == "repair":
            (rest,) = [b.node for b in node.branches if b.node.kind != "closed"] or [None]
            self._repair(situation, node.name, rest)
        elif node.kind == "order":
            for name in node.order:
                nxt = self._repair(situation, name, None)
                if nxt is None:
                    return
                situation = nxt
            self.actions[self._key(situation)] = Action("hand over", -1, 0.0)
        else:
            self.actions[self._key(situation)] = Action("hand over", -1, 0.0)

    def _repair(self, situation: Situation, name: str, rest: PlanNode | None) -> Situation | None:
        number = next(i for i, r in enumerate(self.problem.repairs) if r.name == name)
        self.actions[self._key(situation)] = Action("repair", number, 0.0)
        nxt = after_repair(self.problem, situation, number)[3]
        if nxt is not None and rest is not None:
            self._walk(nxt, rest)
        return nxt

    def decide(self, situation: Situation) -> Action:
        return self.actions[self._key(situation)]
