"""One check in words: the way to it, how it is done, and what each result would do."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.ranking import RankedCheck
from faultfinder.model.parts import Check, Move, StopRule
from faultfinder.model.routes import Route
from faultfinder.model.sentences import begun
from faultfinder.report.consultation.view import View, answers_for, result_words
from faultfinder.report.page import Page
from faultfinder.report.wording import (
    before_after,
    bits,
    counted,
    joined,
    minutes,
    money,
    percent,
    unbroken,
)

RESULTS_SHOWN = 5
CAUSES_PER_RESULT = 3


def gain_and_cost(view: View, ranked: RankedCheck) -> str:
    """As in "0.52 bits in 3 min (3.00 EUR)"."""
    cost = money(ranked.cost, view.shop.currency)
    taken = unbroken(f"{minutes(ranked.minutes)} ({cost})")
    return f"{unbroken(bits(ranked.gain_bits))} in {taken}"


def add_way(page: Page, view: View, ranked: RankedCheck) -> None:
    """The stage moves to a check; see `add_route`."""
    stage = view.check(ranked).place(view.told.stage)
    add_route(page, view, ranked.route, stage, ranked.check)


def add_route(
    page: Page,
    view: View,
    route: Route,
    stage: str,
    but: str = "",
    always: bool = False,
) -> None:
    """The stage moves in order, each with its cautions; or that the machine is there.

    A look that can end the diagnosis for safety is named where it has to come, unless
    it is `but` itself; with `always` also where the machine stays closed.
    """
    stages = view.model.stages_by_name
    first = view.safety_first(route, but, always)
    if not route.moves:
        page.text(f"Stage: {stages[stage].title}. It is there now.", 2)
        add_caution(page, stages[stage].caution, 2)
        _add_safety(page, first, stage, 2)
        return
    page.text(f"The way there, {minutes(route.minutes)}:", 2)
    _add_safety(page, first, route.moves[0].start, 4)
    for number, move in enumerate(route.moves, start=1):
        page.item(f"{number}.", _step(view, move), 4)
        for caution in dict.fromkeys((move.caution, stages[move.end].caution)):
            add_caution(page, caution, 7)
        _add_safety(page, first, move.end, 7)


def _add_safety(
    page: Page, first: Sequence[tuple[Check, StopRule]], stage: str, indent: int
) -> None:
    for check, rule in first:
        if check.stage == stage:
            results = joined((result.replace("_", " ") for result in rule.results), "or")
            add_caution(page, f"{check.title} ({check.name}) first: if {results}, stop.", indent)


def _step(view: View, move: Move) -> str:
    title = view.model.stages_by_name[move.end].title
    how = f" {_sentence(move.how)}" if move.how else ""
    return f"{title} ({minutes(move.minutes)}).{how}"


def _sentence(text: str) -> str:
    text = begun(text.strip())
    return text if text.endswith((".", "!", "?")) else f"{text}."


def add_caution(page: Page, text: str, indent: int) -> None:
    """A caution, marked by its word; nothing when there is none."""
    if text.strip():
        page.item("Caution:", text.strip(), indent, hang=2)


def add_how(page: Page, check: Check) -> None:
    """Numbered lines, tools and caution. The caution comes before the work."""
    add_caution(page, check.caution, 2)
    if check.tools:
        page.item("Tools:", ", ".join(check.tools) + ".", 2, hang=2)
    if check.how:
        page.text("How:", 2)
        page.numbered((_sentence(line) for line in check.how), 4)


def add_answers(page: Page, view: View, check: Check) -> None:
    """What to type once it is done."""
    option = "--now" if view.tried else "--saw"
    if view.ticket is not None:
        option = f"faultfinder found {view.ticket}"
    for name in view.still_open(check):
        variable = view.model.by_name[name]
        page.item("Then add:", f"{option} {name}=... with {answers_for(variable)}.", 2, hang=2)


def add_results(page: Page, view: View, ranked: RankedCheck) -> None:
    """What each result would do to the leading causes, and what it suggests."""
    check = view.check(ranked)
    likely = sorted(ranked.outcomes.items(), key=lambda item: -item[1])
    shown = [label for label, chance in likely[:RESULTS_SHOWN] if label in view.after]
    page.text("What each result would do to the leading causes:", 2)
    few = len(ranked.outcomes) <= RESULTS_SHOWN
    for label, chance in ranked.outcomes.items() if few else likely:
        if label not in shown:
            continue
        pairs = view.results_of(check, label)
        page.text(f"{_named(view, pairs)}, {percent(chance)} likely", 4)
        page.text(_moves_of_causes(view, label), 6)
        for name, result in pairs:
            says = check.suggests.get(name, {}).get(result, "")
            if says:
                page.item("It suggests:", says, 6, hang=2)
    rest = [chance for label, chance in likely if label not in shown and chance > 0.0]
    if rest:
        rarer = counted(len(rest), "rarer result")
        page.text(f"{rarer}, together {percent(sum(rest))} likely", 4)


def _named(view: View, pairs: list[tuple[str, str]]) -> str:
    """A joint result; of three findings or more only those that are not normal."""
    by_name = view.model.by_name
    if len(pairs) == 1:
        name, result = pairs[0]
        return result_words(by_name[name], result)
    odd = [(name, result) for name, result in pairs if result != by_name[name].states[0]]
    said = odd if len(pairs) > 2 else pairs
    words = [f"{name}={result_words(by_name[name], result)}" for name, result in said]
    if not words:
        return "all normal"
    return ", ".join([*words, "the rest normal"] if len(said) < len(pairs) else words)


def _moves_of_causes(view: View, label: str) -> str:
    now = view.told.causes
    then = view.after[label]
    leading = sorted(then, key=lambda cause: (-then[cause], cause))[:CAUSES_PER_RESULT]
    return "; ".join(
        f"{view.cause(cause)}{unbroken(' ' + before_after(now[cause], then[cause]))}"
        for cause in leading
    )
