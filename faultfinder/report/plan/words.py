"""Words that a plan's text and page have in common."""

from __future__ import annotations

import re
from collections.abc import Sequence

from faultfinder.decide.plan import Branch, Plan, PlanNode
from faultfinder.model.parts import Check, FaultModel, Move, Repair
from faultfinder.model.routes import Routes
from faultfinder.report.wording import counted, minutes, percent, unbroken

BATTERY = (
    "A battery that is swollen, crushed or leaking stops all work: do not charge, press or open "
    "further; follow local rules and the maker's instructions."
)


def safety_words(model: FaultModel) -> str:
    """What stops all work on such a machine: about its battery, or what its file says."""
    says = dict.fromkeys(rule.say.strip() for rule in model.stop_rules)
    if not says or any("battery" in say.lower() for say in says):
        return BATTERY
    return " ".join(says)


ORDER_SHOWN = 3
"""Repairs named of an order; the rest is counted."""

RARE = 0.02
"""Results seen less often are told together, where they lead no further."""


def step_of(model: FaultModel, node: PlanNode) -> Check | Repair | None:
    """The check or repair of a node; None where it is an ending."""
    if node.kind == "check":
        return model.checks_by_name[node.name]
    return model.repairs_by_name[node.name] if node.kind == "repair" else None


def step_words(model: FaultModel, node: PlanNode) -> str:
    """A check or repair in one line, as in "Check: Look at the backlight"."""
    what = step_of(model, node)
    assert what is not None
    if isinstance(what, Check):
        return f"Check: {what.title}"
    return f"{'Send away for' if what.hand_over else 'Repair'}: {what.title}"


def words_of(model: FaultModel, label: str) -> str:
    """A result as shown to people; of three findings or more only those not normal."""
    parts = label.split(", ")
    pairs = [part.partition("=") for part in parts]
    if len(pairs) > 2:
        odd = [
            part
            for part, (name, _, state) in zip(parts, pairs, strict=True)
            if name in model.by_name and state != model.by_name[name].states[0]
        ]
        if not odd:
            return "all normal"
        parts = [*odd, "the rest normal"] if len(odd) < len(parts) else odd
    return ", ".join(parts).replace("_", " ")


def cause_words(model: FaultModel, node: PlanNode, most: int = 3) -> str:
    """The leading causes at a node in words, with their probabilities."""
    return ", ".join(
        f"{model.by_name[name].title}{unbroken(' ' + percent(p))}" for name, p in node.causes[:most]
    )


def ending(model: FaultModel, node: PlanNode) -> str:
    """How a branch ends that is not followed further, in small letters."""
    if node.kind == "closed":
        return "run the proof tests, then close"
    names = [model.repairs_by_name[name].title for name in node.order]
    if node.kind == "hand over" or not names:
        return "hand over unrepaired, or ask again from here"
    first = "; then ".join(names[:ORDER_SHOWN])
    more = len(names) - ORDER_SHOWN
    if more > 0:
        return f"{first}; if none cures, {counted(more, 'more repair')} or ask again"
    return f"{first}; if none cures, hand over"


def shown_branches(node: PlanNode) -> tuple[list[Branch], list[Branch]]:
    """The branches to show one by one, and rare folded ones to be told together."""
    rare = [b for b in node.branches if b.probability < RARE and not b.node.branches]
    if len(rare) < 2:
        return list(node.branches), []
    return [b for b in node.branches if b not in rare], rare


def proofs_by_repair(model: FaultModel, plan: Plan) -> dict[str, str]:
    """The proof tests of each repair that the plan names: title -> tests, in words."""
    named = dict.fromkeys(
        name
        for node in plan.root.walk()
        for name in ([node.name] if node.kind == "repair" else node.order[:ORDER_SHOWN])
    )
    told = {}
    for name in named:
        repair = model.repairs_by_name[name]
        proofs = [proof for proof in model.proofs if proof.name in repair.proof]
        told[repair.title] = ", ".join(proof.title.lower() for proof in proofs)
    return {title: tests for title, tests in told.items() if tests}


def rare_words(rare: list[Branch]) -> str:
    """As in "5 rarer results (4 %)"; "" when there are none."""
    together = percent(sum(branch.probability for branch in rare))
    return f"{len(rare)} rarer results ({together})" if rare else ""


def stage_of(step: Check | Repair, here: str) -> str:
    """Where a step is made on a machine that stands `here`."""
    return step.place(here) if isinstance(step, Check) else step.stage


def moves_used(model: FaultModel, plan: Plan, routes: Routes) -> list[Move]:
    """Every move between stages that a step of the plan needs, and those to close again."""
    used: set[Move] = set()
    for node in plan.root.walk():
        goals = [model.repairs_by_name[name].stage for name in node.order]
        what = step_of(model, node)
        goals += [stage_of(what, node.stage)] if what is not None else []
        stage = node.stage
        for goal in [*goals, model.start] if not node.branches else goals:
            route = routes.get((stage, goal))
            used.update(route.moves if route else ())
            stage = goal
    order = {stage.name: place for place, stage in enumerate(model.stages)}
    return sorted(used, key=lambda move: (order[move.start], order[move.end]))


def move_words(model: FaultModel, moves: Sequence[Move]) -> list[str]:
    """The moves as texts with their cautions, one for each stage that they lead to."""
    stages = model.stages_by_name
    told: dict[str, str] = {}
    for move in moves:
        end = stages[move.end]
        if move.end not in told:
            told[move.end] = f"{end.title}.{_caution(end.caution)}"
        way = f" From: {stages[move.start].title} ({minutes(move.minutes)})"
        way += f": {move.how.rstrip('. ')}." if move.how else "."
        told[move.end] += way + (_caution(move.caution) if move.caution != end.caution else "")
    return list(told.values())


def _caution(text: str) -> str:
    return f" Caution: {text.strip()}" if text else ""


def order_cautions(model: FaultModel, plan: Plan) -> dict[str, str]:
    """The cautions of repairs that stand only in a plain order: titles -> caution.

    A sentence that several share stands once, with the titles of all of them."""
    steps = {node.name for node in plan.root.walk() if node.kind == "repair"}
    named = dict.fromkeys(
        name for node in plan.root.walk() for name in node.order[:ORDER_SHOWN] if name not in steps
    )
    repairs = [model.repairs_by_name[name] for name in named]
    of: dict[str, list[str]] = {}
    for repair in repairs:
        for sentence in re.split(r"(?<=\.)\s+", repair.caution.strip()):
            if sentence:
                of.setdefault(sentence, []).append(repair.title)
    said: dict[str, list[str]] = {}
    for sentence, titles in of.items():
        said.setdefault("; ".join(titles), []).append(sentence)
    return {titles: " ".join(sentences) for titles, sentences in said.items()}
