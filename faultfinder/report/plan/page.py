"""A plan as one self-contained HTML page to print.

Numbered steps in boxes instead of one wide tree: a step says what to do, and
each result says which step comes next, so that it can be followed on paper.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from faultfinder.decide.plan import Branch, Plan, PlanNode
from faultfinder.model.parts import FaultModel
from faultfinder.model.routes import Routes
from faultfinder.report.html import render
from faultfinder.report.plan.words import (
    cause_words,
    ending,
    move_words,
    moves_used,
    order_cautions,
    proofs_by_repair,
    rare_words,
    safety_words,
    shown_branches,
    stage_of,
    step_of,
    step_words,
    words_of,
)
from faultfinder.report.wording import percent


@dataclass(frozen=True)
class Result:
    """A result with what follows: the number of a step, or (0) how it ends and what is likely."""

    label: str
    chance: str
    step: int
    ending: str
    likely: str


@dataclass(frozen=True)
class Step:
    """A box of the page. Without `about` it is an ending, and has its title alone."""

    number: int
    title: str
    fix: bool = False
    about: str = ""
    caution: str = ""
    look: bool = False
    how: tuple[str, ...] = ()
    told_before: bool = False
    results: tuple[Result, ...] = ()
    rare: str = ""


def plan_page(model: FaultModel, plan: Plan, routes: Routes, currency: str, known: str) -> str:
    """The page. `known` says in words what the plan starts from."""
    numbers = _numbers(plan.root)
    nodes = [node for node in plan.root.walk() if id(node) in numbers]
    nodes.sort(key=lambda node: numbers[id(node)])
    first = {(node.kind, node.name): id(node) for node in reversed(nodes)}
    return render(
        "plan.html",
        title=f"Plan: {model.title}",
        model=model,
        plan=plan,
        known=known,
        currency=currency,
        safety=safety_words(model),
        steps=[
            _step(model, node, numbers, currency, first[node.kind, node.name] != id(node))
            for node in nodes
        ],
        proofs=[f"{title}: {tests}" for title, tests in proofs_by_repair(model, plan).items()],
        moves=move_words(model, moves_used(model, plan, routes)),
        cautions=[f"{title}: {said}" for title, said in order_cautions(model, plan).items()],
    )


def _numbers(root: PlanNode) -> dict[int, int]:
    """Steps (checks, repairs) numbered level by level, by the identity of the node."""
    numbers: dict[int, int] = {}
    queue = deque([root])
    while queue:
        node = queue.popleft()
        if node.kind in ("check", "repair") or node is root:
            numbers[id(node)] = len(numbers) + 1
        queue.extend(branch.node for branch in node.branches)
    return numbers


def _step(
    model: FaultModel,
    node: PlanNode,
    numbers: Mapping[int, int],
    currency: str,
    told_before: bool,
) -> Step:
    number = numbers[id(node)]
    what = step_of(model, node)
    if what is None:
        return Step(number, ending(model, node))
    about = (
        f"{percent(node.reached)} of jobs get here; "
        f"this step {node.cost:{'.0f' if node.cost >= 10 else '.1f'}} {currency}"
    )
    stage = stage_of(what, node.stage)
    if stage != node.stage:
        place = model.stages_by_name[stage].title
        about += f"; first: {place} (ways at the end)"
    fix = node.kind == "repair"
    shown, rare = shown_branches(node)
    return Step(
        number=number,
        title=step_words(model, node),
        fix=fix,
        about=f"{about}.",
        caution=what.caution,
        look=fix and not model.stages_by_name[what.stage].powered,
        how=tuple(line.rstrip(". ") + "." for line in what.how),
        told_before=told_before,
        results=tuple(_result(model, branch, numbers) for branch in shown),
        rare=rare_words(rare),
    )


def _result(model: FaultModel, branch: Branch, numbers: Mapping[int, int]) -> Result:
    goal, step = branch.node, numbers.get(id(branch.node), 0)
    return Result(
        words_of(model, branch.label),
        percent(branch.probability),
        step,
        "" if step else ending(model, goal),
        "" if step else cause_words(model, goal, 2),
    )
