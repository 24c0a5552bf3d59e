"""A plan as text for a terminal, and as DOT."""

from __future__ import annotations

import textwrap

from faultfinder.consultation.safety import cautions_of
from faultfinder.decide.plan import Plan, PlanNode
from faultfinder.model.parts import FaultModel
from faultfinder.model.routes import Routes, look_route
from faultfinder.model.sentences import begun
from faultfinder.report.model.dot import quoted
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
from faultfinder.report.wording import WIDTH, percent


def headline(model: FaultModel, node: PlanNode) -> str:
    """What a step is, in one line."""
    if step_of(model, node) is not None:
        verb, _, title = step_words(model, node).partition(": ")
        return f"{verb.upper()} {title}"
    if node.kind == "closed":
        return "Picture is back: run the proof tests, then close"
    if node.kind == "hand over":
        return "HAND OVER unrepaired: no check or repair is worth its cost"
    said = ending(model, node)
    return begun(said)


def plan_lines(
    model: FaultModel,
    plan: Plan,
    routes: Routes,
    currency: str,
    told: str = "",
) -> list[str]:
    """The plan as indented text; every line fits WIDTH."""
    lines = [
        f"Plan from stage {model.stages_by_name[plan.root.stage].title.lower()}",
        *([f"Starts from: {told}."] if told else []),
        f"Costs {plan.expected_cost:.0f} {currency} on average ({plan.planner} planner); no plan "
        f"can cost less than {int(plan.least)}.",
        f"Branches reached less often than {percent(plan.fold_below)} are folded into a",
        "repair order. Percent after a result: how often it is seen at that point.",
    ]
    if plan.neglected > 1e-4:
        left_out = f"Left out: combinations of faults, {percent(plan.neglected)} together."
        _wrap(lines, left_out, "")
    if plan.full:
        _wrap(lines, "The plan grew too large: what came after was folded.", "")
    _wrap(lines, f"Caution: {safety_words(model)}", "")
    lines.append("")
    _node_lines(model, plan.root, routes, "", 1, lines)
    lines += ["", "Ways to each stage, with their cautions"]
    for said in move_words(model, moves_used(model, plan, routes)):
        _wrap(lines, f"- {said}", " ")
    lines += ["", "Proof tests of each repair (faultfinder prove REPAIR says how)"]
    for title, tests in proofs_by_repair(model, plan).items():
        _wrap(lines, f"- {title}: {tests}", " ")
    cautions = order_cautions(model, plan)
    if cautions:
        lines += ["", "Cautions of repairs named only in an order"]
        for title, caution in cautions.items():
            _wrap(lines, f"- {title}: {caution}", " ")
    return lines


def _node_lines(
    model: FaultModel,
    node: PlanNode,
    routes: Routes,
    indent: str,
    number: int,
    lines: list[str],
) -> None:
    what = step_of(model, node)
    step = f"{number}. " if what is not None else ""
    _wrap(lines, f"{step}{headline(model, node)}", indent)
    inner = indent + "   "
    if what is not None:
        stage = stage_of(what, node.stage)
        if stage != node.stage:
            _wrap(lines, f"first get to: {model.stages_by_name[stage].title}", inner)
            for said in cautions_of(model, routes[node.stage, stage], stage, ""):
                _wrap(lines, f"Caution: {said}", inner)
        if what.caution:
            _wrap(lines, f"Caution: {what.caution}", inner)
        if node.kind == "repair":
            look = look_route(model, routes, what.stage)
            if look.moves:
                goal = model.stages_by_name[look.moves[-1].end].title
                _wrap(lines, f"then look at it powered up: {goal}", inner)
                for said in cautions_of(model, look, what.stage, ""):
                    _wrap(lines, f"Caution: {said}", inner)
    if node.causes and not node.branches:
        _wrap(lines, f"likely at this point: {cause_words(model, node)}", inner)
    shown, rare = shown_branches(node)
    for branch in shown:
        label = words_of(model, branch.label)
        _wrap(lines, f"- {label} ({percent(branch.probability)}):", indent + " ")
        _node_lines(model, branch.node, routes, indent + "   ", number + 1, lines)
    if rare:
        _wrap(lines, f"- {rare_words(rare)}: ask again from here", indent + " ")


def _wrap(lines: list[str], text: str, indent: str) -> None:
    # Deep branches keep a readable column; the step numbers tell the depth.
    room = indent if len(indent) <= WIDTH - 36 else indent[: WIDTH - 36]
    lines += textwrap.wrap(
        text, WIDTH, initial_indent=room, subsequent_indent=room + "  ", break_long_words=True
    )


def plan_dot(model: FaultModel, plan: Plan) -> str:
    """The plan in the DOT language of Graphviz."""
    lines = ["digraph plan {", "  rankdir=LR;", '  node [shape=box, fontname="sans-serif"];']
    counter = 0

    def visit(node: PlanNode) -> int:
        nonlocal counter
        own = counter
        counter += 1
        text = quoted(
            *textwrap.wrap(headline(model, node), 28), f"{percent(node.reached)} reach this"
        )
        dashed = ", style=dashed" if node.kind == "order" else ""
        lines.append(f"  n{own} [label={text}{dashed}];")
        for branch in node.branches:
            below = visit(branch.node)
            label = quoted(branch.label, percent(branch.probability))
            lines.append(f"  n{own} -> n{below} [label={label}];")
        return own

    visit(plan.root)
    lines.append("}")
    return "\n".join(lines) + "\n"
