"""Where a round leads, in words."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.branches import Branch, Seen
from faultfinder.model.parts import Check, FaultModel, Repair, Stage
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
        f"{_cause(model, cause)} {percent(chance)}" for cause, chance in branch.causes.items()
    ]
    seen = f"If {_seen_words(model, branch)}, {percent(branch.chance)}"
    said = f"{seen if branch.seen else 'Whatever shows'}: {' or '.join(causes)}"
    then = ", ".join(_steps(model, branch.check, branch.repairs))
    if branch.none >= HARDLY:
        then += ", or hand over" if then else "hand over"
    return f"{said}; then {then}." if then else f"{said}."


def branches_in_short(model: FaultModel, branches: Sequence[Branch], most: int) -> list[str]:
    """A sentence for each branch without chances, with the likeliest result of each finding, in at
    most so many words together: as many branches as there is room for, then as much of each."""
    made: list[str] = []
    for causes, repairs in ((1, 4), (1, 3), (0, 4), (0, 3), (0, 2), (0, 1)):
        said = []
        for branch in branches:
            then = ", ".join(_steps(model, branch.check, branch.repairs[:repairs]))
            names = [_cause(model, cause) for cause in [*branch.causes][:causes]]
            begin = [f"{_upper(_seen_words(model, branch, 1))}:"] if branch.seen else []
            said.append(" ".join([*begin, f"{'; then '.join([*names, then])}."]))
            if sum(len(one.split()) for one in said) > most:
                said.pop()
                break
        if len(said) > len(made) and (repairs > 1 or not made):
            made = said
        if len(made) == len(branches):
            break
    return [_upper(one) for one in made]


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _cause(model: FaultModel, cause: str) -> str:
    """Its title where that is as short as its name."""
    title = model.by_name[cause].title
    return _lower(title) if len(title.split()) <= 3 else _plain(cause)


def _seen_words(model: FaultModel, branch: Branch, most: int = RESULTS) -> str:
    return ", ".join(_seen(model, one, most) for one in branch.seen)


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _seen(model: FaultModel, seen: Seen, most: int) -> str:
    check = model.checks_by_name[seen.check]
    briefly = check.briefly.get(seen.finding)
    least = NAMED * sum(seen.results.values())
    likely = [one for one, chance in seen.results.items() if chance >= least] or [*seen.results]
    results = [(briefly or {}).get(one, _plain(one)) for one in likely]
    said = (
        " or ".join(results[:most])
        if most < 2 or len(results) <= most
        else f"{results[0]} or alike"
    )
    if briefly is not None:
        return said
    if len(check.observes) > 1:
        return f"{_plain(seen.finding)} {said}"
    return f"{_lower(in_short(check))} {said}"


def _steps(model: FaultModel, check: str, repairs: Sequence[str]) -> list[str]:
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
            said.append(_lower(stage.short or "power off"))
        if check and off and repair.part.likely > dearest / 10:
            said.append(_lower(in_short(model.checks_by_name[check])))
            check = ""
        said.append(_lower(in_short(repair)))
    return said
