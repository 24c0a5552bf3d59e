"""One ticket as one self-contained HTML page for the bench: to print, or open on a tablet.

The page lies about where anybody may read it, so nothing on it says whose machine it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from faultfinder.consultation.quote import Quote
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.model.parts import Check, FaultModel, Proof, Repair
from faultfinder.model.routes import all_routes
from faultfinder.report.consultation.check import add_how, add_results, add_route, gain_and_cost
from faultfinder.report.consultation.view import View, result_words
from faultfinder.report.html_words import POLICY, minute_of, safe
from faultfinder.report.page import Page
from faultfinder.report.plan.words import BATTERY, safety_words
from faultfinder.report.ticket.standing import blocked_by
from faultfinder.report.wording import counted, joined, minutes, money, percent
from faultfinder.tickets.events import Event, Happened
from faultfinder.tickets.ticket import Ticket

NOTE_SHOWN = 2_000
"""Characters of a text in somebody's own words that are put on the sheet."""

LINES_SHOWN = 60
"""Lines of such a text."""

CAUSES_SHOWN = 6
CHECKS_AFTER = 3

_STYLE = """
@page { margin: 10mm; }
* { box-sizing: border-box; }
body { font: 12pt/1.35 sans-serif; color: #000; background: #fff; margin: 0 auto; padding: 4mm;
  max-width: 190mm; overflow-wrap: anywhere; }
h1 { font-size: 17pt; margin: 0 0 2mm; }
h2 { font-size: 13.5pt; margin: 4mm 0 1.5mm; border-bottom: 0.4mm solid #000; }
h3 { font-size: 12pt; margin: 2.5mm 0 1mm; }
h2, h3 { break-after: avoid; }
p, li { margin: 0 0 1mm; }
ol, ul { margin: 0 0 1.5mm; padding-left: 7mm; }
table { border-collapse: collapse; width: 100%; margin: 0 0 2mm; }
th, td { border-bottom: 0.2mm solid #888; padding: 0.6mm 2mm 0.6mm 0; text-align: left;
  vertical-align: top; }
tbody th { font-weight: normal; }
tr, li { break-inside: avoid; }
.desk th { width: 30%; } .found td { width: 42%; }
.number { text-align: right; white-space: nowrap; }
.bars { width: 34%; vertical-align: middle; padding-right: 0; }
.bar { border-top: 3mm solid #000; min-width: 0.3mm; }
.caution { border-left: 1.2mm solid #000; padding-left: 2mm; font-weight: bold; }
.stop { border: 1.5mm solid #000; padding: 3mm; margin: 2mm 0; font-size: 14pt; font-weight: bold; }
.stop h2 { border: 0; margin: 0 0 1mm; font-size: 20pt; }
.told { white-space: pre-wrap; }
.tick { display: inline-block; margin: 0 5mm 1mm 0; }
.box { display: inline-block; width: 4mm; height: 4mm; border: 0.4mm solid #000;
  margin-right: 1.5mm; vertical-align: -0.5mm; }
.sign { margin-top: 8mm; border-bottom: 0.3mm solid #000; break-inside: avoid; }
@media print { body { padding: 0; max-width: none; font-size: 9pt; line-height: 1.25; }
  h1 { font-size: 14pt; } h2 { font-size: 11pt; margin-top: 3mm; } h3 { font-size: 10pt; }
  .sign { display: inline-block; width: 31%; margin-right: 2%; }
  .stages { font-size: 8.5pt; } .stages .caution { font-weight: normal; }
  .stop { font-size: 12pt; } .box { width: 3.2mm; height: 3.2mm; } .bar { border-top-width: 2.4mm; }
}
"""

_CONSENT = {
    "opening": "opening the machine",
    "data-loss": "losing data",
    "contact-kept": "keeping name and contact",
}
_COPY = {"yes": "the customer has one", "no": "there is none", "unknown": "not known"}


class _Html(Page):
    """What other pages say in lines, said in HTML: the same words, headings at level 3."""

    def heading(self, text: str) -> None:
        self._lines.append(f"<h3>{safe(text)}</h3>")

    def text(self, text: str, indent: int = 0) -> None:
        # An indent of two columns is where every line of a section begins; and browsers
        # break lines inside an arrow made of two characters.
        said = safe(text.replace("->", "\N{RIGHTWARDS ARROW}"))
        self._lines.append(f'<p style="margin-left:{max(0, indent - 2) / 2:g}em">{said}</p>')

    def item(self, first: str, text: str, indent: int = 0, hang: int | None = None) -> None:
        if first == "Caution:":
            self._lines.append(_caution(text))
        else:
            self.text(f"{first} {text}", indent)

    def numbered(self, texts: Iterable[str], indent: int = 0) -> None:
        lines = "".join(f"<li>{safe(text)}</li>" for text in texts)
        self._lines.append(f"<ol>{lines}</ol>")

    def blank(self) -> None:
        """Margins part the paragraphs."""

    def __str__(self) -> str:
        return "\n".join(self._lines)


def sheet_page(ticket: Ticket, view: View | str) -> str:
    """The page; `view` is the ticket's diagnosis, or the sentence why there is none."""
    title = f"Ticket {ticket.number}: {'open' if ticket.open else 'closed, ' + ticket.outcome}"
    stopped = not isinstance(view, str) and bool(view.told.stop)
    at_work = ticket.open and not stopped
    parts = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Bench sheet, ticket {ticket.number}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{safe(title)}</h1>",
        *([_stop(view)] if isinstance(view, View) and stopped else []),
        *_desk(ticket, view),
        *_waiting(ticket),
        *_state(ticket, view),
    ]
    if ticket.repaired is not None:
        parts += _proving(ticket, view, at_work)
    if isinstance(view, str):
        parts.append(f"<h2>Diagnosis</h2><p>{safe(view)}</p>{_caution(BATTERY)}")
    elif ticket.open:
        parts += _causes(ticket, view)
        if at_work and ticket.repaired is None:
            parts += _go_on(ticket, view)
        if at_work:
            parts += _stages(view)
    parts += _notes(ticket)
    signs = ("Checked by / date", "Repair proved by / date", "Handed out to / date")
    parts += ["<h2>Signatures</h2>", *(f'<p class="sign">{sign}:</p>' for sign in signs)]
    return "\n".join([*parts, "</body></html>"]) + "\n"


# Text


def _told(text: str) -> str:
    """Somebody's own words, cut where they are long, lines kept, nothing in them run."""
    if not text:
        return ""
    lines = re.sub(r"\n\s*\n", "\n", text[:NOTE_SHOWN].replace("\r\n", "\n")).split("\n")
    said = f'<span class="told">{chr(10).join(safe(line) for line in lines[:LINES_SHOWN])}</span>'
    if len(text) > NOTE_SHOWN or len(lines) > LINES_SHOWN:
        shown = len("\n".join(lines[:LINES_SHOWN]))
        said += f" <b>(Cut here: it has {len(text):,} characters, {shown:,} are shown.)</b>"
    return said


def _caution(text: str) -> str:
    return f'<p class="caution">Caution: {safe(text.strip())}</p>' if text.strip() else ""


def _tick(text: str) -> str:
    return f'<span class="tick"><span class="box"></span>{safe(text)}</span> '


def _by(event: Event) -> str:
    return f"{minute_of(event.at)} UTC, {event.who}"


def _model(view: View | str) -> FaultModel | None:
    return None if isinstance(view, str) else view.model


def _repair(model: FaultModel | None, name: str) -> str:
    found = model.repairs_by_name.get(name) if model else None
    return found.title if found else name


def _finding(model: FaultModel | None, name: str, result: str | None) -> tuple[str, str]:
    variable = model.by_name.get(name) if model else None
    if result is None:
        said = "could not tell"
    elif variable is not None:
        said = result_words(variable, result).replace("_", " ")
    else:
        said = result.replace("_", " ")
    return (variable.title if variable else name), said


def _rows(rows: Iterable[tuple[str, str]]) -> str:
    """A table's body from pairs that are HTML already: what it is about, what is said."""
    lines = (f'<tr><th scope="row">{head}</th><td>{said}</td></tr>' for head, said in rows)
    return f"<tbody>{''.join(lines)}</tbody>"


# The sections, in order


def _stop(view: View) -> str:
    # A rule may begin with the word itself; it stands in the heading.
    said = view.told.stop.strip().removeprefix("Stop.").strip()
    return (
        f'<div class="stop" role="alert"><h2>STOP</h2><p>{safe(said)}</p>'
        "<p>The diagnosis ends here; no check is offered while this stands.</p></div>"
    )


def _desk(ticket: Ticket, view: View | str) -> list[str]:
    intake = ticket.intake
    model = _model(view)
    consent = joined(_CONSENT.get(name, name) for name in intake.consent)
    rows = [
        ("Machine", safe(model.title if model else ticket.model)),
        ("Opened", safe(_by(ticket.events[0]))),
        ("Complaint", _told(intake.complaint) or "-"),
        ("Visible condition", _told(intake.condition) or "-"),
        ("Left at the desk", _told(intake.left) or "-"),
        ("Customer agrees to", safe(consent) or "nothing written down"),
        ("Copy of the data", safe(_COPY.get(intake.data_copy or "", "not written down"))),
        ("May be spent", "no limit written down" if intake.limit is None
         else f"up to {_money(intake.limit, view)} without asking again"),
    ]  # fmt: skip
    if ticket.first_ticket is not None:
        rows.append(("Came back", f"it was here as ticket {ticket.first_ticket}"))
    if not ticket.open:
        causes = [model.by_name[c].title if model and c in model.by_name else c
                  for c in ticket.causes]  # fmt: skip
        rows.append(("Closed", safe(f"{minute_of(ticket.closed_at or '')} UTC, {ticket.outcome}")))
        rows.append(("Confirmed cause", safe(joined(causes)) or "none"))
    return [f'<table class="desk">{_rows(rows)}</table>']


def _money(amount: float, view: View | str) -> str:
    if isinstance(view, str):
        return f"{amount:,.2f} in the shop's currency"
    return safe(money(amount, view.shop.currency))


def _waiting(ticket: Ticket) -> list[str]:
    said = [f"<p><b>Blocked:</b> {_told(block)}</p>" for block in blocked_by(ticket)]
    if ticket.hand_over is not None:
        by = safe(f"Last hand-over, {_by(ticket.hand_over)}:")
        said.append(f"<p><b>{by}</b> {_told(_note(ticket.hand_over))}</p>")
    return ["<h2>Waiting and handed over</h2>", *said] if said else []


def _state(ticket: Ticket, view: View | str) -> list[str]:
    model = _model(view)
    stage = ticket.stage or (model.start if model else "as it came in")
    if model and stage in model.stages_by_name:
        stage = model.stages_by_name[stage].title
    said = ["<h2>State</h2>", f"<p>Stage now: <b>{safe(stage)}</b>.</p>"]
    rows = [
        (f"{safe(head)}: <b>{safe(result)}</b>", safe(f"{minute_of(event.at)}, {event.who}"))
        for event, head, result in _happened(ticket, model)
    ]
    heads = '<th scope="col">Found and done</th><th scope="col">When (UTC), by</th>'
    table = f'<table class="found"><thead><tr>{heads}</tr></thead>{_rows(rows)}</table>'
    said.append(table if rows else "<p>Nothing found yet.</p>")
    # After a stop nothing is said that could send somebody back to the machine.
    if not isinstance(view, str) and not view.told.stop:
        said += [f"<p>{safe(warning)}</p>" for warning in view.told.warnings]
    return said


def _happened(ticket: Ticket, model: FaultModel | None) -> list[tuple[Event, str, str]]:
    """Results and repairs that count, in order; of two results of one look the later one."""
    rows: dict[tuple[object, ...], tuple[Event, str, str]] = {}
    repairs = 0
    for event in ticket.counting():
        if event.kind is Happened.FOUND:
            key = ("found", repairs, event.data["finding"])
            rows.pop(key, None)
            rows[key] = (event, *_finding(model, event.data["finding"], event.data["result"]))
        elif event.kind in (Happened.TRIED, Happened.REPAIRED):
            cured = event.kind is Happened.REPAIRED
            repairs += not cured
            said = "made; the picture came back" if cured else "tried; it did not cure"
            rows["repair", event.number] = (event, _repair(model, event.data["repair"]), said)
    return list(rows.values())


def _proving(ticket: Ticket, view: View | str, at_work: bool) -> list[str]:
    model, name = _model(view), ticket.repaired or ""
    said = [f"<h2>Repair made: {safe(_repair(model, name))}</h2>"]
    repair = model.repairs_by_name.get(name) if model else None
    last = {e.data["test"]: e for e in ticket.counting() if e.kind is Happened.PROVED}
    results = {
        test: f"<b>{'passed' if passed else 'FAILED'}</b> ({safe(_by(last[test]))})"
        for test, passed in ticket.proofs.items()
    }
    if at_work and not all(ticket.proofs.values()):
        again = f"faultfinder tried {ticket.number} {name}"
        said.append(
            "<p><b>A test failed: the repair is not proved.</b> If the fault is still there, "
            f"enter: {safe(again)}</p>"
        )
    elif at_work:
        said.append("<p>It is proved when every test below has passed.</p>")
    if model is not None and repair is not None:
        said += _proofs(model, repair, results, at_work)
    listed = repair.proof if repair else ()
    others = [f"<li>{safe(test)}: {told}</li>" for test, told in results.items()
              if test not in listed]  # fmt: skip
    return [*said, f"<ul>{''.join(others)}</ul>"] if others else said


def _proofs(
    model: FaultModel, repair: Repair, results: Mapping[str, str], boxes: bool
) -> list[str]:
    """The proof tests, before the cover goes on and after, each with its result or boxes."""

    def line(proof: Proof) -> str:
        told = results.get(proof.name, "")
        if not told:
            told = _tick("passed") + _tick("failed") if boxes else "no result written down"
        how = f"{proof.title} ({minutes(proof.minutes)}): {' '.join(proof.how)}"
        return f"<li>{safe(how)} Passes when: {safe(proof.passes)}.<br>{told}</li>"

    chosen = [proof for proof in model.proofs if proof.name in repair.proof]
    first = "To prove it" if repair.stage == model.start else "Before the cover goes back on"
    said = []
    for heading, before in ((first, True), ("After closing", False)):
        lines = [line(proof) for proof in chosen if proof.before_cover is before]
        if lines:
            said.append(f"<h3>{heading}</h3><ul>{''.join(lines)}</ul>")
    return said


def _causes(ticket: Ticket, view: View) -> list[str]:
    """Whole percent, most likely first; the bar is a border, which printers do not leave out."""
    causes = list(view.told.causes.items())
    rows = "".join(
        f'<tr><th scope="row">{safe(view.cause(name))}</th>'
        f'<td class="number">{safe(percent(chance))}</td><td class="bars">'
        f'<div class="bar" style="width:{chance * 100:.0f}%"></div></td></tr>'
        for name, chance in causes[:CAUSES_SHOWN]
    )
    before = ", before the repair" if ticket.repaired is not None else ""
    rest = causes[CAUSES_SHOWN:]
    most = f" {counted(len(rest), 'other')}: {percent(rest[0][1])} or less." if rest else ""
    said = [
        f'<h2>Likely causes{before}</h2><table><thead><tr><th scope="col">Cause</th>'
        '<th scope="col" class="number">Likely</th><th scope="col">0 to 100 %</th>'
        f"</tr></thead><tbody>{rows}</tbody></table>",
        f"<p>Several may be present, so these do not add up to 100.{safe(most)}</p>",
    ]
    if view.quote is not None and ticket.repaired is None and not view.told.stop:
        said.append(_quote(ticket, view, view.quote))
    return said


def _quote(ticket: Ticket, view: View, quote: Quote) -> str:
    limit = ticket.intake.limit
    said = (
        f"Quote: {quote.low:.0f} to {quote.high:.0f} {view.shop.currency}, likely "
        f"{quote.likely:.0f} (dearer in {percent(quote.exceeds)} of such jobs)."
    )
    over = ""
    if limit is not None and quote.high > limit:
        over = " That may be more than may be spent: ask the customer before going beyond it."
    return f"<p><b>{safe(said)}</b>{over}</p>"


def _go_on(ticket: Ticket, view: View) -> list[str]:
    """The next check in full, or the repair, and the checks after it in short."""
    checks, best = view.checks, view.told.next
    if best is not None:
        said, rest, heading = _check(ticket, view, best), checks[1:], "After it"
    else:
        said, rest, heading = _advised(ticket, view), checks, "Checks that are open"
    if rest:
        said.append(f"<h2>{heading}</h2>")
        said += [_short(view, ranked) for ranked in rest[:CHECKS_AFTER]]
    return said


def _check(ticket: Ticket, view: View, best: RankedCheck) -> list[str]:
    check, page = view.check(best), _Html()
    why = f"It tells {gain_and_cost(view, best)}."
    if best.saves is not None and best.saves >= 0.005:
        why += f" It takes {money(best.saves, view.shop.currency)} off the job's average cost."
    add_route(page, view, best.route, check.stage, best.check, always=True)
    add_how(page, check)
    meaning = _Html()
    add_results(meaning, view, best)
    stops = _caution(safety_words(view.model))
    return [
        f"<h2>Next check: {safe(check.title)}</h2><p>{safe(why)}</p>{stops}",
        f"{page}<h3>Tick what was found</h3>{_boxes(view, check)}",
        f"<p>Then enter it: faultfinder found {ticket.number} NAME=RESULT</p>{meaning}",
    ]


def _boxes(view: View, check: Check) -> str:
    """An empty box for each result of each finding that is still open."""
    said = ""
    for name in view.still_open(check):
        variable = view.model.by_name[name]
        words = [result_words(variable, state).replace("_", " ") for state in variable.states]
        ticks = "".join(_tick(text) for text in (*words, "could not tell"))
        said += f"<p>{safe(variable.title)} ({safe(name)}):<br>{ticks}</p>"
    return said


def _short(view: View, ranked: RankedCheck) -> str:
    check = view.check(ranked)
    said = f"{gain_and_cost(view, ranked)}. Stage: {view.model.stages_by_name[check.stage].title}."
    if ranked.route.moves:
        said += " The way there and its cautions: see the stages below."
    if check.tools:
        said += f" Tools: {', '.join(check.tools)}."
    head = f"<h3>{safe(check.title)} ({safe(check.name)})</h3>"
    return f"{head}{_caution(check.caution)}<p>{safe(said)}</p>{_boxes(view, check)}"


def _advised(ticket: Ticket, view: View) -> list[str]:
    """No check is worth its cost: the repair with its proof tests, or handing over."""
    model, advice, currency = view.model, view.advice, view.shop.currency
    if advice is None:
        return [
            "<h2>No check is worth its cost any more</h2><p>Decide on what is known: repair what "
            "is most likely, or hand over.</p>"
        ]
    cost = money(advice.cost, currency)
    repair = model.repairs_by_name.get(advice.name)
    if repair is None:
        return [
            "<h2>Hand over unrepaired</h2><p>Every repair costs more than it can win (expected "
            f"cost {safe(cost)}). Save the customer's data first where it is wanted.</p>"
        ]
    page = _Html()
    page.text(f"The whole job costs {cost} on average with this repair first.")
    add_route(page, view, view.repair_route, repair.stage, always=True)
    page.item("Caution:", repair.caution)
    page.text(f"Work: {minutes(repair.minutes)}.")
    part = repair.part
    if part.high > 0:
        what = "Specialist" if repair.hand_over else "Part"
        wait = f", {repair.lead_days:g} days' wait" if repair.lead_days else ""
        likely = f"likely {part.likely:g}{wait}"
        page.text(f"{what}: {part.low:g} to {part.high:g} {currency}, {likely}.")
    if repair.tools:
        page.text(f"Tools: {', '.join(repair.tools)}.")
    page.numbered(repair.how)
    if repair.risk is not None:
        then = money(repair.risk.cost, currency)
        page.text(f"Risk: {repair.risk.says} ({percent(repair.risk.chance)}; then {then})")
    verb = "Hand over to a specialist" if repair.hand_over else "Repair now"
    head = f"<h2>{verb}: {safe(repair.title)}</h2>{_caution(safety_words(view.model))}"
    again = f"<p>If the picture is not back, enter: faultfinder tried {ticket.number} "
    proofs = _proofs(model, repair, {}, boxes=True)
    return [head, str(page), f"{again}{safe(repair.name)}</p>", *proofs]


def _stages(view: View) -> list[str]:
    """All stages, the nearest first, each with the last move to it and its cautions."""
    model, now = view.model, view.told.stage
    ways = {end: way for (start, end), way in all_routes(model).items() if start == now}
    lines = []
    for name, way in sorted(ways.items(), key=lambda item: item[1].minutes):
        stage = model.stages_by_name[name]
        said = f"{stage.title}: the machine is here now."
        cautions = [stage.caution]
        if way.moves:
            last = way.moves[-1]
            after = f", after: {model.stages_by_name[last.start].title}" if way.moves[:-1] else ""
            said = f"{stage.title}: {minutes(way.minutes)} from here{after}."
            cautions = [last.caution, stage.caution]
        warned = "".join(_caution(caution) for caution in dict.fromkeys(cautions))
        body = f"<b>{safe(said)}</b>" if name == now else safe(said)
        lines.append(f"<li>{body}{warned}</li>")
    return [f'<h2>Stages, from where it is now</h2><ol class="stages">{"".join(lines)}</ol>']


def _notes(ticket: Ticket) -> list[str]:
    lines = [
        f"<p><b>{safe(_by(event))}:</b> {_told(_note(event))}</p>"
        for event in ticket.counting()
        if event.kind is Happened.NOTE
    ]
    return ["<h2>Notes</h2>", *lines] if lines else []


def _note(event: Event) -> str:
    return event.texts.get("note") or "(the text was erased)"
