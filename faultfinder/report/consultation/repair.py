"""A repair and a quote in words."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.in_words import in_short_step, repair_verb
from faultfinder.consultation.quote import Quote
from faultfinder.model.parts import FaultModel, Proof, Repair
from faultfinder.report.consultation.check import add_caution, add_route
from faultfinder.report.consultation.view import View
from faultfinder.report.page import Page
from faultfinder.report.wording import minutes, money, percent


def add_repair(page: Page, view: View, advice: Advice) -> None:
    """Checking is over: the repair, how it is done and proved, or handing over."""
    model, currency = view.model, view.shop.currency
    cost = money(advice.cost, currency)
    if not advice.name:
        page.heading("Hand over unrepaired")
        page.text(hand_over_words(view), 2)
    else:
        repair = model.repairs_by_name[advice.name]
        by = view.told.made_already
        page.heading(f"{made_words(model, by) if by else repair_verb(repair)}: {repair.title} "
                     f"({repair.name})")  # fmt: skip
        said = f"the whole job costs {cost} on average with this repair first"
        if advice.checks:
            least = advice.checks[0]
            title = model.checks_by_name[least.check].title
            other = money(least.expected_cost, currency)
            said += f"; with the best check first ({title}) it costs {other}"
        page.item("Why:", f"{said}.", 2, hang=2)
        add_route(page, view, view.repair_route, repair.stage, always=True)
        add_work(page, model, repair, currency)
        add_proofs(page, model, repair)
        page.blank()
        said = f"add --tried {repair.name} and ask again"
        if view.ticket is not None:
            said = f"faultfinder tried {view.ticket} {repair.name}"
        page.text(f"If the picture is not back: {said}.", 2)
    if len(advice.order) > 1:
        page.text("Without any check in between, the repairs to go on with:", 2)
        page.numbered((model.repairs_by_name[n].title for n in advice.order[1:]), 4)
    page.blank()
    add_quote(page, view)


def made_words(model: FaultModel, check: str) -> str:
    """What stands before a repair that a check made."""
    return f"Mended, it seems, by {model.checks_by_name[check].title}. Prove it"


def add_quote(page: Page, view: View) -> None:
    """What to quote, and what it rests on."""
    quote, currency = view.quote, view.shop.currency
    if quote is None:
        return
    page.heading("Quote")
    page.text(quote_words(quote, currency), 2)
    page.text(f"Looking only: about {quote.looking:.0f} {currency}.", 2)
    if quote.repaired is not None:
        ends = f"likely {quote.repaired:.0f}, at the dear end {quote.repaired_high:.0f}"
        page.text(f"Where it is repaired: {ends} {currency}.", 2)
    page.text(
        "That is what the customer pays; the averages above also hold what is lost when a "
        f"machine comes back or is handed over unrepaired. {_worth_words(view)}",
        2,
    )
    usually = view.told.case.usually_declined
    if usually is not None and max(quote.high, quote.repaired_high or 0.0) > usually:
        page.text(
            f"Above about {usually:.0f} {currency} owners of such machines usually decline (a "
            "guess): agree on a limit first.",
            2,
        )
    if quote.dear_for_nothing >= 0.005:
        page.text(
            f"Dear parts fitted for nothing: {quote.dear_for_nothing * 100:.0f} in 100 such jobs.",
            2,
        )
    if quote.given_up >= 0.005:
        page.text(f"Ends with handing over unrepaired in {percent(quote.given_up)}.", 2)


def quote_words(quote: Quote, currency: str) -> str:
    return (
        f"{quote.low:.0f} to {quote.high:.0f} {currency}, likely {quote.likely:.0f} "
        f"(dearer in {percent(quote.exceeds)} of such jobs)."
    )


def hand_over_words(view: View) -> str:
    """Why no repair is advised, and what the machine would have to be worth for one."""
    told, currency = view.told, view.shop.currency
    assert told.advice is not None
    cost = money(told.advice.cost, currency)
    said = f"Every repair costs more than it can win (expected cost {cost})."
    if told.pays_from is not None:
        worth, step = told.pays_from
        said += f" If it is worth {worth:.0f} {currency} or more to its owner, going on pays:"
        said += f" {in_short_step(view.model, step)}. Ask first."
    return f"{said} Save the customer's data first where it is wanted."


def repair_page(model: FaultModel, repair: Repair, currency: str) -> str:
    """How a repair is done, where, and how it is proved."""
    page = Page()
    page.heading(repair.title)
    page.text(f"Stage: {model.stages_by_name[repair.stage].title}.", 2)
    add_work(page, model, repair, currency)
    add_proofs(page, model, repair)
    return str(page)


def add_work(page: Page, model: FaultModel, repair: Repair, currency: str) -> None:
    """The work of a repair, its caution first; without the way to its stage."""
    add_caution(page, repair.caution, 2)
    page.text(f"Work: {minutes(repair.minutes)}.", 2)
    if repair.part.high > 0:
        page.text(price_words(model, repair, currency), 2)
    if repair.tools:
        page.item("Tools:", f"{', '.join(repair.tools)}.", 2, hang=2)
    page.numbered(repair.how, 2)
    if repair.risk is not None:
        then = money(repair.risk.cost, currency)
        chance = percent(repair.risk.chance)
        page.item("Risk:", f"{repair.risk.says} ({chance}; then {then})", 2, hang=2)


def price_words(model: FaultModel, repair: Repair, currency: str) -> str:
    """What the part of a repair costs, and whose price that is."""
    part = repair.part
    what = "Specialist" if repair.hand_over else "Part"
    said = f"{part.low:g} to {part.high:g} {currency}, likely {part.likely:g}"
    if part.low == part.high:
        said = f"{part.likely:g} {currency}"
    wait = f", {repair.lead_days:g} days' wait" if repair.lead_days else ""
    kind = f"{part.kind} part, " if part.kind else ""
    basis = f"{kind}price of {part.on}" if part.on else model.prices
    return f"{what}: {said}{wait}{f' ({basis})' if basis else ''}."


def proof_groups(
    model: FaultModel, repair: Repair, only: Sequence[str] | None = None
) -> list[tuple[str, list[Proof]]]:
    """The proof tests of a repair (of `only` these), in groups with a heading each."""
    wanted = repair.proof if only is None else only
    first = "To prove it" if repair.stage == model.start else "Before the cover goes back on"
    groups = [
        (heading, [p for p in model.proofs if p.name in wanted and p.before_cover is before])
        for heading, before in ((first, True), ("After closing", False))
    ]
    return [(heading, proofs) for heading, proofs in groups if proofs]


def add_proofs(
    page: Page,
    model: FaultModel,
    repair: Repair,
    only: Sequence[str] | None = None,
    indent: int = 2,
) -> None:
    """The same with a box to tick for each test."""
    for heading, proofs in proof_groups(model, repair, only):
        page.text(f"{heading}:", indent)
        for proof in proofs:
            said = f"{proof.title} ({minutes(proof.minutes)}): {' '.join(proof.how)}"
            page.item("[ ]", said, indent + 2)
            page.text(f"Passes when: {proof.passes}", indent + 6)


def _worth_words(view: View) -> str:
    case = view.told.case
    said = f"{case.terms.lost_unrepaired:.0f} {view.shop.currency}"
    if case.worth is not None:
        return f"It is worth {said} to its owner."
    if case.shop.hand_over is not None:
        return f"It is taken to be worth {said}, as the shop's settings say."
    if not case.model.model.worth:
        return f"It is taken to be worth {said}, a guess: say it with --worth."
    return (
        f"It is taken to be worth {said}, a guess for such a machine of "
        f"{case.shop.usual_age:g} years: say it with --worth or --age."
    )
