"""The price of a habit in words."""

from __future__ import annotations

from faultfinder.consultation.habit import Instead
from faultfinder.report.consultation.view import View, step_title
from faultfinder.report.page import Page
from faultfinder.report.wording import before_after, minutes, money, percent, unbroken

CAUSES_SHOWN = 3


def instead_page(view: View, price: Instead) -> str:
    """A repair now against what is advised: money, minutes, how often right, what it teaches."""
    page, model, currency = Page(), view.model, view.shop.currency
    repair = model.repairs_by_name[price.repair]
    step = view.told.next_step
    page.heading(f"Instead: {repair.title} ({repair.name}) now")
    advised = step_title(model, step.name) if step and step.name else "handing it over"
    page.item("Advised:", f"{advised}.", 2, hang=2)
    more = price.cost - price.cost_advised
    money_words = _against(money(price.cost, currency), money(price.cost_advised, currency))
    money_more = _more(more, money(abs(more), currency), 0.005)
    page.item("Money:", f"{money_words}: {money_more}.", 2, hang=2)
    longer = price.minutes - price.minutes_advised
    time_words = _against(minutes(price.minutes), minutes(price.minutes_advised))
    time_more = _more(longer, minutes(abs(longer)), 0.05)
    page.item("Bench time:", f"{time_words}: {time_more}.", 2, hang=2)
    page.item("Right:", f"the machine is sound after it in {percent(price.right)}.", 2, hang=2)
    moved = sorted(price.teaches.items(), key=lambda one: -abs(one[1][1] - one[1][0]))
    told = [
        f"{view.cause(cause)} {unbroken(before_after(*chances))}"
        for cause, chances in moved[:CAUSES_SHOWN]
        if abs(chances[1] - chances[0]) >= 0.01
    ]
    said = "; ".join(told) or "no cause would move by a whole percent"
    page.item("It would teach, where it does not cure:", f"{said}.", 2, hang=2)
    if more < -0.005:
        page.text("The advice looks only so many steps ahead: here the habit is cheaper.", 2)
    return str(page)


def _against(one: str, other: str) -> str:
    return f"{one} for the whole job on average, {other} as advised"


def _more(difference: float, said: str, least: float) -> str:
    if abs(difference) < least:
        return "the same"
    return f"{said} {'more' if difference > 0.0 else 'less'}"
