"""The lead's page: whether the figures hold, what tuning would change, how the bench works.

One self-contained HTML page in black and white, for paper and phone, without a script. Every
plot stands beside a table of the same figures. Persons are named on it: it is for the lead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from faultfinder.assess.share_interval import wilson
from faultfinder.learning.em.estimates import Figure, Tuned
from faultfinder.learning.em.parameters import Place
from faultfinder.learning.judge.replay import Comparison, ModelScores, Share
from faultfinder.learning.proposal import effect
from faultfinder.learning.watch.bench_habits import FIRST, Agreement, Usage, WrongParts
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.report.html_words import POLICY, minute_of, safe
from faultfinder.report.lead import plots as lead_plots
from faultfinder.report.lead.plots import Row
from faultfinder.report.wording import counted, percent, shortened

FIGURES_SHOWN = 10
TITLE = 26
"""Characters of a title where two stand on a plot's row."""
CHECKS_SHOWN = 15
LEAST_FOLLOWED = 10
"""A check followed less often is left out of the plot, not of the table (a choice)."""
DEPARTURES_SHOWN = 10
PEOPLE_SHOWN = 40

_STYLE = """
@page { margin: 12mm; }
* { box-sizing: border-box; }
body { font: 11pt/1.4 sans-serif; color: #000; background: #fff; margin: 0 auto; padding: 4mm;
  max-width: 180mm; overflow-wrap: anywhere; }
h1 { font-size: 17pt; margin: 0 0 2mm; line-height: 1.2; }
h2 { font-size: 13pt; margin: 7mm 0 2mm; border-bottom: 0.4mm solid #000; }
h2, h3, caption { break-after: avoid; }
h3 { font-size: 11pt; margin: 3mm 0 1mm; }
p { margin: 0 0 2mm; max-width: 150mm; }
.answer { font-weight: bold; }
figure { margin: 2mm 0 3mm; break-inside: avoid; }
figcaption { margin: 0 0 1mm; font-size: 10pt; }
svg { display: block; width: 100%; max-width: 125mm; height: auto; }
svg * { stroke-linejoin: round; stroke-linecap: butt; }
table { border-collapse: collapse; width: 100%; margin: 0 0 3mm; font-size: 10pt; }
caption { text-align: left; margin: 0 0 1mm; }
th, td { border-bottom: 0.2mm solid #888; padding: 0.7mm 2mm 0.7mm 0; text-align: left;
  vertical-align: top; }
thead th { border-bottom: 0.3mm solid #000; vertical-align: bottom; overflow-wrap: normal; }
tbody th { font-weight: normal; min-width: 24mm; }
td.n, th.n { text-align: right; padding-right: 0; padding-left: 2mm; }
td.n { white-space: nowrap; }
tr { break-inside: avoid; }
@media (max-width: 500px) { table { font-size: 9pt; } td.n, th.n { padding-left: 1.2mm; }
  tbody th { min-width: 18mm; } }
@media print { body { padding: 0; max-width: none; font-size: 9.5pt; line-height: 1.3; }
  table { font-size: 8.5pt; } svg { max-width: 105mm; } }
"""

_MEASURES = {
    "log_loss": ("Log loss, each cause, nats", False),
    "brier": ("Brier score, each cause", False),
    "label_log_loss": ("Log loss of the whole label, nats", False),
    "top1": ("Confirmed cause leads, %", True),
    "top3": ("Confirmed cause among the first 3, %", True),
}


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
    title = f"Review: {model.title}"
    parts = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{safe(title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{safe(title)}</h1>",
        f"<p>Made {safe(minute_of(made_at))} UTC from {counted(usage.tickets, 'closed ticket')}. "
        "Nothing in the model was changed by it. Names of people stand on this page: keep it "
        "to those who need it.</p>",
        *_reliability(comparison),
        *_figures(model, tuned, changed),
        *_checks(model, usage),
        *_departures(model, agreement),
        *_parts(wrong_parts),
    ]
    return "\n".join([*parts, "</body></html>"]) + "\n"


# Sections


def _reliability(found: Comparison) -> list[str]:
    said = [
        "<h2>Do the probabilities mean what they say?</h2>",
        f'<p class="answer">{_verdict(found)}</p>',
        f"<p>Both were scored on {counted(len(found.numbers), 'ticket')}, the last that were "
        "closed; the new figures were tuned on the earlier ones only. "
        f"{counted(found.without_cause, 'ticket')} without a confirmed cause left out. "
        f"{_impossible(found)}</p>",
    ]
    label = (
        "Reliability diagram: share of causes that were present against the probability that "
        f"was said, by tenths, with 95 % intervals. {_spoken('Old', found.old)} "
        f"{_spoken('New', found.new)}"
    )
    said.append(
        _figure(
            lead_plots.reliability_plot(found.old.calibration, found.new.calibration, label),
            "Each point: all causes given about this probability. On the dotted line, what was "
            "said is what was seen; below it too much was said. Bars: Wilson 95 %, as if "
            "each cause of a ticket stood alone.",
        )
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
    said.append(_table(("Figures, tenth", "said", "seen", "95 %", "cases"), rows))
    rows = []
    for name, (words, upward) in _MEASURES.items():
        difference = found.differences.get(name)
        if difference is None:
            continue
        old, new = getattr(found.old, name), getattr(found.new, name)
        told = [_value(one) for one in (old, new)]
        scale = 100.0 if isinstance(old, Share) else 1.0
        places = 0 if isinstance(old, Share) else 3
        low, high = (bound * scale for bound in difference.interval)
        better = (difference.mean > 0.0) == upward
        verdict = ("better" if better else "worse") if difference.clear else "not clear"
        rows.append((words, *told, f"{low:+.{places}f} to {high:+.{places}f}", verdict))
    heads = ("Measure", "old", "new", "new - old, 95 %", "the new")
    return [*said, _table(heads, rows)]


def _verdict(found: Comparison) -> str:
    difference = found.differences.get("log_loss")
    if difference is None or not difference.clear:
        return "On tickets held out, no clear difference between the old and the tuned figures."
    better = "better" if difference.mean < 0.0 else "worse"
    return f"On tickets held out, the tuned figures predict causes {better} than the old ones."


def _impossible(found: Comparison) -> str:
    told = [
        f"The {which} figures hold {counted(len(numbers), 'ticket')} impossible."
        for which, numbers in (("old", found.impossible_old), ("new", found.impossible_new))
        if numbers
    ]
    return " ".join(told)


def _spoken(name: str, scores: ModelScores) -> str:
    told = ", ".join(
        f"{percent(one.mean_forecast)} said and {percent(one.observed)} seen"
        for one in scores.calibration
        if one.count
    )
    return f"{name} figures: {told}."


def _figures(model: FaultModel, tuned: Tuned, changed: Sequence[Figure]) -> list[str]:
    said = ["<h2>How common causes and histories are</h2>"]
    kinds = (Kind.CAUSE, Kind.HISTORY)
    wanted = [figure for figure in changed if model.by_name[figure.place.variable].kind in kinds]
    of_all = (
        f"{counted(len(changed), 'figure')} of {len(tuned.figures)} would change if the model "
        f"were tuned to all {counted(tuned.tickets, 'ticket')}; {len(wanted)} of them are of "
        "causes and histories."
    )
    ended = "" if tuned.converged else " The search was stopped before it settled."
    said.append(f"<p>{of_all}{ended}</p>")
    said += [f"<p>{safe(warning)}</p>" for warning in tuned.warnings]
    ranked = sorted(wanted, key=lambda one: (-effect(one), str(one.place)))[:FIGURES_SHOWN]
    rows = [
        (Row(_name(model, one, at), one.after[at], one.low[at], one.high[at], one.before[at]), one)
        for one in ranked
        for at in range(1, len(one.states))
    ]
    if not rows:
        return said
    drawn = [
        replace(row, name=_name(model, one, at, TITLE))
        for (row, _), (one, at) in zip(
            rows, ((one, at) for one in ranked for at in range(1, len(one.states))), strict=True
        )
    ]
    left = len(wanted) - len(ranked)
    more = f" {left} more move beliefs less." if left else ""
    said.append(
        "<p>Those that move beliefs most stand first. They are probabilities in machines of "
        "this kind, whether or not they come to the shop: not shares of your tickets. "
        f"A cause has one for itself and one for each history that adds to it.{more}</p>"
    )
    spoken = "; ".join(
        f"{row.name}: {_share(row.before or 0.0)} to {_share(row.value)} %" for row, _ in rows[:8]
    )
    label = f"Probabilities before and after tuning, with 90 % intervals, first {spoken}."
    said.append(
        _figure(
            lead_plots.moves_plot(drawn, label),
            "Before and after, on a scale on which equal steps multiply. Bars: 90 % credible "
            "interval; one that ends in an arrow goes further. Numbers as in the table.",
        )
    )
    cells = [
        (f"{place}. {row.name}", _share(row.before or 0.0), _share(row.value),
         f"{_share(row.low)} to {_share(row.high)}", f"{max(1, round(one.tickets)):,}")
        for place, (row, one) in enumerate(rows, 1)
    ]  # fmt: skip
    heads = ("Figure", "before, %", "after, %", "90 %", "tickets")
    return [*said, _table(heads, cells)]


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


def _checks(model: FaultModel, usage: Usage) -> list[str]:
    said = ["<h2>Which checks earn their minutes</h2>"]
    made = [one for one in usage.checks if one.made]
    sampled = (
        f"worked out on {usage.sampled:,} of {counted(usage.tickets, 'closed ticket')}, drawn "
        "at random"
        if usage.sampled < usage.tickets
        else f"worked out on all {counted(usage.tickets, 'closed ticket')}"
    )
    said.append(
        f"<p>Bits: by how much a result narrowed down the causes (fall of their entropies, "
        f"added up), {sampled}. Minutes are the model's, without the way to the "
        "stage. What a check tells depends on what was known when it was made, so that a check "
        "made late looks worth less than it is early. A result can widen the field, and with few "
        "results the mean says little.</p>"
    )
    if usage.impossible or usage.unknown:
        said.append(
            f"<p>Left out: {counted(usage.impossible, 'check')} whose results the model holds "
            f"impossible, {counted(usage.unknown, 'result')} of which it knows no check.</p>"
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
        said.append(_figure(lead_plots.bars_plot(shown, "Bits per minute", label), caption))
    rows = [
        (titles[one.check], f"{one.made:,}", f"{one.minutes:,.0f}", f"{one.followed:,}",
         _number(one.bits), _number(one.bits_per_minute),
         percent(one.leader_changed / one.followed) if one.followed else "-")
        for one in made
    ]  # fmt: skip
    heads = ("Check", "made", "min in all", "fol\N{SOFT HYPHEN}lowed", "bits", "bits / min",
             "other cause led")  # fmt: skip
    if rows:
        said.append(_table(heads, rows))
    never = [titles[one.check] for one in usage.checks if not one.made]
    if never:
        said.append(f"<p>Never made before a repair: {safe('; '.join(never))}.</p>")
    return said


def _departures(model: FaultModel, found: Agreement) -> list[str]:
    drawn = (
        f"{found.sampled:,} of {counted(found.tickets, 'closed ticket')}, drawn at random"
        if found.sampled < found.tickets
        else f"all {counted(found.tickets, 'closed ticket')}"
    )
    said = [
        "<h2>Where people and the model part ways</h2>",
        f"<p>How many of the checks that each person made were among the first {FIRST} of "
        f"the model just then (bits per cost, one step ahead, with today's figures), on {drawn}. "
        "Questions at the counter and looks for safety are left out. To part from the model is "
        "no fault: people see what the ticket does not say, and not all get the same machines. "
        "Ask before you judge.</p>",
    ]
    if found.again or found.impossible:
        said.append(
            f"<p>Left out: {counted(found.again, 'check')} made a second time, "
            f"{counted(found.impossible, 'check')} after findings the model holds "
            "impossible.</p>"
        )
    if not found.people:
        return [*said, "<p>No check to look at.</p>"]
    people = found.people[:PEOPLE_SHOWN]
    rows = [Row(one.who, one.hits / one.checks, *one.interval) for one in people]
    spoken = ", ".join(f"{row.name} {percent(row.value)}" for row in rows)
    unit = f"Among the model's first {FIRST}, %"
    said.append(
        _figure(
            lead_plots.shares_plot(rows, unit, f"{unit}: {spoken}."),
            "Bars: Wilson 95 %, as if each check stood alone.",
        )
    )
    cells = [
        (one.who, f"{one.hits:,}", f"{one.checks:,}", percent(one.hits / one.checks),
         _range(one.interval), f"{one.past_worth:,}")
        for one in people
    ]  # fmt: skip
    heads = ("Person", f"first {FIRST}", "checks", "share", "95 %", "none worth its cost")
    said.append(_table(heads, cells))
    if len(found.people) > len(people):
        said.append(f"<p>{len(found.people) - len(people)} others made fewer checks.</p>")
    titles = {check.name: check.title for check in model.checks}
    parted = [
        (titles[one.made], titles[one.named], f"{one.times:,}")
        for one in found.departures[:DEPARTURES_SHOWN]
    ]
    if parted:
        said.append("<h3>Commonest departures</h3>")
        said.append(_table(("Check made", "The model's first", "times"), parted, words=2))
    return said


def _parts(found: Sequence[WrongParts]) -> list[str]:
    said = ["<h2>Parts that did not cure</h2>"]
    if not found:
        return [*said, "<p>No repair with a part on these tickets.</p>"]
    wrong, fitted = sum(one.wrong for one in found), sum(one.fitted for one in found)
    said.append(
        f'<p class="answer">{wrong:,} of {counted(fitted, "part")} fitted did not cure: '
        f"{percent(wrong / fitted)} (95 %: {_range(wilson(wrong, fitted))}).</p>"
        "<p>By the month in which the ticket was closed (UTC). Repairs handed to a "
        "specialist are left out. With so few a month, a rise is often chance.</p>"
    )
    rows = [Row(one.month, one.wrong / one.fitted, *one.interval) for one in found]
    spoken = ", ".join(f"{one.month} {one.wrong} of {one.fitted}" for one in found)
    label = f"Parts that did not cure, by month of closing: {spoken}."
    said.append(_figure(lead_plots.months_plot(rows, label), "Share by month. Bars: Wilson 95 %."))
    cells = [
        (one.month, f"{one.wrong:,}", f"{one.fitted:,}", percent(one.wrong / one.fitted),
         _range(one.interval))
        for one in found
    ]  # fmt: skip
    return [*said, _table(("Month", "did not cure", "fitted", "share", "95 %"), cells)]


# Pieces


def _figure(svg: str, caption: str) -> str:
    return f"<figure><figcaption>{safe(caption)}</figcaption>{svg}</figure>"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]], words: int = 1) -> str:
    """The first `words` columns hold words, all others figures."""
    top = "".join(
        f'<th scope="col"{"" if place < words else _N}>{safe(head)}</th>'
        for place, head in enumerate(heads)
    )
    body = []
    for first, *rest in rows:
        cells = "".join(
            f"<td{'' if place < words else _N}>{safe(cell)}</td>"
            for place, cell in enumerate(rest, 1)
        )
        body.append(f'<tr><th scope="row">{safe(first)}</th>{cells}</tr>')
    return f"<table><thead><tr>{top}</tr></thead><tbody>{''.join(body)}</tbody></table>"


_N = ' class="n"'


def _range(interval: Sequence[float]) -> str:
    low, high = interval
    return f"{low * 100:.0f} to {high * 100:.0f} %"


def _share(value: float) -> str:
    """Percent with two figures, or three from 10 on."""
    if 0.0 < value < 1e-5:
        return "<0.001"
    return f"{value * 100:.2g}" if value < 0.1 else f"{value * 100:.3g}"


def _value(score: Share | float) -> str:
    return percent(score.share) if isinstance(score, Share) else f"{score:.3f}"


def _number(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f}" if math.isfinite(value) else "-"
