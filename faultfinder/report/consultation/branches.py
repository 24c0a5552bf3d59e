"""Where a round leads, in words."""

from __future__ import annotations

from faultfinder.consultation.branches import Branch
from faultfinder.consultation.in_words import cause_words, on_from, seen_words
from faultfinder.model.parts import FaultModel
from faultfinder.report.wording import percent

HARDLY = 0.3
"""Where no repair is right this often, a branch says that it may not pay."""


def branch_words(model: FaultModel, branch: Branch) -> str:
    """Where some results lead, with chances: "If external monitor good, 40 %: display cable 27 %;
    then battery off, reseat board plug, new display cable."."""
    causes = [
        f"{cause_words(model, cause)} {percent(chance)}" for cause, chance in branch.causes.items()
    ]
    seen = f"If {seen_words(model, branch)}, {percent(branch.chance)}"
    said = f"{seen if branch.seen else 'Whatever shows'}: {' or '.join(causes)}"
    then = on_from(model, branch)
    if branch.none >= HARDLY:
        then += ", or hand over" if then else "hand over"
    return f"{said}; then {then}." if then else f"{said}."
