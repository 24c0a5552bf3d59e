"""The page of `--why`: how one check comes to its rank."""

from __future__ import annotations

from faultfinder.decide.next_check import RankedCheck
from faultfinder.report.page import Page
from faultfinder.report.text_check import add_results, add_way, gain_and_cost
from faultfinder.report.text_next import add_known, add_stop, worth_of
from faultfinder.report.view import View
from faultfinder.report.wording import bits, minutes, money

OTHERS_SHOWN = 5


def why_page(view: View, ranked: RankedCheck, bold: bool = False) -> str:
    """Gain, cost, rank, what each result would do, and why others go first."""
    page = Page(bold)
    if view.diagnosis.stop:
        add_stop(page, view)
        return str(page)
    add_known(page, view)
    page.blank()
    add_why(page, view, ranked)
    return str(page)


def add_why(page: Page, view: View, ranked: RankedCheck) -> None:
    checks = view.diagnosis.checks
    check = view.check(ranked)
    place = checks.index(ranked)
    page.heading(f"Why {check.title} ({check.name}) is number {place + 1} of {len(checks)}")
    page.item("Gain:", f"{bits(ranked.gain_bits)} about the {view.diagnosis.target}.", 2, hang=2)
    page.item("Cost:", _cost(view, ranked), 2, hang=2)
    page.item("Per cost:", f"{per_cost(view, ranked)}.", 2, hang=2)
    page.item("Worth:", worth_of(view, ranked), 2, hang=2)
    add_way(page, view, ranked)
    page.blank()
    add_results(page, view, ranked)
    page.blank()
    _add_others(page, view, ranked, place)


def per_cost(view: View, ranked: RankedCheck) -> str:
    """As in "0.26 bits per EUR"; the written rule for a check that costs nothing."""
    if ranked.cost <= 0.0:
        return "it costs nothing, so it goes first if it tells anything"
    return f"{ranked.gain_per_cost:.3f} bits per {view.shop.currency}"


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
    checks = view.diagnosis.checks
    if place == 0:
        page.text("No open check tells more for its cost.", 2)
        if len(checks) > 1:
            second = checks[1]
            page.text(
                f"Next after it is {view.check(second).title}, which tells "
                f"{gain_and_cost(view, second)}: {per_cost(view, second)}.",
                2,
            )
        return
    page.text("What goes before it, and why:", 2)
    for number, other in enumerate(checks[: min(place, OTHERS_SHOWN)], start=1):
        page.item(
            f"{number}.",
            f"{view.check(other).title}: {gain_and_cost(view, other)}; {_against(other, ranked)}.",
            4,
        )
    if place > OTHERS_SHOWN:
        page.text(f"and {place - OTHERS_SHOWN} more.", 4)


def _against(other: RankedCheck, ranked: RankedCheck) -> str:
    more = other.gain_bits - ranked.gain_bits
    dearer = other.cost - ranked.cost
    if more >= 0 and dearer <= 0:
        if more < 1e-9 and dearer == 0:
            return "the same figures, so the order is by name"
        return "it tells at least as much for no more"
    if more >= 0:
        return "it costs more, but tells more for each unit of cost"
    return "it tells less, but costs so much less that more is told for each unit of cost"
