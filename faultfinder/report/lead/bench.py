"""How the bench works: its checks, where people and the model part ways, who reads otherwise."""

from __future__ import annotations

import math

from faultfinder.assess.intervals import wilson
from faultfinder.learning.watch.agreement import FIRST, Agreement
from faultfinder.learning.watch.slips import Readers
from faultfinder.learning.watch.usage import Usage
from faultfinder.model.parts import FaultModel
from faultfinder.report.lead import plots as lead_plots
from faultfinder.report.lead.plots import Row
from faultfinder.report.model.words import check_words
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, percent, share_range

CHECKS_SHOWN = 15
LEAST_FOLLOWED = 10
"""A check followed less often is left out of the plot, not of the table (a choice)."""
LEAST_MADE = 5
"""A check made less often is not called idle (a choice)."""
DEPARTURES_SHOWN = 10
PEOPLE_SHOWN = 40


def idle_checks(page: Page, model: FaultModel, found: Agreement) -> None:
    page.section("Checks that never change what is done next")
    idle = [one for one in found.decided if not one.changed and one.made >= LEAST_MADE]
    if not idle:
        page.text(
            f"None of those made {LEAST_MADE} times or more, on {_sample(found)}."
            if found.decided
            else "No check to look at."
        )
        return
    page.answer(f"{', '.join(check_words(model, one.check) for one in idle)}.")
    page.text(
        "The step advised after each check, against the step had it told nothing, on "
        f"{_sample(found)}. Looks for safety and questions at the counter are left out. With few "
        "times a check can look idle by chance: the last column is the most that fits."
    )
    rows = [
        (
            check_words(model, one.check),
            f"{one.made:,}",
            f"{one.minutes:.0f}",
            percent(one.interval[1]),
        )
        for one in idle
    ]
    page.table(("Check", "made", "min", "changes at most"), rows)


def departures(page: Page, model: FaultModel, found: Agreement) -> None:
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
         share_range(one.interval), f"{one.past_worth:,}")
        for one in people
    ]  # fmt: skip
    heads = ("Person", f"first {FIRST}", "checks", "share", "95 %", "none worth its cost")
    page.table(heads, cells)
    if len(found.people) > len(people):
        page.text(f"{len(found.people) - len(people)} others made fewer checks.")
    judged = sum(one.judged for one in found.departures)
    right = sum(one.right for one in found.departures)
    if judged:
        page.answer(
            f"Where people made another check than advised, theirs told more for its minutes in "
            f"{right:,} of {judged:,} that a confirmed cause can judge: "
            f"{percent(right / judged)} (95 %: {share_range(wilson(right, judged))})."
        )
        page.text(
            "Judged afterwards, by how much the result raises the probability of what was "
            "confirmed, for the minutes with the way there: as recorded on the ticket, else as the "
            "model expects it of that cause. What people saw and did not write down is not in it."
        )
    parted = [
        (check_words(model, one.made), check_words(model, one.named), f"{one.times:,}",
         f"{one.right} of {one.judged}" if one.judged else "-")
        for one in found.departures[:DEPARTURES_SHOWN]
    ]  # fmt: skip
    if parted:
        page.heading("Commonest departures")
        columns = ("Check made", "The model's first", "times", "made one told more")
        page.table(columns, parted, words=2)


def readers(page: Page, model: FaultModel, found: Readers) -> None:
    page.section("Who reads a finding otherwise than the others")
    page.text(
        f"{counted(found.tested, 'pair')} of a person and a finding with enough results were "
        "tested; named is only who differs beyond chance over all of them. What was true is taken "
        "from the causes confirmed. A finding can also be harder on the machines that one gets: "
        "look together before you judge."
    )
    if not found.otherwise:
        page.text("Nobody does.")
        return
    rows = [
        (one.who, model.by_name[one.finding].title, f"{one.results:,}", percent(one.rate),
         share_range(one.interval), percent(one.others))
        for one in found.otherwise
    ]  # fmt: skip
    page.table(("Person", "Finding", "results", "wrong", "95 %", "others"), rows, words=2)


def checks(page: Page, model: FaultModel, usage: Usage) -> None:
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
    plotted = [
        Row(check_words(model, one.check), one.bits_per_minute, 0.0, 0.0)
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
        page.figure(lead_plots.bars_plot(shown, label), caption)
    rows = [
        (check_words(model, one.check), f"{one.made:,}", f"{one.minutes:,.0f}", f"{one.followed:,}",
         _number(one.bits), _number(one.bits_per_minute),
         percent(one.leader_changed / one.followed) if one.followed else "-")
        for one in made
    ]  # fmt: skip
    heads = ("Check", "made", "min in all", "fol\N{SOFT HYPHEN}lowed", "bits", "bits / min",
             "other cause led")  # fmt: skip
    if rows:
        page.table(heads, rows)
    never = [check_words(model, one.check) for one in usage.checks if not one.made]
    if never:
        page.text(f"Never made before a repair: {'; '.join(never)}.")


def _sample(found: Usage | Agreement) -> str:
    """As in "200 of 900 closed tickets, drawn at random"."""
    tickets = counted(found.tickets, "closed ticket")
    if found.sampled < found.tickets:
        return f"{found.sampled:,} of {tickets}, drawn at random"
    return f"all {tickets}"


def _number(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f}" if math.isfinite(value) else "-"
