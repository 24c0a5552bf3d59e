"""What became of jobs: machines that came back, minutes, bills, parts."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.assess.intervals import wilson
from faultfinder.decide.shop import Shop
from faultfinder.learning.watch.jobs import Bills, Comebacks, Minutes, Plans, Quotes
from faultfinder.learning.watch.wrong_parts import WrongParts
from faultfinder.model.parts import FaultModel
from faultfinder.report.lead import plots as lead_plots
from faultfinder.report.lead.plots import Row
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, percent, share_range

COMEBACKS_SHOWN = 15


def comebacks(page: Page, told: Comebacks, model: FaultModel) -> None:
    page.section(f"Machines that came back within {told.days:.0f} days")
    if not told.repaired and not told.found:
        page.text("No repaired ticket is old enough to say.")
        return
    if told.repaired:
        page.answer(
            f"{told.hits} of {counted(told.repaired, 'repaired machine')} came back: "
            f"{percent(told.hits / told.repaired)} (95 %: {share_range(told.interval)})."
        )
    again = [one for one in told.found if one.causes_again]
    same = sum(one.same for one in again)
    page.text(
        f"{counted(told.young, 'machine')} repaired since can still come back. Of "
        f"{counted(len(again), 'comeback')} with a confirmed cause {same} had one of the first "
        "ticket again. A machine counts where its new ticket names the old one."
    )
    rows = [
        (f"{one.first}, {one.again}", f"{one.days:.0f}", _causes(model, one.causes),
         _causes(model, one.causes_again))
        for one in sorted(told.found, key=lambda one: (not one.same, one.again))[:COMEBACKS_SHOWN]
    ]  # fmt: skip
    if rows:
        heads = ("Tickets", "days", "Cause then", "Cause now")
        page.table(heads, rows, words=4)
    if len(told.found) > COMEBACKS_SHOWN:
        page.text(f"{len(told.found) - COMEBACKS_SHOWN} others.")


def _causes(model: FaultModel, names: Sequence[str]) -> str:
    said = [model.by_name[name].title if name in model.by_name else name for name in names]
    return "; ".join(said) or "not established"


def minutes(page: Page, found: Minutes, plans: Plans) -> None:
    page.section("Minutes a job against the plan")
    if not found.jobs:
        page.text("The logs tell no times.")
        return
    if plans.jobs:
        page.answer(
            f"{plans.took:.0f} min a job where {plans.plan:.0f} were to be planned at the bench's "
            f"door: {plans.ratio * 100:.0f} % of it (95 %: {share_range(plans.interval)}), over "
            f"{counted(plans.jobs, 'job')}. By the model's minutes what was done comes to "
            f"{plans.work:.0f} min."
        )
        rows = [(f"{n}", f"{took:.0f}", f"{plan:.0f}") for n, took, plan in plans.numbers]
        if rows:
            page.table(("Longest against it: ticket", "min", "planned"), rows)
    by = "as said at closing or by the log" if found.said else "by the log"
    page.text(
        f"The same work: {found.log:.0f} min {by} where the model says {found.model:.0f}, "
        f"{found.ratio * 100:.0f} % of it (95 %: {share_range(found.interval)}), over "
        f"{counted(found.jobs, 'job')}."
    )
    if found.said:
        page.text(f"Said at closing in {found.said} of them; for the rest:")
    page.text(
        "Times between two entries of one person on one day; what was done between is read from "
        f"the log. They tell {percent(found.timed)} of the work: what a person began with has no "
        f"beginning in the log. Cut as pauses: {found.pauses:.0f} min a job. In a whole job the "
        "model's minutes stand where no time is told. A plan holds ways, checks, repairs and "
        "closing up on average; proof tests and what a step takes besides are added to it as "
        "they were made."
    )


def bills(page: Page, found: Quotes, shop: Shop) -> None:
    page.section("Quote against bill")
    billed, reckoned = found.billed, found.reckoned
    if not billed.jobs and not reckoned.jobs:
        page.text("No bill and no repaired ticket to look at.")
        return
    first = billed if billed.jobs else reckoned
    what = ("bill", "bills") if billed.jobs else ("repaired job", "repaired jobs")
    page.answer(
        f"{_against_quote(first, what, shop)} By the quote "
        "one in ten each comes to less and to more."
    )
    if not billed.jobs:
        page.text("No bill is written down: faultfinder close NUMBER --billed AMOUNT.")
    elif reckoned.jobs:
        what = "repaired job without a bill", "repaired jobs without a bill"
        page.text(_against_quote(reckoned, what, shop))
    if reckoned.jobs:
        page.text(
            "Without a bill it is the log's minutes, the model's where it tells none, at the "
            "shop's rate, and the prices on its orders, the model's where there is none."
        )
    rows = [(f"{n}", f"{bill:.0f}", f"{high:.0f}") for n, bill, high in first.numbers]
    if rows:
        heads = "Furthest above: ticket", f"bill, {shop.currency}", "quoted up to"
        page.table(heads, rows)


def _against_quote(found: Bills, what: tuple[str, str], shop: Shop) -> str:
    within, below, above = (
        percent(many / found.jobs) for many in (found.within, found.below, found.above)
    )
    return (
        f"Of {counted(found.jobs, *what)} {within} came to what was to be quoted at the bench's "
        f"door, {below} to less, {above} to more (95 %: {share_range(found.interval)}). Middle "
        f"bill {found.bill:.0f} {shop.currency}, middle quote {found.quote:.0f}."
    )


def parts(page: Page, found: Sequence[WrongParts]) -> None:
    page.section("Parts that did not cure")
    if not found:
        page.text("No repair with a part on these tickets.")
        return
    wrong, fitted = sum(one.wrong for one in found), sum(one.fitted for one in found)
    page.answer(
        f"{wrong:,} of {counted(fitted, 'part')} fitted did not cure: "
        f"{percent(wrong / fitted)} (95 %: {share_range(wilson(wrong, fitted))})."
    )
    page.text(
        "By the month in which the ticket was closed (UTC). Repairs handed to a "
        "specialist are left out. With so few a month, a rise is often chance."
    )
    rows = [Row(one.month, one.wrong / one.fitted, *one.interval) for one in found]
    spoken = ", ".join(f"{one.month} {one.wrong} of {one.fitted}" for one in found)
    label = f"Parts that did not cure, by month of closing: {spoken}."
    page.figure(lead_plots.months_plot(rows, label), "Share by month. Bars: Wilson 95 %.")
    cells = [
        (one.month, f"{one.wrong:,}", f"{one.fitted:,}", percent(one.wrong / one.fitted),
         share_range(one.interval))
        for one in found
    ]  # fmt: skip
    page.table(("Month", "did not cure", "fitted", "share", "95 %"), cells)
