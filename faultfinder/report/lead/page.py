"""The lead's page: whether the figures hold, what tuning would change, how the bench works.

One self-contained HTML page in black and white, for paper and phone, without a script. Every
plot stands beside a table of the same figures. Persons are named on it: it is for the lead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from faultfinder.assess.share_interval import wilson
from faultfinder.learning.em.estimates import Figure, Tuned
from faultfinder.learning.em.parameters import Place
from faultfinder.learning.judge.replay import Comparison, ModelScores
from faultfinder.learning.proposal import effect
from faultfinder.learning.watch.bench_habits import FIRST, Agreement, Usage, WrongParts
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.report.html import minute_of, render
from faultfinder.report.lead import plots as lead_plots
from faultfinder.report.lead.plots import Row
from faultfinder.report.learning.words import impossible_words, score_rows, share_words
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, percent, shortened

FIGURES_SHOWN = 10
TITLE = 26
"""Characters of a title where two stand on a plot's row."""
CHECKS_SHOWN = 15
LEAST_FOLLOWED = 10
"""A check followed less often is left out of the plot, not of the table (a choice)."""
DEPARTURES_SHOWN = 10
PEOPLE_SHOWN = 40


def lead_page(
    model: FaultModel,
    tuned: Tuned,
    changed: Sequence[Figure],
    comparison: Comparison,
    usage: Usage,
    agreement: Agreement,
    wrong_parts: Sequence[WrongParts],
    made_at: str,
) -> str:
    """The page. `comparison` must be of figures tuned on other tickets than it scores;
    `tuned` and `changed` are from all of them. `made_at` is UTC in ISO 8601."""
    page = Page()
    _reliability(page, comparison)
    _figures(page, model, tuned, changed)
    _checks(page, model, usage)
    _departures(page, model, agreement)
    _parts(page, wrong_parts)
    return render(
        "lead.html",
        title=f"Review: {model.title}",
        made_at=minute_of(made_at),
        tickets=counted(usage.tickets, "closed ticket"),
        page=page,
    )


# Sections


def _reliability(page: Page, found: Comparison) -> None:
    page.section("Do the probabilities mean what they say?")
    page.answer(_verdict(found))
    page.text(
        f"Both were scored on {counted(len(found.numbers), 'ticket')}, the last that were "
        "closed; the new figures were tuned on the earlier ones only. "
        f"{counted(found.without_cause, 'ticket')} without a confirmed cause left out. "
        f"{impossible_words(found)}"
    )
    label = (
        "Reliability diagram: share of causes that were present against the probability that "
        f"was said, by tenths, with 95 % intervals. {_spoken('Old', found.old)} "
        f"{_spoken('New', found.new)}"
    )
    page.figure(
        lead_plots.reliability_plot(found.old.calibration, found.new.calibration, label),
        "Each point: all causes given about this probability. On the dotted line, what was "
        "said is what was seen; below it too much was said. Bars: Wilson 95 %, as if "
        "each cause of a ticket stood alone.",
    )
    rows = [
        (
            f"{name}, {one.low * 100:.0f} to {one.high * 100:.0f} %",
            *(percent(value) for value in (one.mean_forecast, one.observed)),
            _range(one.interval),
            f"{one.count:,}",
        )
        for name, scores in (("Old", found.old), ("New", found.new))
        for one in scores.calibration
        if one.count
    ]
    page.table(("Figures, tenth", "said", "seen", "95 %", "cases"), rows)
    heads = ("Measure", "old", "new", "new - old, 95 %", "the new")
    page.table(heads, score_rows(found))


def _verdict(found: Comparison) -> str:
    difference = found.differences.get("log_loss")
    if difference is None or not difference.clear:
        return "On tickets held out, no clear difference between the old and the tuned figures."
    better = "better" if difference.mean < 0.0 else "worse"
    return f"On tickets held out, the tuned figures predict causes {better} than the old ones."


def _spoken(name: str, scores: ModelScores) -> str:
    told = ", ".join(
        f"{percent(one.mean_forecast)} said and {percent(one.observed)} seen"
        for one in scores.calibration
        if one.count
    )
    return f"{name} figures: {told}."


def _figures(page: Page, model: FaultModel, tuned: Tuned, changed: Sequence[Figure]) -> None:
    page.section("How common causes and histories are")
    kinds = (Kind.CAUSE, Kind.HISTORY)
    wanted = [figure for figure in changed if model.by_name[figure.place.variable].kind in kinds]
    of_all = (
        f"{counted(len(changed), 'figure')} of {len(tuned.figures)} would change if the model "
        f"were tuned to all {counted(tuned.tickets, 'ticket')}; {len(wanted)} of them are of "
        "causes and histories."
    )
    ended = "" if tuned.converged else " The search was stopped before it settled."
    page.text(f"{of_all}{ended}")
    for warning in tuned.warnings:
        page.text(warning)
    ranked = sorted(wanted, key=lambda one: (-effect(one), str(one.place)))[:FIGURES_SHOWN]
    rows = [
        (Row(_name(model, one, at), one.after[at], one.low[at], one.high[at], one.before[at]), one)
        for one in ranked
        for at in range(1, len(one.states))
    ]
    if not rows:
        return
    drawn = [
        replace(row, name=_name(model, one, at, TITLE))
        for (row, _), (one, at) in zip(
            rows, ((one, at) for one in ranked for at in range(1, len(one.states))), strict=True
        )
    ]
    left = len(wanted) - len(ranked)
    more = f" {left} more move beliefs less." if left else ""
    page.text(
        "Those that move beliefs most stand first. They are probabilities in machines of "
        "this kind, whether or not they come to the shop: not shares of your tickets. "
        f"A cause has one for itself and one for each history that adds to it.{more}"
    )
    spoken = "; ".join(
        f"{row.name}: {share_words(row.before or 0.0)} to {share_words(row.value)} %"
        for row, _ in rows[:8]
    )
    label = f"Probabilities before and after tuning, with 90 % intervals, first {spoken}."
    page.figure(
        lead_plots.moves_plot(drawn, label),
        "Before and after, on a scale on which equal steps multiply. Bars: 90 % credible "
        "interval; one that ends in an arrow goes further. Numbers as in the table.",
    )
    cells = [
        (f"{place}. {row.name}", share_words(row.before or 0.0), share_words(row.value),
         f"{share_words(row.low)} to {share_words(row.high)}", f"{max(1, round(one.tickets)):,}")
        for place, (row, one) in enumerate(rows, 1)
    ]  # fmt: skip
    heads = ("Figure", "before, %", "after, %", "90 %", "tickets")
    page.table(heads, cells)


def _name(model: FaultModel, figure: Figure, state: int, width: int = 0) -> str:
    """What a probability is of; titles cut to `width` characters where it is given."""

    place: Place = figure.place

    def title(name: str) -> str:
        told = model.by_name[name].title
        two_lines = place.kind in ("link", "leak")
        return shortened(told, width) if width and two_lines else told

    what = title(place.variable)
    if len(figure.states) > 2:
        what += f" ({figure.states[state].replace('_', ' ')})"
    if place.kind == "link" and place.parent is not None:
        how = f" ({(place.state or '').replace('_', ' ')})"
        shown = how if len(model.by_name[place.parent].states) > 2 else ""
        return f"{what}, from: {title(place.parent)}{shown}"
    if place.kind == "leak":
        return f"{what}, by itself"
    return f"{what}, row {place.row + 1}" if place.row else what


def _checks(page: Page, model: FaultModel, usage: Usage) -> None:
    page.section("Which checks earn their minutes")
    made = [one for one in usage.checks if one.made]
    page.text(
        "Bits: by how much a result narrowed down the causes (fall of their entropies, added "
        f"up), worked out on {_sample(usage)}. Minutes are the model's, without the way to the "
        "stage. What a check tells depends on what was known when it was made, so that a check "
        "made late looks worth less than it is early. A result can widen the field, and with few "
        "results the mean says little."
    )
    if usage.impossible or usage.unknown:
        page.text(
            f"Left out: {counted(usage.impossible, 'check')} whose results the model holds "
            f"impossible, {counted(usage.unknown, 'result')} of which it knows no check."
        )
    titles = {check.name: check.title for check in model.checks}
    plotted = [
        Row(titles[one.check], one.bits_per_minute, 0.0, 0.0)
        for one in made
        if one.followed >= LEAST_FOLLOWED and math.isfinite(one.bits_per_minute)
    ]
    shown = plotted
    if len(plotted) > CHECKS_SHOWN:
        half = CHECKS_SHOWN // 2
        shown = [*plotted[: CHECKS_SHOWN - half], *plotted[-half:]]
    if shown:
        spoken = ", ".join(f"{row.name} {row.value:.2f}" for row in shown)
        which = (
            f"The {CHECKS_SHOWN - CHECKS_SHOWN // 2} best and the {CHECKS_SHOWN // 2} worst of "
            f"{len(plotted)} checks"
            if len(shown) < len(plotted)
            else "Checks"
        )
        caption = f"{which} that were followed {LEAST_FOLLOWED} times or more."
        label = f"Bits per minute of each check: {spoken}."
        page.figure(lead_plots.bars_plot(shown, "Bits per minute", label), caption)
    rows = [
        (titles[one.check], f"{one.made:,}", f"{one.minutes:,.0f}", f"{one.followed:,}",
         _number(one.bits), _number(one.bits_per_minute),
         percent(one.leader_changed / one.followed) if one.followed else "-")
        for one in made
    ]  # fmt: skip
    heads = ("Check", "made", "min in all", "fol\N{SOFT HYPHEN}lowed", "bits", "bits / min",
             "other cause led")  # fmt: skip
    if rows:
        page.table(heads, rows)
    never = [titles[one.check] for one in usage.checks if not one.made]
    if never:
        page.text(f"Never made before a repair: {'; '.join(never)}.")


def _sample(found: Usage | Agreement) -> str:
    """As in "200 of 900 closed tickets, drawn at random"."""
    tickets = counted(found.tickets, "closed ticket")
    if found.sampled < found.tickets:
        return f"{found.sampled:,} of {tickets}, drawn at random"
    return f"all {tickets}"


def _departures(page: Page, model: FaultModel, found: Agreement) -> None:
    page.section("Where people and the model part ways")
    page.text(
        f"How many of the checks that each person made were among the first {FIRST} of "
        "the model just then (bits per cost, one step ahead, with today's figures), on "
        f"{_sample(found)}. "
        "Questions at the counter and looks for safety are left out. To part from the model is "
        "no fault: people see what the ticket does not say, and not all get the same machines. "
        "Ask before you judge."
    )
    if found.again or found.impossible:
        page.text(
            f"Left out: {counted(found.again, 'check')} made a second time, "
            f"{counted(found.impossible, 'check')} after findings the model holds impossible."
        )
    if not found.people:
        page.text("No check to look at.")
        return
    people = found.people[:PEOPLE_SHOWN]
    rows = [Row(one.who, one.hits / one.checks, *one.interval) for one in people]
    spoken = ", ".join(f"{row.name} {percent(row.value)}" for row in rows)
    unit = f"Among the model's first {FIRST}, %"
    page.figure(
        lead_plots.shares_plot(rows, unit, f"{unit}: {spoken}."),
        "Bars: Wilson 95 %, as if each check stood alone.",
    )
    cells = [
        (one.who, f"{one.hits:,}", f"{one.checks:,}", percent(one.hits / one.checks),
         _range(one.interval), f"{one.past_worth:,}")
        for one in people
    ]  # fmt: skip
    heads = ("Person", f"first {FIRST}", "checks", "share", "95 %", "none worth its cost")
    page.table(heads, cells)
    if len(found.people) > len(people):
        page.text(f"{len(found.people) - len(people)} others made fewer checks.")
    titles = {check.name: check.title for check in model.checks}
    parted = [
        (titles[one.made], titles[one.named], f"{one.times:,}")
        for one in found.departures[:DEPARTURES_SHOWN]
    ]
    if parted:
        page.heading("Commonest departures")
        page.table(("Check made", "The model's first", "times"), parted, words=2)


def _parts(page: Page, found: Sequence[WrongParts]) -> None:
    page.section("Parts that did not cure")
    if not found:
        page.text("No repair with a part on these tickets.")
        return
    wrong, fitted = sum(one.wrong for one in found), sum(one.fitted for one in found)
    page.answer(
        f"{wrong:,} of {counted(fitted, 'part')} fitted did not cure: "
        f"{percent(wrong / fitted)} (95 %: {_range(wilson(wrong, fitted))})."
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
         _range(one.interval))
        for one in found
    ]  # fmt: skip
    page.table(("Month", "did not cure", "fitted", "share", "95 %"), cells)


# Pieces


def _range(interval: Sequence[float]) -> str:
    low, high = interval
    return f"{low * 100:.0f} to {high * 100:.0f} %"


def _number(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f}" if math.isfinite(value) else "-"
