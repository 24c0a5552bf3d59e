"""The page of `--why`: how one check comes to its rank.

Where the model has repairs, checks are ranked by what they save on the whole job, else
by what they tell for their cost.
"""

from __future__ import annotations

from faultfinder.consultation.ranking import RankedCheck
from faultfinder.report.consultation.check import add_caution, add_results, add_way, gain_and_cost
from faultfinder.report.consultation.text import add_known, add_stop, worth_of
from faultfinder.report.consultation.view import View, step_title
from faultfinder.report.page import Page
from faultfinder.report.wording import bits, minutes, money, percent

OTHERS_SHOWN = 5


def why_page(view: View, bold: bool = False) -> str:
    """Gain, cost, rank, what each result would do, and why others go first."""
    page = Page(bold)
    if view.told.stop:
        add_stop(page, view)
        return str(page)
    add_known(page, view)
    page.blank()
    add_why(page, view)
    return str(page)


def add_why(page: Page, view: View, reason: str = "") -> None:
    """How the check that the view explains comes to its rank; with a `reason` it comes now for
    that instead."""
    checks = view.checks
    ranked = next(one for one in checks if one.check == view.why)
    check = view.check(ranked)
    place = checks.index(ranked)
    if reason:
        page.heading(f"Why {check.title} ({check.name}) comes now")
        page.text(reason, 2)
    else:
        page.heading(f"Why {check.title} ({check.name}) is number {place + 1} of {len(checks)}")
    page.item("Gain:", f"{bits(ranked.gain_bits)} about the {view.told.aim.title}.", 2, hang=2)
    page.item("Cost:", _cost(view, ranked), 2, hang=2)
    page.item("Per cost:", f"{per_cost(view, ranked)}.", 2, hang=2)
    if ranked.saves is None:
        page.item("Worth:", worth_of(view, ranked), 2, hang=2)
    else:
        page.item("Saves:", _savings(view, ranked, ranked.saves), 2, hang=2)
    if view.advice is not None:
        page.item("Whole job:", _job(view), 2, hang=2)
        page.item("Steady:", _steady(view), 2, hang=2)
    add_way(page, view, ranked)
    add_caution(page, check.caution, 2)
    page.blank()
    add_results(page, view, ranked)
    if not reason:
        page.blank()
        _add_others(page, view, ranked, place)


def per_cost(view: View, ranked: RankedCheck) -> str:
    """As in "0.26 bits per EUR"; the written rule for a check that costs nothing."""
    if ranked.cost <= 0.0:
        return "it costs nothing, so it goes first if it tells anything"
    return f"{ranked.gain_per_cost:.3f} bits per {view.shop.currency}"


def _savings(view: View, ranked: RankedCheck, saves: float) -> str:
    """What the check takes off the whole job, alone and with the best check after it."""
    currency = view.shop.currency
    if saves <= 0.005:
        return "nothing: the whole job is expected to cost no less with it than without."
    said = f"{money(saves, currency)} on the expected cost of the whole job"
    alone = max(ranked.saves_alone or 0.0, 0.0)
    if ranked.then and saves - alone >= 0.005:
        then = view.model.checks_by_name[ranked.then].title
        return f"{said}, with a check after it (most often {then}); {money(alone, currency)} alone."
    return f"{said}."


def _steady(view: View) -> str:
    """How often the advised step stays when the model's figures move."""
    found, step = view.told.steadiness, view.told.next_step
    if found is None or step is None:
        return "not weighed."
    said = "with all figures moved by what their basis allows, "
    said += f"{step_title(view.model, step.name)} stays the step in {found.same} of {found.draws} "
    said += "tries"
    if found.near > found.same:
        said += f", it or another check of its round in {found.near}"
    other = f"; most often instead: {step_title(view.model, found.other)}" if found.other else ""
    return f"{said}{other}.{_tips(view)}"


def _tips(view: View) -> str:
    """The causes whose chances would change the step."""
    said = [
        f"{view.model.by_name[tip.cause].title} {percent(tip.then)} likely and not "
        f"{percent(tip.chance)} ({step_title(view.model, tip.name)})"
        for tip in view.told.tips
    ]
    if not said:
        return " No cause's odds alone, taken three times as high or low, change it."
    return f" It would change with {' or '.join(said)}."


def _job(view: View) -> str:
    """What the job costs with the advised step first, and what no plan can go below."""
    job, currency = view.told.job, view.shop.currency
    return (
        f"with the advised step first it costs {job.expected_cost:.0f} {currency} on average; no "
        f"plan can cost less than {int(job.least)}."
    )


def _cost(view: View, ranked: RankedCheck) -> str:
    check = view.check(ranked)
    shop = view.shop
    parts = [f"{minutes(check.minutes)} of its own"]
    if ranked.route.moves:
        parts.append(f"{minutes(ranked.route.minutes)} on the way there")
    said = f"{' and '.join(parts)}, at {money(shop.labour_per_hour, shop.currency)} an hour"
    if check.consumables > 0.0:
        said += f", and {money(check.consumables, shop.currency)} of consumables"
    return f"{money(ranked.cost, shop.currency)}: {said}."


def _add_others(page: Page, view: View, ranked: RankedCheck, place: int) -> None:
    checks = view.checks
    if place == 0:
        most = "saves more" if ranked.saves is not None else "tells more for its cost"
        page.text(f"No open check {most}.", 2)
        if len(checks) > 1:
            second = checks[1]
            page.text(f"Next after it is {view.check(second).title}: {_figures(view, second)}.", 2)
        return
    before = checks[:place]
    if ranked.saves is None and view.advice is not None:
        page.text(
            "Questions for the counter are not weighed by savings: they follow the checks that "
            "are, the most telling for its cost first.",
            2,
        )
        before = tuple(other for other in before if other.saves is None)
    if not before:
        return
    page.text("What goes before it, and why:", 2)
    for number, other in enumerate(before[:OTHERS_SHOWN], start=1):
        reason = _against(view, other, ranked)
        page.item(f"{number}.", f"{view.check(other).title}: {reason}.", 4)
    if len(before) > OTHERS_SHOWN:
        rest = len(before) - OTHERS_SHOWN
        page.text(f"and {rest} more, in order in what --json prints.", 4)


def _figures(view: View, ranked: RankedCheck) -> str:
    said = f"tells {gain_and_cost(view, ranked)}"
    if ranked.saves is None:
        return f"{said}, {per_cost(view, ranked)}"
    return f"{said}, saves {money(max(ranked.saves, 0.0), view.shop.currency)}"


def _against(view: View, other: RankedCheck, ranked: RankedCheck) -> str:
    said = _figures(view, other)
    if other.saves is not None and ranked.saves is not None:
        more = other.saves - ranked.saves
        if more > 0.005:
            return f"{said}, {money(more, view.shop.currency)} more"
        return f"{said}; it saves as much and tells more for its cost"
    more = other.gain_bits - ranked.gain_bits
    dearer = other.cost - ranked.cost
    if abs(more) < 1e-9 and dearer == 0:
        return f"{said}; the same figures, so the order is by name"
    if more >= 0 and dearer <= 0:
        return f"{said}; it tells at least as much for no more"
    if more >= 0:
        return f"{said}; it costs more, but tells more for each unit of cost"
    return f"{said}; it tells less, but more for each unit of cost"
