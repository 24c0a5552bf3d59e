"""Figures before and after: what the probabilities say, and which of them move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from faultfinder.learning.bench.figures import BenchFigure, spot_words
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.judge.kept import Judgement
from faultfinder.learning.judge.replay import Comparison, ModelScores
from faultfinder.learning.proposal import effect
from faultfinder.model.figures import Place
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.report.lead import plots as lead_plots
from faultfinder.report.lead.plots import Row
from faultfinder.report.learning.words import (
    bench_cells,
    bench_effect,
    figure_words,
    impossible_words,
    score_rows,
    share_words,
)
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, percent, share_range, shortened

FIGURES_SHOWN = 10
TITLE = 26
"""Characters of a title where two stand on a plot's row."""
BENCH_SHOWN = 20


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


def reliability(page: Page, found: Comparison) -> None:
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
            f"{name}, {share_range((one.low, one.high))}",
            *(percent(value) for value in (one.mean_forecast, one.observed)),
            share_range(one.interval),
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


def figures(page: Page, proposal: Proposal) -> None:
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
    placed = [(one, at) for one in ranked for at in range(1, len(one.states))]
    rows = [
        Row(_name(model, one, at), one.after[at], one.low[at], one.high[at], one.before[at])
        for one, at in placed
    ]
    if not rows:
        return
    drawn = [
        replace(row, name=_name(model, one, at, TITLE))
        for row, (one, at) in zip(rows, placed, strict=True)
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
        for row in rows[:8]
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
        for place, (row, (one, _)) in enumerate(zip(rows, placed, strict=True), 1)
    ]  # fmt: skip
    heads = ("Figure", "before, %", "after, %", "90 %", "tickets")
    page.table(heads, cells)


def bench_figures(page: Page, proposal: Proposal) -> None:
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
