"""Where a round leads, in words."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.branches import Branch, Seen
from faultfinder.model.parts import Check, FaultModel, Repair, Stage
from faultfinder.model.sentences import within
from faultfinder.report.wording import percent

RESULTS, NAMED = 2, 0.2
"""Results of a finding named in a branch at most, and the share of its chance that another than the
likeliest has to have."""

HARDLY = 0.3
"""Where no repair is right this often, a branch says that it may not pay."""


def in_short(part: Check | Repair | Stage) -> str:
    """What a part of a model is called where several are named."""
    return part.short or part.title


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


def on_from(model: FaultModel, branch: Branch, most: int | None = None) -> str:
    """How to go on in a branch: what the model says of its likely causes, else its repairs, at
    most so many."""
    if branch.leads is not None:
        return within(branch.leads.say)
    return ", ".join(then_words(model, branch.check, branch.repairs[:most]))


def _plain(name: str) -> str:
    return name.replace("_", " ")


def cause_words(model: FaultModel, cause: str) -> str:
    """Its title where that is as short as its name."""
    title = model.by_name[cause].title
    return within(title) if len(title.split()) <= 3 else _plain(cause)


def seen_words(model: FaultModel, branch: Branch, most: int = RESULTS) -> str:
    """What is found in a branch, at most so many results of each finding."""
    return ", ".join(_seen(model, one, most) for one in branch.seen)


def _seen(model: FaultModel, seen: Seen, most: int) -> str:
    check = model.checks_by_name[seen.check]
    briefly = check.briefly.get(seen.finding, {})
    least = NAMED * sum(seen.results.values())
    likely = [one for one, chance in seen.results.items() if chance >= least] or [*seen.results]
    results = [briefly.get(one, _plain(one)) for one in likely]
    some = most < 2 or len(results) <= most
    said = " or ".join(results[:most]) if some else f"{results[0]} or alike"
    if briefly:
        return said
    if len(check.observes) > 1:
        return f"{_plain(seen.finding)} {said}"
    return f"{within(in_short(check))} {said}"


def then_words(model: FaultModel, check: str, repairs: Sequence[str]) -> list[str]:
    """The repairs in a few words each; before the first that needs it that power is off, and before
    the first whose part counts beside the dearest the check that tells between them."""
    stages = model.stages_by_name
    dearest = max((model.repairs_by_name[name].part.likely for name in repairs), default=0.0)
    said: list[str] = []
    off = False
    # What a specialist does comes when nothing more is done here.
    for name in sorted(repairs, key=lambda name: model.repairs_by_name[name].hand_over):
        repair = model.repairs_by_name[name]
        stage = stages[repair.stage]
        if not stage.powered and not off:
            off = True
            said.append(within(stage.short or "power off"))
        if check and off and repair.part.likely > dearest / 10:
            said.append(within(in_short(model.checks_by_name[check])))
            check = ""
        said.append(within(in_short(repair)))
    return said
