"""A whole model as a page of text, and the figures its advice hangs on."""

from __future__ import annotations

from faultfinder.assess.sensitivity import Hinge, Sensitivity, Turn
from faultfinder.assess.testability import Assessment
from faultfinder.model.parts import Basis, Check, FaultModel, Kind
from faultfinder.report.model.words import (
    add_alike,
    around,
    check_words,
    checks_of,
    counts,
    fault_words,
    isolation_cells,
    isolation_words,
    listed,
    repairs_of,
)
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, minutes, percent

HARDEST = 10
"""Pairs of faults named as the hardest to tell apart."""

_WIDTHS = (6, 14, 11, 9)
"""Columns of the table of isolation."""


def model_page(model: FaultModel, found: Assessment, bold: bool = False) -> str:
    """Causes, checks and how they hang together; what is told apart, and how well."""
    page = Page(bold)
    page.heading(model.title)
    page.text(f"{counts(model)}. Long lists are cut short: --json names all.")
    if model.about:
        page.text(model.about)
    _causes(page, model, found)
    _checks(page, model, found)
    _alike(page, model, found)
    _isolation(page, model, found)
    return str(page)


def _causes(page: Page, model: FaultModel, found: Assessment) -> None:
    page.heading("Causes")
    for cause in model.of_kind(Kind.CAUSE):
        page.text(f"{cause.title} ({cause.name}): {', '.join(cause.states)}", 2)
        for label, names in around(model, cause):
            page.item(f"{label}:", listed(names), 4)
        page.item("Told by:", listed(checks_of(found, cause.name)) or "no check at all", 4)
        mends = repairs_of(model, cause.name)
        if mends:
            page.item("Mended by:", listed(mends), 4)


def _checks(page: Page, model: FaultModel, found: Assessment) -> None:
    for stage in model.stages:
        here = [check for check in model.checks if check.stage == stage.name]
        if not here:
            continue
        page.heading(f"Checks in the stage {stage.name}: {stage.title}")
        for check in here:
            page.row(f"{check.name}: {check.title}", [(minutes(check.minutes), 8)])
            page.text(_tells(model, found, check), 4)


def _tells(model: FaultModel, found: Assessment, check: Check) -> str:
    findings = listed(check.observes, 4)
    if check.name not in found.speaks:
        return f"{findings}: a question for the counter"
    causes = [model.by_name[name].name for name in found.speaks[check.name]]
    return f"{findings}, on {listed(causes, 4)}" if causes else f"{findings}; on no cause alone"


def _alike(page: Page, model: FaultModel, found: Assessment) -> None:
    page.heading("What no check tells apart")
    add_alike(page, model, found)
    hardest = sorted(found.pairs, key=lambda pair: pair.distance)[:HARDEST]
    if not hardest:
        return
    page.heading("Hardest to tell apart, and the check that does it best")
    for pair in hardest:
        names = f"{fault_words(model, pair.fault)} / {fault_words(model, pair.other)}"
        page.text(names, 2)
        check = check_words(model, pair.check) if pair.check else "no check"
        page.text(f"{check}: results differ by {percent(pair.distance)}", 4)


def _isolation(page: Page, model: FaultModel, found: Assessment) -> None:
    isolation = found.isolation
    if isolation is None or not isolation.causes:
        return
    exact = isolation.tickets == 0
    page.heading("How well each cause is isolated")
    page.row("", list(zip(("share", "isolated", "in first 3", "minutes"), _WIDTHS, strict=True)))
    for item in isolation.causes:
        page.row(
            model.by_name[item.cause].title,
            list(zip(isolation_cells(item, exact), _WIDTHS, strict=True)),
        )
    page.row(
        "All together",
        [
            (percent(1.0), 6),
            (percent(isolation.fraction(1)), 14),
            (percent(isolation.fraction(3)), 11),
            (f"{isolation.minutes:.0f}", 9),
        ],
    )
    page.text(isolation_words(isolation), 2)
    page.text("Share: how often it is this cause, of machines with exactly one fault.", 2)


def sensitivity_page(model: FaultModel, found: Sensitivity, bold: bool = False) -> str:
    """The figures on which the next check hangs, the shakiest first."""
    page = Page(bold)
    page.heading(model.title)
    known = ", ".join(f"{name}={state}" for name, state in found.findings.items())
    page.text(f"Known: {known or 'only the complaint'}.")
    page.text(f"Next check by bits for its cost: {_named(model, found.check)}.")
    page.heading("Figures it hangs on, the smallest margin first")
    if not found.hinges:
        page.text(f"None: no figure changes it within a factor {found.farthest:g} on its odds.", 2)
    for number, hinge in enumerate(found.hinges, start=1):
        figure = hinge.figure
        where = f", {figure.where}" if figure.where else ""
        page.item(
            f"{number}.",
            f"{figure.variable}: {figure.part}{where}, {figure.state} = {figure.value:.3g}",
        )
        for turn in _nearest_first(hinge):
            page.item("-", _turn_words(model, turn, found.check), 4)
        page.text(f"Basis: {basis_words(figure.basis)}.", 4)
    page.blank()
    sampled = f", drawn from {found.of:,}," if found.moved < found.of else ""
    page.text(
        f"{counted(found.moved, 'figure')}{sampled} moved one at a time, each up to a factor "
        f"{found.farthest:g} on its odds, the rest of its row scaled to fill up; {found.hanging} "
        "of them change the check. Chances of 0 and 1 stay as they are. Where the model has "
        'repairs, "faultfinder next" ranks by what is saved on the whole job, and can name another.'
    )
    return str(page)


def _named(model: FaultModel, check: str) -> str:
    return f"{check_words(model, check)} ({check})" if check else "none is worth its cost"


def _nearest_first(hinge: Hinge) -> list[Turn]:
    turns = [turn for turn in (hinge.down, hinge.up) if turn is not None]
    return sorted(turns, key=lambda turn: max(turn.factor, 1.0 / turn.factor))


def _turn_words(model: FaultModel, turn: Turn, before: str) -> str:
    way = "From" if turn.factor > 1.0 else "Down to"
    times = f"x {turn.factor:.3g}" if turn.factor > 1.0 else f"/ {1.0 / turn.factor:.3g}"
    after = check_words(model, turn.check) if turn.check else "no check any more"
    edge = "on" if way == "From" else "and below"
    return f"{way} {turn.value:.3g} {edge} (odds {times}): {after}"


def basis_words(basis: Basis | None) -> str:
    """Where a figure comes from, and what it is worth."""
    if basis is None:
        return "none given"
    worth = f", worth {basis.worth:g} tickets" if basis.worth is not None else ""
    return f"{basis.kind} ({basis.text}){worth}"
