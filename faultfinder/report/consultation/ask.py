"""What the session at a terminal says: questions, offers, and what an answer changed."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.judgement import SAID
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.model.parts import Proof, Repair, Variable
from faultfinder.report.consultation.check import add_caution, add_how, add_way
from faultfinder.report.consultation.view import View, result_words
from faultfinder.report.page import Page
from faultfinder.report.wording import (
    WIDTH,
    before_after,
    counted,
    harmless,
    joined,
    minutes,
    money,
    unbroken,
)

MOVERS_SHOWN = 2

FILLED = 12
"""Lines of way and steps that leave room for a question and what a search offers."""


def start_page(title: str, keys: str) -> str:
    """What can be typed; `keys` are the signs that stand for words."""
    page = Page()
    page.text(f"{title}. Answer with a number or in words; Enter means it cannot be told.")
    page.text(
        "Or type what you see, or a part's name: what is meant is looked for. "
        '"back", "skip", "why", "how" and "done" may be typed, or:'
    )
    page.text(keys, 2)
    return str(page)


def question_page(view: View, ranked: RankedCheck, variable: Variable, instruct: bool) -> list[str]:
    """One question with its answers; at the bench also the way there and how it is done. The
    last piece is the question, which stays on one screen."""
    page = Page()
    page.text(" ")
    check = view.check(ranked)
    if instruct and (ranked.route.moves or not check.intake):
        page.text(f"At the bench: {check.title} ({minutes(ranked.minutes)})")
        add_way(page, view, ranked)
        brief, full = Page(), Page()
        add_caution(brief, check.caution, 2)
        add_how(full, check)
        # Steps yield where they would fill the screen; cautions never do.
        long = len(str(page).splitlines()) + len(str(full).splitlines()) > FILLED
        page.blocks += (brief if long else full).blocks
    elif instruct and check.caution.strip():
        page.item("Caution:", check.caution.strip(), hang=2)
    asked = Page()
    asked.text(variable.ask or f"{variable.title}?")
    _add_answers(asked, variable)
    return [*page.pieces(), str(asked)]


def _add_answers(page: Page, variable: Variable) -> None:
    if variable.reading is not None:
        states = joined([result_words(variable, s) for s in variable.states], "or")
        unit = variable.reading.unit
        example = f"{variable.reading.cuts[0]:g} {unit}"
        page.text(f'Type the reading with its unit, as in "{example}"; or {states}.', 2)
        return
    numbered = [
        f"{number} {_spoken(state)}" for number, state in enumerate(variable.states, start=1)
    ]
    line = "   ".join(numbered)
    if len(line) + 2 <= WIDTH:
        page.item(" ", line)
        return
    # One after the other, not one a line: 22 answers would scroll the question away.
    page.text("   ".join(map(unbroken, numbered)), 2)


def seen_page(findings: Sequence[Variable]) -> str:
    """Findings that may have been meant, by number."""
    page = Page()
    page.text(" ")
    page.text("Did you see one of these?")
    page.page(choice_page([f"{one.title} ({one.name})" for one in findings]))
    return str(page)


def judgement_page(cause: str, findings: Sequence[Variable]) -> str:
    """A cause was named: what proved it, by number, or nothing did."""
    page = Page()
    page.text(" ")
    page.text(f"{cause} is a cause. What proved it?")
    named = [f"{one.title} ({one.name})" for one in findings]
    page.page(choice_page([*named, f"nothing: it is my own judgement ({SAID})"]))
    return str(page)


def offer_page(view: View, ranked: RankedCheck) -> str:
    page = Page()
    page.text(" ")
    said = f"{view.check(ranked).title}, {minutes(ranked.minutes)}"
    if ranked.saves is not None and ranked.saves >= 0.005:
        said += f", which saves {money(ranked.saves, view.shop.currency)} on average"
    page.text(f"Nothing more is worth asking at the counter. Next at the bench: {said}.")
    return str(page)


def change_line(view: View, name: str, result: str | None) -> str:
    """One line: the answer as understood, and the causes it moved most."""
    if result is None:
        return f"{harmless(name)}: left open and not asked again; its name brings it back."
    now, before = view.told.causes, view.told.before
    moved = sorted(now, key=lambda cause: (-abs(now[cause] - before[cause]), cause))
    told = [
        f"{view.cause(cause)} {unbroken(before_after(before[cause], now[cause]))}"
        for cause in moved[:MOVERS_SHOWN]
        if abs(now[cause] - before[cause]) >= 0.01
    ]
    page = Page()
    page.item(f"{name}={result}:", "; ".join(told) or "no cause moved by a whole percent", hang=2)
    for warning in view.told.warnings:
        page.text(warning)
    return str(page)


def _spoken(state: str) -> str:
    """A state as people read it; it may be typed like this too."""
    return state.replace("_", " ")


def choice_page(choices: Sequence[str]) -> str:
    """What can be chosen, by number."""
    page = Page()
    for number, said in enumerate(choices, start=1):
        page.item(f"{number}", said, 2, hang=2)
    return str(page)


def helped_page() -> str:
    """The question once the picture is back without a repair written down."""
    page = Page()
    page.text("The picture is back. Which work brought it back? Its proof tests come next.")
    page.text("Another repair may be typed by its name.")
    return str(page)


def proof_page(repair: Repair, test: Proof, left: int) -> str:
    """A proof test that is to be made now, the first of `left`."""
    page = Page()
    page.text(f"{repair.title}: the picture is back. {counted(left, 'proof test')} to make.")
    cover = "before the cover goes back on" if test.before_cover else "closed up"
    page.text(f"{test.title}, {cover} ({minutes(test.minutes)})")
    page.numbered(test.how, 2)
    page.text(f"Passes when: {test.passes}.", 2)
    return str(page)


def not_cured(repair: Repair) -> str:
    """After a repair that did not cure."""
    return (
        f"{repair.title}: made, did not cure. From here on every question is about the machine as "
        "it is now."
    )


def proved_page(repair: Repair, more: bool) -> str:
    """The question once a repair is proved; `more` causes than are listed can be named."""
    page = Page()
    page.text(f"{repair.title}: all proof tests are passed.")
    other = " Another cause that it mends may be typed by its name." if more else ""
    page.text(f"What was it? The answer closes the ticket.{other}")
    return str(page)
