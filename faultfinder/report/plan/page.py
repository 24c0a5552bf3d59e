"""A plan as one self-contained HTML page to print on two sheets.

Numbered steps in boxes instead of one wide tree: a step says what to do, and
each result says which step comes next, so that it can be followed on paper.
"""

from __future__ import annotations

from collections import deque
from html import escape

from faultfinder.decide.plan import Plan, PlanNode
from faultfinder.model.parts import FaultModel
from faultfinder.model.routes import Routes
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
    words_of,
)
from faultfinder.report.wording import percent

_STYLE = """
@page { margin: 8mm; }
* { box-sizing: border-box; }
body { font: 9pt/1.3 sans-serif; color: #000; background: #fff; margin: 0 auto; max-width: 190mm;
  padding: 4mm; }
h1 { font-size: 14pt; margin: 0 0 1mm; }
p { margin: 0 0 0.8mm; }
.steps { columns: 2; column-gap: 4mm; }
section { border: 0.3mm solid #000; padding: 1mm 1.5mm; margin: 0 0 1.5mm; break-inside: avoid; }
section.fix { border-width: 0.7mm; }
h2 { font-size: 9.5pt; margin: 0 0 0.8mm; }
ol, ul { margin: 0 0 1mm; padding-left: 5mm; }
.results { list-style: none; padding: 0; margin: 0; }
.results li { padding-left: 4mm; text-indent: -4mm; }
.results li::before { content: "\\2192\\00a0"; }
.caution { border-left: 1mm solid #000; padding-left: 1.5mm; font-weight: bold; }
.small { font-size: 8pt; }
a { color: inherit; }
.last { columns: 2; column-gap: 4mm; font-size: 8pt; }
@media (max-width: 640px) { body { font-size: 12pt; padding: 4mm; } h2 { font-size: 12.5pt; }
  .steps, .last { columns: 1; } .small { font-size: 10.5pt; } }
@media print { body { padding: 0; max-width: none; font-size: 7pt; line-height: 1.12; }
  h2 { font-size: 8pt; }
  .small, .last { font-size: 6.2pt; } .steps, .last { columns: 3; }
  a { text-decoration: none; } }
"""


def plan_page(model: FaultModel, plan: Plan, routes: Routes, currency: str, known: str) -> str:
    """The page. `known` says in words what the plan starts from."""
    numbered = _number(plan.root)
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Plan: {escape(model.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>What to check and repair: {escape(model.title)}</h1>",
        f"<p>Starts from: {escape(known)}. Expected cost of the whole job "
        f"{plan.expected_cost:.0f} {escape(currency)}. Begin at step 1; each result names the "
        "step that follows.</p>",
        f'<p class="small">Branches reached less often than {percent(plan.fold_below)} end in a '
        "plain order of repairs; ask the tool again when one of them comes up. "
        f"{_left_out(plan)}</p>",
        f'<p class="caution">Caution: {escape(safety_words(model))}</p>',
        '<div class="steps">',
    ]
    shown: set[tuple[str, str]] = set()
    for node, number in numbered:
        parts.append(_section(model, node, number, dict_of(numbered), currency, shown))
    parts.append("</div>")
    parts += _proofs(model, plan)
    moves = "".join(
        f"<li>{escape(move_words(model, move))}</li>" for move in moves_used(model, plan, routes)
    )
    parts.append(f'<h2>Moves between stages, with their cautions</h2><ul class="last">{moves}</ul>')
    cautions = "".join(
        f"<li>{escape(title)}: {escape(caution)}</li>"
        for title, caution in order_cautions(model, plan).items()
    )
    if cautions:
        parts.append("<h2>Cautions of repairs named only in an order</h2>")
        parts.append(f'<ul class="last">{cautions}</ul>')
    parts.append("</body></html>")
    return "\n".join(parts) + "\n"


def dict_of(numbered: list[tuple[PlanNode, int]]) -> dict[int, int]:
    """Step number by identity of the node."""
    return {id(node): number for node, number in numbered}


def _left_out(plan: Plan) -> str:
    if plan.neglected <= 1e-4:
        return ""
    return f"Combinations of faults left out: {percent(plan.neglected)} together."


def _number(root: PlanNode) -> list[tuple[PlanNode, int]]:
    """Steps (checks, repairs) numbered level by level."""
    numbered: list[tuple[PlanNode, int]] = []
    queue = deque([root])
    while queue:
        node = queue.popleft()
        if node.kind in ("check", "repair") or node is root:
            numbered.append((node, len(numbered) + 1))
        queue.extend(branch.node for branch in node.branches)
    return numbered


def _section(
    model: FaultModel,
    node: PlanNode,
    number: int,
    numbers: dict[int, int],
    currency: str,
    shown: set[tuple[str, str]],
) -> str:
    if node.kind not in ("check", "repair"):
        return f"<section><h2>{number}. {escape(ending(model, node))}</h2></section>"
    check = model.checks_by_name[node.name] if node.kind == "check" else None
    repair = None if check else model.repairs_by_name[node.name]
    what = check or repair
    assert what is not None
    verb = "Check" if check else ("Send away for" if repair and repair.hand_over else "Repair")
    css = "" if check else ' class="fix"'
    lines = [
        f'<section{css} id="s{number}"><h2>{number}. {verb}: {escape(what.title)}</h2>',
        f'<p class="small">{percent(node.reached)} of jobs get here; '
        f"this step {node.cost:{'.0f' if node.cost >= 10 else '.1f'}} {escape(currency)}",
    ]
    if what.stage != node.stage:
        place = escape(model.stages_by_name[what.stage].title)
        lines.append(f"; first: {place} (read the moves at the end)")
    lines.append(".</p>")
    if what.caution:
        lines.append(f'<p class="caution">Caution: {escape(what.caution)}</p>')
    if repair is not None and not model.stages_by_name[repair.stage].powered:
        lines.append("<p>Look at it powered up before the cover goes on: plugs fully seated.</p>")
    if (node.kind, node.name) in shown:
        lines.append('<p class="small">How: as described above.</p>')
    elif what.how:
        shown.add((node.kind, node.name))
        items = " ".join(
            f"<b>{count}.</b> {escape(line.rstrip('. '))}."
            for count, line in enumerate(what.how, start=1)
        )
        lines.append(f"<p>{items}</p>")
    lines.append('<ul class="results">')
    shown_ones, rare = shown_branches(node)
    for branch in shown_ones:
        goal = branch.node
        if id(goal) in numbers:
            step = numbers[id(goal)]
            text = f'go to <a href="#s{step}">step {step}</a>'
        else:
            text = escape(ending(model, goal))
        label = escape(words_of(model, branch.label))
        lines.append(f"<li><b>{label}</b> ({percent(branch.probability)}): {text}.")
        if goal.causes and id(goal) not in numbers:
            lines.append(
                f' <span class="small">Likely here: {escape(cause_words(model, goal))}.</span>'
            )
        lines.append("</li>")
    if rare:
        together = percent(sum(branch.probability for branch in rare))
        lines.append(f"<li>{rare_words(rare)} ({together}): ask again from here.</li>")
    lines.append("</ul></section>")
    return "".join(lines)


def _proofs(model: FaultModel, plan: Plan) -> list[str]:
    told = proofs_by_repair(model, plan)
    if not told:
        return []
    items = "".join(
        f"<li><b>{escape(title)}</b>: {escape(tests)}</li>" for title, tests in told.items()
    )
    return [f'<h2>Proof tests of each repair</h2><ul class="last">{items}</ul>']
