"""One ticket as one self-contained HTML page for the bench: to print, or open on a tablet.

The page lies about where anybody may read it, so nothing on it says whose machine it is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from faultfinder.consultation.in_words import repair_verb
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.model.parts import Check, FaultModel, Repair
from faultfinder.model.routes import all_routes
from faultfinder.report.consultation.check import add_how, add_results, add_route, gain_and_cost
from faultfinder.report.consultation.repair import (
    add_work,
    hand_over_words,
    proof_groups,
    quote_words,
)
from faultfinder.report.consultation.view import View, result_words
from faultfinder.report.html import minute_of, render
from faultfinder.report.page import Page
from faultfinder.report.plan.words import BATTERY, safety_words
from faultfinder.report.ticket.standing import blocked_by, desk_rows
from faultfinder.report.wording import counted, joined, minutes, money, percent
from faultfinder.tickets.events import Event, Note, Proved, Tried
from faultfinder.tickets.ticket import Ticket

NOTE_SHOWN = 2_000
"""Characters of a text in somebody's own words that are put on the sheet."""

LINES_SHOWN = 60
"""Lines of such a text."""

TEXT_GONE = "(the text was erased)"

CAUSES_SHOWN = 6
CHECKS_AFTER = 3


class Said(NamedTuple):
    """What a line is about, and words of ours or somebody's own; `cut` says that they go on."""

    head: str
    text: str
    cut: str = ""


class Boxes(NamedTuple):
    """A finding that is open, with a box to tick for each of its results."""

    title: str
    results: Sequence[str]


class Proving(NamedTuple):
    """A proof test with its result, or boxes for it, or (with neither) nothing written down."""

    how: str
    passes: str = ""
    result: str = ""
    by: str = ""
    boxes: Sequence[str] = ()


def sheet_page(ticket: Ticket, view: View | str) -> str:
    """The page; `view` is the ticket's diagnosis, or the sentence why there is none."""
    known = None if isinstance(view, str) else view
    stopped = known is not None and bool(known.told.stop)
    at_work = ticket.open and not stopped
    going = known if known is not None and at_work else None
    advised = going is not None and ticket.repaired is None
    title = f"Ticket {ticket.number}: {'open' if ticket.open else 'closed, ' + ticket.outcome}"
    return render(
        "sheet.html",
        title=f"Bench sheet, ticket {ticket.number}",
        heading=title,
        stop=known.told.stop_said if known and stopped else "",
        desk=_desk(ticket, view),
        waiting=_waiting(ticket),
        stage=_stage(ticket, known),
        happened=[
            (title, result, f"{minute_of(event.at)}, {event.who}")
            for event, title, result in _happened(ticket, known.model if known else None)
        ],
        # After a stop nothing is said that could send somebody back to the machine.
        warnings=() if known is None or stopped else known.told.warnings,
        proving=None if ticket.repaired is None else _proving(ticket, known, at_work),
        no_diagnosis=view if isinstance(view, str) else "",
        battery=BATTERY,
        causes=_causes(ticket, known) if known is not None and ticket.open else None,
        next_check=_check(ticket, going) if going and advised else None,
        repair=_advised(ticket, going) if going and advised else None,
        later=_later(going) if going and advised else [],
        stages=_stages(going) if going else [],
        notes=_notes(ticket),
    )


# Text


def _said(head: str, text: str) -> Said:
    """Blank lines go, other lines stay; what is too long is cut."""
    lines = re.sub(r"\n\s*\n", "\n", text[:NOTE_SHOWN].replace("\r\n", "\n")).split("\n")
    shown = "\n".join(lines[:LINES_SHOWN])
    if len(text) <= NOTE_SHOWN and len(lines) <= LINES_SHOWN:
        return Said(head, shown)
    cut = f"Cut here: it has {len(text):,} characters, {len(shown):,} are shown."
    return Said(head, shown, cut)


def _by(event: Event) -> str:
    return f"{minute_of(event.at)} UTC, {event.who}"


# The sections, in order


def _desk(ticket: Ticket, view: View | str) -> list[Said]:
    model = None if isinstance(view, str) else view.model
    currency = "in the shop's currency" if isinstance(view, str) else view.shop.currency
    rows = [
        ("Machine", model.title if model else ticket.model),
        ("Opened", _by(ticket.events[0])),
        *((head, said or "not written down") for head, said in desk_rows(ticket, currency)),
    ]
    if ticket.first_ticket is not None:
        rows.append(("Came back", f"it was here as ticket {ticket.first_ticket}"))
    if not ticket.open:
        causes = [
            model.by_name[cause].title if model and cause in model.by_name else cause
            for cause in ticket.causes
        ]
        rows.append(("Closed", f"{minute_of(ticket.closed_at or '')} UTC, {ticket.outcome}"))
        rows.append(("Confirmed cause", joined(causes) or "none"))
        if ticket.bench_minutes is not None:
            rows.append(("Bench time", minutes(ticket.bench_minutes)))
    return [_said(head, text) for head, text in rows]


def _waiting(ticket: Ticket) -> list[Said]:
    said = [_said("Blocked", block) for block in blocked_by(ticket)]
    if ticket.hand_over is not None:
        head = f"Last hand-over, {_by(ticket.hand_over)}"
        said.append(_said(head, ticket.hand_over_note or TEXT_GONE))
    return said


def _stage(ticket: Ticket, view: View | None) -> str:
    stage = ticket.stage or (view.model.start if view else "as it came in")
    known = view.model.stages_by_name.get(stage) if view else None
    return known.title if known else stage


class _Titles:
    """How this page calls what the model names; without a model, as the log does."""

    def __init__(self, model: FaultModel | None) -> None:
        self._variables = {} if model is None else model.by_name
        self._repairs = {} if model is None else model.repairs_by_name

    def finding(self, name: str) -> str:
        return self._variables[name].title if name in self._variables else name

    def result(self, finding: str, result: str | None) -> str:
        if result is None:
            return "could not tell"
        variable = self._variables.get(finding)
        return (result_words(variable, result) if variable else result).replace("_", " ")

    def repair(self, name: str) -> str:
        return self._repairs[name].title if name in self._repairs else name


def _happened(ticket: Ticket, model: FaultModel | None) -> list[tuple[Event, str, str]]:
    """Results and repairs that count, in order; of two results of one look the later one."""
    rows: dict[tuple[object, ...], tuple[Event, str, str]] = {}
    tried = 0
    for event in ticket.counting():
        row = event.entry.row(_Titles(model))
        if row is None:
            continue
        name, title, said = row
        tried += isinstance(event.entry, Tried)
        key = (tried, name) if name else (event.number,)
        rows.pop(key, None)
        rows[key] = (event, title, said)
    return list(rows.values())


def _proving(ticket: Ticket, view: View | None, at_work: bool) -> dict[str, Any]:
    """The repair made, what is to be said of its tests, and the tests in groups."""
    model, name = view.model if view else None, ticket.repaired or ""
    repair = model.repairs_by_name.get(name) if model else None
    last = {e.entry.test: e for e in ticket.counting() if isinstance(e.entry, Proved)}
    results = {
        test: ("passed" if passed else "FAILED", _by(last[test]))
        for test, passed in ticket.proofs.items()
    }
    listed = repair.proof if repair else ()
    groups = _proofs(model, repair, results, at_work) if model and repair else []
    others = [Proving(test, "", *results[test]) for test in results if test not in listed]
    failed = not all(ticket.proofs.values())
    return {
        "title": _Titles(model).repair(name),
        "again": f"faultfinder tried {ticket.number} {name}" if at_work and failed else "",
        "open": at_work and not failed,
        "groups": [*groups, *([("", others)] if others else [])],
    }


def _proofs(
    model: FaultModel, repair: Repair, results: Mapping[str, tuple[str, str]], boxes: bool
) -> list[tuple[str, list[Proving]]]:
    """The proof tests, before the cover goes on and after, each with its result or boxes."""
    return [
        (
            heading,
            [
                Proving(
                    f"{proof.title} ({minutes(proof.minutes)}): {' '.join(proof.how)}",
                    proof.passes,
                    *results.get(proof.name, ("", "")),
                    boxes=("passed", "failed") if boxes and proof.name not in results else (),
                )
                for proof in chosen
            ],
        )
        for heading, chosen in proof_groups(model, repair)
    ]


def _causes(ticket: Ticket, view: View) -> dict[str, Any]:
    """Whole percent, most likely first, what the others come to, and the quote."""
    causes = list(view.told.causes.items())
    rest = causes[CAUSES_SHOWN:]
    quote, said, over = view.quote, "", ""
    if quote is not None and ticket.repaired is None and not view.told.stop:
        said = f"Quote: {quote_words(quote, view.shop.currency)}"
        limit = ticket.intake.limit
        if limit is not None and quote.high > limit:
            over = "That may be more than may be spent: ask the customer before going beyond it."
    return {
        "before": ", before the repair" if ticket.repaired is not None else "",
        "rows": [(view.cause(name), chance) for name, chance in causes[:CAUSES_SHOWN]],
        "most": f"{counted(len(rest), 'other')}: {percent(rest[0][1])} or less." if rest else "",
        "quote": said,
        "over": over,
    }


def _check(ticket: Ticket, view: View) -> dict[str, Any] | None:
    """The next check in full; None where the next step is none."""
    best = view.told.next
    if best is None:
        return None
    check, work, meaning = view.check(best), Page(), Page()
    why = f"It tells {gain_and_cost(view, best)}."
    if best.saves is not None and best.saves >= 0.005:
        why += f" It takes {money(best.saves, view.shop.currency)} off the job's average cost."
    add_route(work, view, best.route, check.stage, best.check, always=True)
    add_how(work, check)
    add_results(meaning, view, best)
    return {
        "title": check.title,
        "why": why,
        "safety": safety_words(view.model),
        "work": work,
        "boxes": _boxes(view, check),
        "enter": f"faultfinder found {ticket.number} NAME=RESULT",
        "meaning": meaning,
    }


def _boxes(view: View, check: Check) -> list[Boxes]:
    """An empty box for each result of each finding that is still open."""
    made = []
    for name in view.still_open(check):
        variable = view.model.by_name[name]
        words = [result_words(variable, state).replace("_", " ") for state in variable.states]
        made.append(Boxes(f"{variable.title} ({name})", (*words, "could not tell")))
    return made


def _later(view: View) -> list[dict[str, Any]]:
    """The checks after the next step, in short."""
    rest = view.checks[1:] if view.told.next is not None else view.checks
    return [_short(view, ranked) for ranked in rest[:CHECKS_AFTER]]


def _short(view: View, ranked: RankedCheck) -> dict[str, Any]:
    check = view.check(ranked)
    said = f"{gain_and_cost(view, ranked)}. Stage: {view.model.stages_by_name[check.stage].title}."
    if ranked.route.moves:
        said += " The way there and its cautions: see the stages below."
    if check.tools:
        said += f" Tools: {', '.join(check.tools)}."
    title = f"{check.title} ({check.name})"
    boxes = _boxes(view, check)
    return {"title": title, "caution": check.caution, "said": said, "boxes": boxes}


def _advised(ticket: Ticket, view: View) -> dict[str, Any] | None:
    """No check is worth its cost: the repair with its proof tests, or handing over."""
    if view.told.next is not None:
        return None
    model, advice, work = view.model, view.advice, Page()
    repair = model.repairs_by_name.get(advice.name) if advice else None
    if advice is None:
        heading = "No check is worth its cost any more"
        work.text("Decide on what is known: repair what is most likely, or hand over.")
    elif repair is None:
        heading = "Hand over unrepaired"
        work.text(hand_over_words(view))
    else:
        cost = money(advice.cost, view.shop.currency)
        heading = f"{repair_verb(repair)}: {repair.title}"
        work.text(f"The whole job costs {cost} on average with this repair first.")
        add_route(work, view, view.repair_route, repair.stage, always=True)
        add_work(work, model, repair, view.shop.currency)
    return {
        "heading": heading,
        "safety": safety_words(model) if repair else "",
        "work": work,
        "again": f"faultfinder tried {ticket.number} {repair.name}" if repair else "",
        "groups": _proofs(model, repair, {}, boxes=True) if repair else [],
    }


def _stages(view: View) -> list[tuple[str, bool, list[str]]]:
    """All stages, the nearest first: how to get there, whether it is there, cautions."""
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
        lines.append((said, name == now, list(dict.fromkeys(cautions))))
    return lines


def _notes(ticket: Ticket) -> list[Said]:
    return [
        _said(_by(event), event.entry.note or TEXT_GONE)
        for event in ticket.counting()
        if isinstance(event.entry, Note)
    ]
