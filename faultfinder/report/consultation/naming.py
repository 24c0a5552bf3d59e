"""Where a job ends with a name: the next check, or the name, on one page."""

from __future__ import annotations

from faultfinder.consultation.consult import Consultation
from faultfinder.decide.naming import NONE_OF_THESE
from faultfinder.report.consultation.short import answers_of
from faultfinder.report.page import Page
from faultfinder.report.wording import money, percent

SHOWN = 8
"""Names and checks on the page at most."""


def naming_page(told: Consultation, bold: bool = False) -> str:
    """What to look at next and why, or what it is; what is likely, and what stays open."""
    page, model, step = Page(bold), told.case.model.model, told.next_step
    currency = told.case.shop.currency
    if told.stop or step is None:
        page.heading("STOP")
        page.text(told.stop)
        return str(page)
    if step.kind == "name":
        page.heading(f"NAME  {_title(told, step.name)}, {percent(told.names[step.name])}")
        page.text(_why_name(told), 2)
    else:
        check = model.checks_by_name[step.name]
        ranked = told.ranked(step.name)
        page.heading(f"NEXT  {check.title}, {money(ranked.cost, currency)}")
        for caution in told.cautions:
            page.item("Caution:", caution, 2, hang=4)
        still_open = [one for one in check.observes if one not in told.case.latest]
        for name, results in answers_of(model, check, still_open):
            page.text(f"{name}: {results}", 2)
        if step.saves is not None:
            page.text(f"Why: saves {money(max(step.saves, 0.0), currency)} of what naming it now "
                      "is expected to cost.", 2)  # fmt: skip
    for name, chance in list(told.names.items())[:SHOWN]:
        page.row(_title(told, name), [(percent(chance), 6)])
    others = [one for one in told.order if one.check != step.name][:SHOWN]
    if others:
        page.text(f"Open: {', '.join(f'{c.check} {money(c.cost, currency)}' for c in others)}")
    known = ", ".join(f"{name}={result}" for name, result in told.case.everything.items())
    page.text(f"Known: {known or 'nothing yet'}")
    return str(page)


def _why_name(told: Consultation) -> str:
    naming, step = told.case.naming, told.next_step
    assert naming is not None
    assert step is not None
    if naming.sure is None:
        wrong = money(step.cost or 0.0, told.case.shop.currency)
        return f"Wrong names cost {wrong} on average now; no check takes off more than it costs."
    if told.names[step.name] >= naming.sure:
        return f"That is at least the {percent(naming.sure)} asked for."
    return f"No check that is open makes it the {percent(naming.sure)} asked for."


def _title(told: Consultation, name: str) -> str:
    if name == NONE_OF_THESE:
        return name
    return " and ".join(told.case.model.model.by_name[one].title for one in name.split("+"))
