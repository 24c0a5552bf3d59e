"""A whole model as one self-contained HTML page, for a screen, a phone or paper."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from faultfinder.assess.testability import Assessment
from faultfinder.model.parts import Check, FaultModel, Kind, Variable
from faultfinder.report.model.words import (
    MANY,
    check_words,
    checks_of,
    counts,
    fault_words,
    group_words,
    isolation_words,
    listed,
    minutes_words,
    range_words,
    repairs_of,
    tolerance_words,
)
from faultfinder.report.wording import minutes, percent

_STYLE = """
@page { margin: 10mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; margin: 0 auto;
  max-width: 190mm; padding: 4mm; overflow-wrap: anywhere; }
h1 { font-size: 15pt; margin: 0 0 1mm; }
h2 { font-size: 12pt; margin: 5mm 0 1mm; border-bottom: 0.3mm solid #000; }
h3 { font-size: 10pt; margin: 0 0 0.6mm; }
p, ul { margin: 0 0 1mm; }
ul { padding-left: 5mm; }
.cards { columns: 2; column-gap: 4mm; }
section { border: 0.3mm solid #000; padding: 1mm 1.5mm; margin: 0 0 1.5mm; break-inside: avoid; }
.small { font-size: 9pt; }
.caution { border-left: 1mm solid #000; padding-left: 1.5mm; font-weight: bold; }
table { border-collapse: collapse; width: 100%; }
th, td { border-bottom: 0.2mm solid #000; padding: 0.4mm 1mm; text-align: right;
  vertical-align: top; }
th { overflow-wrap: normal; }
th:first-child, td:first-child, .words th:not(:last-child), .words td:not(:last-child) {
  text-align: left; }
a { color: inherit; }
@media (max-width: 640px) { body { font-size: 12pt; } .small { font-size: 11pt; }
  .cards { columns: 1; } th, td { padding: 0.4mm 0.5mm;
  font-size: 10pt; } }
@media print { body { padding: 0; max-width: none; font-size: 8.5pt; } .small { font-size: 8pt; }
  a { text-decoration: none; } }
"""


def model_html(model: FaultModel, found: Assessment) -> str:
    """The page: causes and checks with links between them, and how well they are told apart."""
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Model: {escape(model.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(model.title)}</h1>",
        f"<p>{escape(counts(model))}.</p>",
    ]
    if model.about:
        parts.append(f'<p class="small">{escape(model.about)}</p>')
    parts += _isolation(model, found)
    parts += _alike(model, found)
    parts.append('<h2>Causes</h2><div class="cards">')
    parts += [_cause(model, found, cause) for cause in model.of_kind(Kind.CAUSE)]
    parts.append("</div>")
    for stage in model.stages:
        here = [check for check in model.checks if check.stage == stage.name]
        if here:
            parts.append(f"<h2>Checks: {escape(stage.title)}</h2>")
            if stage.caution:
                parts.append(f'<p class="caution">Caution: {escape(stage.caution)}</p>')
            parts.append('<div class="cards">')
            parts += [_check(model, found, check) for check in here]
            parts.append("</div>")
    parts.append("</body></html>")
    return "\n".join(parts) + "\n"


def _cause_link(model: FaultModel, name: str) -> str:
    return f'<a href="#cause-{escape(name)}">{escape(model.by_name[name].title)}</a>'


def _check_link(model: FaultModel, name: str) -> str:
    return f'<a href="#check-{escape(name)}">{escape(check_words(model, name))}</a>'


def _line(label: str, names: Iterable[str]) -> str:
    """A line of names that are markup already; "" when there are none."""
    shown = list(names)
    more = f" and {len(shown) - MANY} more" if len(shown) > MANY else ""
    return f"<p><b>{label}:</b> {', '.join(shown[:MANY])}{more}.</p>" if shown else ""


def _cause(model: FaultModel, found: Assessment, cause: Variable) -> str:
    told = checks_of(found, cause.name)
    lines = [
        f'<section id="cause-{escape(cause.name)}"><h3>{escape(cause.title)}</h3>',
        f'<p class="small">{escape(cause.name)}: {escape(", ".join(cause.states))}</p>',
        f"<p>{escape(cause.note)}</p>" if cause.note else "",
        _line("From", (escape(model.by_name[parent].title) for parent in cause.parents)),
        _line("Into", (escape(v.title) for v in model.variables if cause.name in v.parents)),
        _line("Told by", (_check_link(model, name) for name in told)),
        "" if told else "<p><b>No check speaks on it.</b></p>",
        _line("Mended by", map(escape, repairs_of(model, cause.name))),
        "</section>",
    ]
    return "".join(lines)


def _check(model: FaultModel, found: Assessment, check: Check) -> str:
    observed = [model.by_name[name] for name in check.observes]
    causes = found.speaks.get(check.name)
    lines = [
        f'<section id="check-{escape(check.name)}"><h3>{escape(check.title)}</h3>',
        f'<p class="small">{escape(check.name)}, {minutes(check.minutes)}</p>',
        f'<p class="caution">Caution: {escape(check.caution)}</p>' if check.caution else "",
        _line("Shows", (escape(f"{v.title} ({', '.join(v.states)})") for v in observed)),
    ]
    if causes is None:
        lines.append("<p>A question for the counter.</p>")
    elif causes:
        lines.append(_line("Speaks on", (_cause_link(model, name) for name in causes)))
    else:
        lines.append("<p>Speaks on no cause alone.</p>")
    return "".join([*lines, "</section>"])


def _alike(model: FaultModel, found: Assessment) -> list[str]:
    parts = ["<h2>What no check tells apart</h2>"]
    if found.groups:
        items = "".join(f"<li>{escape(group_words(model, g))}</li>" for g in found.groups)
        parts.append(f"<ul>{items}</ul>")
    else:
        parts.append("<p>Nothing: some check tells each two faults apart.</p>")
    parts.append(f'<p class="small">{escape(tolerance_words(found))}</p>')
    for faults, said in (
        (found.unseen, "No check speaks on"),
        (found.silent, "Alone without the complaint, and left out here"),
    ):
        if faults:
            names = listed([fault_words(model, fault) for fault in faults], 12)
            parts.append(f"<p>{said}: {escape(names)}.</p>")
    rows = "".join(
        f"<tr><td>{escape(fault_words(model, n.fault))}</td>"
        f"<td>{escape(fault_words(model, n.other))}</td>"
        f"<td>{_check_link(model, n.check) if n.check else 'no check'}</td>"
        f"<td>{percent(n.distance)}</td></tr>"
        for n in sorted(found.neighbours, key=lambda n: n.distance)
    )
    if rows:
        parts.append(
            "<h2>Each fault's nearest neighbour</h2>"
            '<table class="words"><tr><th>Fault</th>'
            "<th>Hardest to tell from</th><th>Best check</th><th>Results differ by</th></tr>"
            f"{rows}</table>"
        )
    return parts


def _isolation(model: FaultModel, found: Assessment) -> list[str]:
    isolation = found.isolation
    if isolation is None or not isolation.causes:
        return []
    exact = isolation.tickets == 0
    rows = "".join(
        f"<tr><td>{_cause_link(model, item.cause)}</td><td>{percent(item.share)}</td>"
        f"<td>{range_words(item, exact)}</td><td>{percent(item.among[3])}</td>"
        f"<td>{minutes_words(item, exact)}</td></tr>"
        for item in isolation.causes
    )
    return [
        "<h2>How well each cause is isolated</h2>",
        "<table><tr><th>Cause</th><th>Share</th><th>Isolated</th><th>In first 3</th>"
        f"<th>Minutes</th></tr>{rows}</table>",
        f'<p class="small">{escape(isolation_words(isolation))}</p>',
    ]
