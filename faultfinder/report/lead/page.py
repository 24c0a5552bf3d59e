"""The lead's page: adopt or not, what became of jobs, how the bench works, what would change.

One self-contained HTML page in black and white, for paper and phone, without a script. Every
plot stands beside a table of the same figures. Persons are named on it: it is for the lead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from faultfinder.assess.intervals import wilson
from faultfinder.decide.shop import Shop
from faultfinder.learning.bench.figures import BenchFigure, spot_words
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.em.parameters import Place
from faultfinder.learning.judge.judging import Judged
from faultfinder.learning.judge.kept import Judgement
from faultfinder.learning.judge.replay import Comparison, ModelScores
from faultfinder.learning.proposal import effect
from faultfinder.learning.watch.agreement import FIRST, Agreement
from faultfinder.learning.watch.jobs import Bills, Comebacks, Minutes, Plans, Quotes
from faultfinder.learning.watch.slips import Readers
from faultfinder.learning.watch.usage import Usage
from faultfinder.learning.watch.wrong_parts import WrongParts
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.report.html import minute_of, render
from faultfinder.report.lead import plots as lead_plots
from faultfinder.report.lead.plots import Row
from faultfinder.report.learning.words import (
    NO_RIVAL,
    bench_cells,
    bench_effect,
    change_rows,
    changed_words,
    figure_words,
    impossible_words,
    score_rows,
    share_words,
    vain_words,
    verdict_reason,
)
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, percent, shortened

FIGURES_SHOWN = 10
TITLE = 26
"""Characters of a title where two stand on a plot's row."""
CHECKS_SHOWN = 15
LEAST_FOLLOWED = 10
"""A check followed less often is left out of the plot, not of the table (a choice)."""
LEAST_MADE = 5
"""A check made less often is not called idle (a choice)."""
BENCH_SHOWN = 20
CHANGES_SHOWN = 12
COMEBACKS_SHOWN = 15
DEPARTURES_SHOWN = 10
PEOPLE_SHOWN = 40


@dataclass(frozen=True, eq=False)
class Proposal:
    """Figures to decide on, or decided on last, in `model`: `tuned` are those that move, `bench`
    those of minutes, prices and cures, `judgement` what a replay made of them, None for one that
    nobody judged. `open` tells that they wait for a decision, `decided` who put them in force,
    else."""

    model: FaultModel
    tuned: Sequence[Figure]
    bench: Sequence[BenchFigure]
    tickets: int
    judgement: Judgement | None
    open: bool
    decided: str = ""


@dataclass(frozen=True, eq=False)
class Review:
    """What the page tells. `proposal` is None where nothing is proposed nor was adopted, and
    `hindrance` says why an open one cannot be judged."""

    model: FaultModel
    shop: Shop
    proposal: Proposal | None
    hindrance: str
    comebacks: Comebacks
    minutes: Minutes
    plans: Plans
    bills: Quotes
    usage: Usage
    agreement: Agreement
    wrong_parts: Sequence[WrongParts]
    readers: Readers


def lead_page(found: Review, made_at: str) -> str:
    """The page, the decision first. `made_at` is UTC in ISO 8601."""
    page = Page()
    _decision(page, found)
    _comebacks(page, found)
    _minutes(page, found.minutes, found.plans)
    _bills(page, found.bills, found.shop)
    _idle_checks(page, found.model, found.agreement)
    _departures(page, found.model, found.agreement)
    _readers(page, found.model, found.readers)
    _parts(page, found.wrong_parts)
    if found.proposal is not None:
        judgement = found.proposal.judgement
        if judgement is not None and judgement.against:
            _reliability(page, judgement.against[0].found)
        _figures(page, found.proposal)
        _bench_figures(page, found.proposal)
    _checks(page, found.model, found.usage)
    return render(
        "lead.html",
        title=f"Review: {found.model.title}",
        made_at=minute_of(made_at),
        tickets=counted(found.usage.tickets, "closed ticket"),
        page=page,
    )


# Sections


def _decision(page: Page, found: Review) -> None:
    page.section("Adopt or not, and why")
    name, proposal = found.model.name, found.proposal
    if proposal is None or found.hindrance:
        page.answer(found.hindrance or "Nothing is proposed, and nothing was adopted yet.")
        page.text(f"Figures from closed tickets: faultfinder tune -m {name}")
        return
    judgement = proposal.judgement
    from_tickets = counted(proposal.tickets, "ticket")
    if judgement is None or not judgement.against:
        page.answer(
            f"Nothing is proposed now. In force: figures from {from_tickets}, {proposal.decided}, "
            "not judged."
            if not proposal.open
            else f"Cannot be told. {NO_RIVAL}"
        )
        return
    first = judgement.against[0]
    if proposal.open:
        page.answer(f"{_advised(first)} {_reason(first, found.shop.currency)}")
        page.text(
            f"The proposal is from {from_tickets}. Each of {len(first.found.numbers)} tickets with "
            "a confirmed cause was held out once and the figures tuned on the others, so that no "
            "ticket judges figures that it helped to make. Minutes, prices and success of repairs "
            "are counted, not judged so: both sides go by the proposed ones."
        )
    else:
        page.answer(
            f"Nothing is proposed now. In force: figures from {from_tickets}, {proposal.decided}. "
            f"They were judged: {first.verdict.word}. {_reason(first, found.shop.currency)}"
        )
    for other in judgement.against[1:]:
        page.text(
            f"Against {other.rival}: {other.verdict.word}. {_reason(other, found.shop.currency)}"
        )
    vain = vain_words(first.jobs, proposal.model) if first.jobs is not None else ""
    if vain:
        page.text(vain)
    page.text(changed_words(judgement.advice))
    rows = change_rows(judgement.advice, proposal.model)
    if rows:
        heads = ("In force", "Proposed", "tickets")
        page.table(heads, rows[:CHANGES_SHOWN], words=3)
    if proposal.open:
        page.text(f"To put it in force: faultfinder adopt -m {name} --by NAME")


def _advised(judged: Judged) -> str:
    verdict, why = judged.verdict, verdict_reason(judged)
    if verdict.word == "better":
        return f"Adopt. {why}"
    if verdict.word == "worse":
        return f"Do not adopt. {why}"
    if verdict.against:
        return f"Not without a look at it. {why}"
    if verdict.more is None:
        return "Not now: no difference can be told, and more tickets like these are unlikely to."
    return f"Not yet: no difference can be told. About {verdict.more:,} more tickets would tell."


def _reason(one: Judged, currency: str) -> str:
    """The differences a verdict goes by, in words."""
    loss = one.found.differences["label_log_loss"]
    mean, low, high = (value / math.log(2.0) for value in (loss.mean, *loss.interval))
    said = (
        f"A confirmed cause is foretold {abs(mean):.3f} bits "
        f"{'better' if mean < 0.0 else 'worse'} (95 %: {-high:+.3f} to {-low:+.3f})"
    )
    if one.jobs is None:
        return f"{said}; no job was played."
    parts = [said]
    for name, unit, scale in (("money", currency, 1.0), ("minutes", "min", 1.0),
                              ("needless", "dear parts for nothing in 100 jobs", 100.0),
                              ("wrong", "repairs for nothing in 100 jobs", 100.0)):  # fmt: skip
        difference = one.jobs.differences[name]
        low, high = (bound * scale for bound in difference.interval)
        more = "more" if difference.mean > 0.0 else "less"
        size = abs(difference.mean * scale)
        parts.append(f"{size:.1f} {unit} {more} ({low:+.1f} to {high:+.1f})")
    jobs = counted(len(one.jobs.numbers), "job")
    return f"{parts[0]}. In {jobs} played to the end, a job takes {', '.join(parts[1:])}."


def _comebacks(page: Page, found: Review) -> None:
    told = found.comebacks
    page.section(f"Machines that came back within {told.days:.0f} days")
    if not told.repaired and not told.found:
        page.text("No repaired ticket is old enough to say.")
        return
    if told.repaired:
        page.answer(
            f"{told.hits} of {counted(told.repaired, 'repaired machine')} came back: "
            f"{percent(told.hits / told.repaired)} (95 %: {_range(told.interval)})."
        )
    again = [one for one in told.found if one.causes_again]
    same = sum(one.same for one in again)
    page.text(
        f"{counted(told.young, 'machine')} repaired since can still come back. Of "
        f"{counted(len(again), 'comeback')} with a confirmed cause {same} had one of the first "
        "ticket again. A machine counts where its new ticket names the old one."
    )
    rows = [
        (f"{one.first}, {one.again}", f"{one.days:.0f}", _causes(found.model, one.causes),
         _causes(found.model, one.causes_again))
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


def _minutes(page: Page, found: Minutes, plans: Plans) -> None:
    page.section("Minutes a job against the plan")
    if not found.jobs:
        page.text("The logs tell no times.")
        return
    if plans.jobs:
        page.answer(
            f"{plans.took:.0f} min a job where {plans.plan:.0f} were to be planned at the bench's "
            f"door: {plans.ratio * 100:.0f} % of it (95 %: {_range(plans.interval)}), over "
            f"{counted(plans.jobs, 'job')}. By the model's minutes what was done comes to "
            f"{plans.work:.0f} min."
        )
        rows = [(f"{n}", f"{took:.0f}", f"{plan:.0f}") for n, took, plan in plans.numbers]
        if rows:
            page.table(("Longest against it: ticket", "min", "planned"), rows)
    by = "as said at closing or by the log" if found.said else "by the log"
    page.text(
        f"The same work: {found.log:.0f} min {by} where the model says {found.model:.0f}, "
        f"{found.ratio * 100:.0f} % of it (95 %: {_range(found.interval)}), over "
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


def _bills(page: Page, found: Quotes, shop: Shop) -> None:
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
        f"door, {below} to less, {above} to more (95 %: {_range(found.interval)}). Middle bill "
        f"{found.bill:.0f} {shop.currency}, middle quote {found.quote:.0f}."
    )


def _idle_checks(page: Page, model: FaultModel, found: Agreement) -> None:
    page.section("Checks that never change what is done next")
    idle = [one for one in found.decided if not one.changed and one.made >= LEAST_MADE]
    if not idle:
        page.text(
            f"None of those made {LEAST_MADE} times or more, on {_sample(found)}."
            if found.decided
            else "No check to look at."
        )
        return
    titles = {check.name: check.title for check in model.checks}
    page.answer(f"{', '.join(titles[one.check] for one in idle)}.")
    page.text(
        "The step advised after each check, against the step had it told nothing, on "
        f"{_sample(found)}. Looks for safety and questions at the counter are left out. With few "
        "times a check can look idle by chance: the last column is the most that fits."
    )
    rows = [
        (titles[one.check], f"{one.made:,}", f"{one.minutes:.0f}", percent(one.interval[1]))
        for one in idle
    ]
    page.table(("Check", "made", "min", "changes at most"), rows)


def _reliability(page: Page, found: Comparison) -> None:
    page.section("Do the probabilities mean what they say?")
    page.text(
        f"Old figures and new were scored on {counted(len(found.numbers), 'ticket')}, each held "
        f"out from what the new ones learnt. {counted(found.without_cause, 'ticket')} without a "
        f"confirmed cause left out. {impossible_words(found)}"
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


def _spoken(name: str, scores: ModelScores) -> str:
    told = ", ".join(
        f"{percent(one.mean_forecast)} said and {percent(one.observed)} seen"
        for one in scores.calibration
        if one.count
    )
    return f"{name} figures: {told}."


def _figures(page: Page, proposal: Proposal) -> None:
    model = proposal.model
    page.section("How common causes and histories are")
    kinds = (Kind.CAUSE, Kind.HISTORY)
    changed = proposal.tuned
    wanted = [figure for figure in changed if model.by_name[figure.place.variable].kind in kinds]
    would = "would change" if proposal.open else "were changed"
    page.text(
        f"{counted(len(changed), 'figure')} {would}, from "
        f"{counted(proposal.tickets, 'closed ticket')}; {len(wanted)} of them are of causes and "
        "histories."
    )
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


def _bench_figures(page: Page, proposal: Proposal) -> None:
    model = proposal.model
    if not proposal.bench:
        return
    page.section("Minutes, prices, cures")
    ranked = sorted(proposal.bench, key=bench_effect, reverse=True)
    would = "would change" if proposal.open else "were changed"
    page.text(
        f"{counted(len(ranked), 'figure')} {would}, counted from the times, orders and repairs of "
        "the logs; what was seen few times stays near the file. A cure is counted where one cause "
        "alone was confirmed. A machine that came back with the same cause within three weeks "
        "counts as missed by the look after the repair."
    )
    rows = [(spot_words(model, one.spot), *bench_cells(one)) for one in ranked[:BENCH_SHOWN]]
    page.table(("Figure", "before", "after", "90 %", "times"), rows)
    if len(ranked) > BENCH_SHOWN:
        page.text(f"{len(ranked) - BENCH_SHOWN} others moved less.")


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
    return figure_words(model, place) if place.row else what


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
        page.figure(lead_plots.bars_plot(shown, label), caption)
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
    judged = sum(one.judged for one in found.departures)
    right = sum(one.right for one in found.departures)
    if judged:
        page.answer(
            f"Where people made another check than advised, theirs told more for its minutes in "
            f"{right:,} of {judged:,} that a confirmed cause can judge: "
            f"{percent(right / judged)} (95 %: {_range(wilson(right, judged))})."
        )
        page.text(
            "Judged afterwards, by how much the result raises the probability of what was "
            "confirmed, for the minutes with the way there: as recorded on the ticket, else as the "
            "model expects it of that cause. What people saw and did not write down is not in it."
        )
    parted = [
        (titles[one.made], titles[one.named], f"{one.times:,}",
         f"{one.right} of {one.judged}" if one.judged else "-")
        for one in found.departures[:DEPARTURES_SHOWN]
    ]  # fmt: skip
    if parted:
        page.heading("Commonest departures")
        columns = ("Check made", "The model's first", "times", "made one told more")
        page.table(columns, parted, words=2)


def _readers(page: Page, model: FaultModel, found: Readers) -> None:
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
         _range(one.interval), percent(one.others))
        for one in found.otherwise
    ]  # fmt: skip
    page.table(("Person", "Finding", "results", "wrong", "95 %", "others"), rows, words=2)


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
