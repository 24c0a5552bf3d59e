"""A model as a graph in the DOT language of Graphviz."""

from __future__ import annotations

import textwrap

from faultfinder.model.parts import FaultModel, Kind

_LOOKS = {
    Kind.HISTORY: "shape=ellipse",
    Kind.CAUSE: "shape=box, penwidth=2",
    Kind.CONDITION: 'shape=box, style="rounded,dashed"',
    Kind.COMPLAINT: "shape=octagon, penwidth=2",
    Kind.FINDING: "shape=box",
}


def model_dot(model: FaultModel) -> str:
    """Variables with what depends on what, and checks (notes) with what they observe.

    Nodes are numbered; names and titles stand in quoted labels only.
    """
    lines = [
        f"digraph {quoted(model.name)} {{",
        "  rankdir=LR;",
        '  node [fontname="sans-serif"];',
    ]
    number = {variable.name: place for place, variable in enumerate(model.variables)}
    for variable in model.variables:
        look = _LOOKS[variable.kind]
        lines.append(f"  v{number[variable.name]} [label={_label(variable.title)}, {look}];")
    for place, check in enumerate(model.checks):
        lines.append(f"  c{place} [label={_label(check.title)}, shape=note];")
    for variable in model.variables:
        for parent in variable.parents:
            lines.append(f"  v{number[parent]} -> v{number[variable.name]};")
    for place, check in enumerate(model.checks):
        for name in check.observes:
            lines.append(f"  v{number[name]} -> c{place} [style=dotted, arrowhead=none];")
    lines.append("}")
    return "\n".join(lines) + "\n"


def _label(text: str) -> str:
    return quoted(*(textwrap.wrap(" ".join(text.split()), 24) or [""]))


def quoted(*lines: str) -> str:
    """A DOT string of some lines: quotes and backslashes escaped, so that nothing ends it."""
    safe = [line.replace("\\", "\\\\").replace('"', '\\"') for line in lines]
    return '"' + "\\n".join(safe) + '"'
