"""The page of `faultfinder next`: the causes, the next check, and the runners-up."""

from __future__ import annotations

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.model.parts import Kind
from faultfinder.report.consultation.branches import branch_words
from faultfinder.report.consultation.check import (
    add_answers,
    add_caution,
    add_how,
    add_results,
    add_way,
    gain_and_cost,
)
from faultfinder.report.consultation.repair import add_quote, add_repair
from faultfinder.report.consultation.short import judged_words
from faultfinder.report.consultation.view import View
from faultfinder.report.page import Page
from faultfinder.report.wording import bits, change, counted, money, percent

CAUSES_SHOWN = 8
WORTH_A_LINE = 0.02
"""Causes below this probability share one line."""

RUNNERS_UP = 5
_WIDTHS = (7, 4, 6, 7)


def next_page(view: View, bold: bool = False) -> str:
    """Everything `faultfinder next` says about a diagnosis."""
    page = Page(bold)
    if view.told.stop:
        add_stop(page, view)
        return str(page)
    add_known(page, view)
    page.blank()
    add_causes(page, view)
    page.blank()
    add_next(page, view)
    return str(page)


def add_stop(page: Page, view: View) -> None:
    """A safety rule ended the diagnosis: what to do, and no checks."""
    page.heading("STOP")
    page.text(view.told.stop_said)
    page.blank()
    add_known(page, view)
    page.text("The diagnosis ends here; no check is offered while this stands.")


def add_known(page: Page, view: View) -> None:
    told = view.told
    page.heading(view.model.title)
    known = ", ".join(f"{name}={result}" for name, result in told.case.findings.items())
    complaint = view.model.complaint
    if not known and complaint is not None:
        known = f"only the complaint ({view.model.by_name[complaint].title.lower()})"
    page.item("Known:", f"{known or 'nothing yet'}.", hang=2)
    if told.case.unclear:
        page.item("Could not tell:", ", ".join(told.case.unclear) + ".", hang=2)
    if told.case.judged:
        page.text(judged_words(told.case.judged))
    stage = view.model.stages_by_name.get(told.stage)
    if stage is not None and told.stage != view.model.start:
        page.item("Stage now:", f"{stage.title}.", hang=2)
    for step in view.tried:
        title = view.model.repairs_by_name[step.repair].title
        since = ", ".join(f"{name}={result}" for name, result in step.findings.items())
        page.item("Tried:", f"{title}; it did not cure{', since then ' + since if since else ''}.",
                  hang=2)  # fmt: skip
    for warning in told.warnings:
        page.text(warning)
    if not told.stop and view.too_large:
        page.text(view.too_large)


def add_causes(page: Page, view: View) -> None:
    """Whole percent, most likely first, and the change that the last answer made."""
    causes = view.told.causes
    shown = [
        name
        for place, (name, chance) in enumerate(causes.items())
        if place < 3 or (place < CAUSES_SHOWN and chance >= WORTH_A_LINE)
    ]
    moved = bool(view.told.before)
    page.heading("Likely causes")
    for name in shown:
        cells = [(percent(causes[name]), 6)]
        if moved:
            cells.append((change(view.told.before[name], causes[name]), 5))
        page.row(view.cause(name), cells)
    rest = [chance for name, chance in causes.items() if name not in shown]
    if rest:
        others = counted(len(rest), "other", "others")
        each = ", each" if len(rest) > 1 else ""
        most = max(rest)
        at_most = "under 1 %" if most < 0.01 else f"{percent(most)} or less"
        page.text(f"{others}{each} {at_most}", 2)
    note = "Several causes may be present, so these do not add up to 100."
    if moved:
        note += f" The last column is the change, in points, made by {view.told.last}."
    page.text(note, 2)


def add_next(page: Page, view: View) -> None:
    target, best = view.told.aim.title, view.told.next
    if target != "joint state of all causes":
        page.text(f"Gains are about: {target}.")
        page.blank()
    if best is None and view.advice is not None:
        add_repair(page, view, view.advice)
        add_runners_up(page, view, view.checks, "Checks that are open")
        return
    if best is None:
        _add_no_check(page, view)
        add_runners_up(page, view, view.checks[1:], "Other checks")
        return
    check = view.check(best)
    page.heading(f"Next check: {check.title} ({check.name})")
    page.item("Why:", _why_first(view, best), 2, hang=2)
    if view.told.first_look is not None:
        add_caution(page, view.told.first_look.say, 2)
    add_way(page, view, best)
    add_how(page, check)
    add_answers(page, view, check)
    page.blank()
    add_results(page, view, best)
    add_branches(page, view)
    add_runners_up(page, view, view.checks[1:], "After it")
    if view.advice is not None:
        _add_not_asked(page, view)
        page.blank()
        add_quote(page, view)


def add_branches(page: Page, view: View) -> None:
    """Where the round leads, the check with those made together with it."""
    branches = view.told.branches
    if not branches:
        return
    parts = view.model.checks_by_name
    page.blank()
    names = [parts[name].title for name in view.told.round]
    page.text(f"With what is made together ({'; '.join(names)}):" if len(names) > 1 else "Then:", 2)
    for branch in branches:
        page.item("-", branch_words(view.model, branch), 4, hang=2)


def _why_first(view: View, best: RankedCheck) -> str:
    if view.advice is not None and best.saves is not None:
        return _why_saves(view, best, view.advice)
    said = f"it tells {gain_and_cost(view, best)}, the most for its cost of all open checks."
    if len(view.checks) == 1:
        return f"it tells {gain_and_cost(view, best)}, and it is the only check left."
    second = view.checks[1]
    title = view.check(second).title
    return f"{said} The runner-up, {title}, tells {gain_and_cost(view, second)}."


def _why_saves(view: View, best: RankedCheck, advice: Advice) -> str:
    currency = view.shop.currency
    said = (
        f"the whole job then costs {money(advice.cost, currency)} on average, instead of "
        f"{money(advice.cost_repairing, currency)} when repaired at once."
    )
    saves, alone = best.saves or 0.0, best.saves_alone or 0.0
    if best.then and saves - alone >= 0.005:
        then = view.model.checks_by_name[best.then].title
        if alone > 0.005:
            said += f" By itself it saves {money(alone, currency)}"
        else:
            said += " By itself it saves nothing"
        said += f"; with a check after it (most often {then}) {money(saves, currency)}."
    said += f" It tells {gain_and_cost(view, best)}."
    others = [c for c in view.checks[1:] if c.saves is not None and c.saves > 0.005]
    if others:
        title = view.check(others[0]).title
        said += f" The runner-up, {title}, saves {money(others[0].saves or 0.0, currency)}."
    return said


def _add_not_asked(page: Page, view: View) -> None:
    """Histories still unknown: they cost a question and belong to the counter."""
    known = view.told.case.results
    names = [v.name for v in view.model.of_kind(Kind.HISTORY) if v.name not in known]
    if names:
        page.blank()
        page.item("Not asked yet at the counter:", f"{', '.join(names)}.", hang=2)


def _add_no_check(page: Page, view: View) -> None:
    checks = view.checks
    page.heading("No check is worth its cost any more")
    if not checks:
        page.text("Every check that can be reached has been made.", 2)
        return
    best = checks[0]
    page.text(
        f"The best one left, {view.check(best).title} ({best.check}), would tell "
        f"{gain_and_cost(view, best)}. {worth_of(view, best)} "
        "Decide on what is known: repair what is most likely, or hand over.",
        2,
    )


def worth_of(view: View, ranked: RankedCheck) -> str:
    """The comparison that decides whether a check is worth its cost."""
    rate = money(view.shop.worth_per_bit, view.shop.currency)
    worth = money(ranked.gain_bits * view.shop.worth_per_bit, view.shop.currency)
    cost = money(ranked.cost, view.shop.currency)
    # Whether it is made may hang on what it saves instead; these two figures speak of themselves.
    more = ranked.gain_bits * view.shop.worth_per_bit >= ranked.cost
    against = "at least" if more else "less than"
    return f"At {rate} a bit that is worth {worth}, {against} the {cost} it costs."


def add_runners_up(page: Page, view: View, checks: tuple[RankedCheck, ...], heading: str) -> None:
    """The next few checks as a small table; nothing when there are none."""
    if not checks:
        return
    page.blank()
    saving = view.advice is not None
    money_of = "cost and saves" if saving else "cost"
    page.heading(f"{heading} ({money_of} in {view.shop.currency})")
    titles = ("bits", "min", "cost", "saves") if saving else ("bits", "min", "cost")
    page.row("", [(title, width) for title, width in zip(titles, _WIDTHS, strict=False)])
    for ranked in checks[:RUNNERS_UP]:
        cells = [_bits(ranked), f"{ranked.minutes:.3g}", f"{ranked.cost:,.2f}"]
        if saving:
            cells.append(_saving(ranked))
        title = f"{ranked.check}: {view.check(ranked).title}"
        page.row(title, list(zip(cells, _WIDTHS, strict=False)))


def _bits(ranked: RankedCheck) -> str:
    return bits(ranked.gain_bits).removesuffix(" bits").replace("under ", "<")


def _saving(ranked: RankedCheck) -> str:
    if ranked.saves is None:
        return "-"
    return f"{ranked.saves:,.2f}" if ranked.saves > 0.005 else "nothing"
