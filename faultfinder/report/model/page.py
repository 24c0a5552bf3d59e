"""A whole model as one self-contained HTML page, for a screen, a phone or paper."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.assess.testability import Assessment
from faultfinder.model.parts import Check, FaultModel, Kind, Variable
from faultfinder.report.html import render
from faultfinder.report.model.words import (
    MANY,
    Named,
    add_alike,
    around,
    cause_named,
    check_named,
    checks_of,
    counts,
    fault_words,
    isolation_cells,
    isolation_words,
    repairs_of,
)
from faultfinder.report.page import Page
from faultfinder.report.wording import percent

Line = tuple[str, Sequence[Named], int]
"""A label, names, and how many more there are."""


def model_html(model: FaultModel, found: Assessment) -> str:
    """The page: causes and checks with links between them, and how well they are told apart."""
    alike = Page()
    add_alike(alike, model, found)
    isolation = found.isolation if found.isolation and found.isolation.causes else None
    return render(
        "model.html",
        title=f"Model: {model.title}",
        model=model,
        counts=counts(model),
        alike=alike,
        isolation="" if isolation is None else isolation_words(isolation),
        isolated=[]
        if isolation is None
        else [
            [cause_named(model, item.cause), *isolation_cells(item, isolation.tickets == 0)]
            for item in isolation.causes
        ],
        neighbours=[
            [
                fault_words(model, near.fault),
                fault_words(model, near.other),
                check_named(model, near.check) if near.check else "no check",
                percent(near.distance),
            ]
            for near in sorted(found.neighbours, key=lambda near: near.distance)
        ],
        causes=[(cause, _about_cause(model, found, cause)) for cause in model.of_kind(Kind.CAUSE)],
        stages=[
            (stage, here)
            for stage in model.stages
            if (here := [_check(model, found, c) for c in model.checks if c.stage == stage.name])
        ],
    )


def _lines(lines: Sequence[tuple[str, Sequence[Named]]]) -> list[Line]:
    return [(label, names[:MANY], max(0, len(names) - MANY)) for label, names in lines if names]


def _about_cause(model: FaultModel, found: Assessment, cause: Variable) -> list[Line]:
    told = [check_named(model, name) for name in checks_of(found, cause.name)]
    return _lines(
        [
            *((label, [Named(name) for name in names]) for label, names in around(model, cause)),
            ("Told by", told or [Named("no check at all")]),
            ("Mended by", [Named(name) for name in repairs_of(model, cause.name)]),
        ]
    )


def _check(model: FaultModel, found: Assessment, check: Check) -> tuple[Check, list[Line], str]:
    """A check, what it shows and speaks on, and what is said where that is nothing."""
    observed = [model.by_name[name] for name in check.observes]
    causes = found.speaks.get(check.name)
    lines = _lines(
        [
            ("Shows", [Named(f"{v.title} ({', '.join(v.states)})") for v in observed]),
            ("Speaks on", [cause_named(model, name) for name in causes or ()]),
        ]
    )
    if causes is None:
        return check, lines, "A question for the counter."
    return check, lines, "" if causes else "Speaks on no cause alone."
