"""Commands on tickets: from intake to closing."""

from __future__ import annotations

import json

import click

from faultfinder.cli.looking import Answer, Bench, findings_of, pick_model, read_answer
from faultfinder.cli.on_ticket import bench_of, now, open_ticket, view_of, who, write
from faultfinder.cli.options import AS_JSON, MODEL, SAW, STAGE
from faultfinder.cli.repaired import find_repair
from faultfinder.decide.answers import find_stage
from faultfinder.decide.bench import look_stage
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Kind
from faultfinder.report.view import View
from faultfinder.tickets.events import NOTE_LIMIT, Happened, Outcome
from faultfinder.tickets.store import Entry, open_store
from faultfinder.tickets.ticket import Ticket, check_take_back

_BY = click.option("--by", metavar="WHO", help="Who does it; else FAULTFINDER_WHO or the user.")
_NUMBER = click.argument("ticket", type=click.IntRange(1), metavar="TICKET")


def _answers(bench: Bench, typed: tuple[str, ...]) -> tuple[Answer, ...]:
    answers = tuple(read_answer(bench.compiled, one) for one in typed)
    findings_of(answers)
    return answers


def _found(bench: Bench, answers: tuple[Answer, ...]) -> list[Entry]:
    digest = bench.compiled.model.digest[:12]
    return [
        (Happened.FOUND, {"finding": a.name, "result": a.result, "model": digest}) for a in answers
    ]


def _show_next(state: Ticket) -> None:
    from faultfinder.report.text_next import next_page

    click.echo(next_page(view_of(state)))


@click.command("intake", short_help="Open a ticket.")
@MODEL
@SAW
@click.option("--complaint", default="", metavar="TEXT", help="What the customer says.")
@_BY
def intake(model: str | None, saw: tuple[str, ...], complaint: str, by: str | None) -> None:
    """Open a ticket, and print its number and the next check."""
    name = pick_model(model)
    bench = Bench(load_model(name), read_shop())
    answers = _answers(bench, saw)
    # Judged before it is kept: what the model holds impossible is not opened with.
    bench.diagnose(answers, None)
    store = open_store()
    entries = _found(bench, answers)
    number = store.intake(name, now(), who(by), _text(complaint), entries)
    click.echo(f"Ticket {number} opened.\n")
    _show_next(store.ticket(number))


@click.command("found", short_help="Write down what was found.")
@_NUMBER
@click.argument("results", nargs=-1, required=True, metavar="NAME=RESULT...")
@STAGE
@_BY
def found(ticket: int, results: tuple[str, ...], stage: str | None, by: str | None) -> None:
    """Write down results, and print what they changed and the next check.

    After a repair that did not cure they speak of the machine as it is.
    """
    store, state = open_ticket(ticket)
    bench, _ = bench_of(state)
    entries = _found(bench, _answers(bench, results))
    if stage is not None:
        entries.append((Happened.MOVED, {"stage": find_stage(bench.compiled.model, stage)}))
    _show_next(write(store, state, by, entries))


@click.command("tried", short_help="A repair that did not cure.")
@_NUMBER
@click.argument("repair")
@_BY
def tried(ticket: int, repair: str, by: str | None) -> None:
    """Write down that REPAIR was made and did not cure, and print what to do next."""
    store, state = open_ticket(ticket)
    bench, _ = bench_of(state)
    made = find_repair(bench.compiled, repair)
    if any(step.repair == made.name for step in state.tried):
        raise MisuseError(f"{made.title} is on the ticket already.")
    stage = look_stage(bench.compiled, made)
    entry = (Happened.TRIED, {"repair": made.name, "stage": stage})
    _show_next(write(store, state, by, [entry]))


@click.command("note", short_help="Add a note.")
@_NUMBER
@click.argument("text")
@_BY
def note(ticket: int, text: str, by: str | None) -> None:
    """Add a note for whoever goes on."""
    store = open_store()
    state = store.ticket(ticket)
    write(store, state, by, [(Happened.NOTE, {"text": _text(text)})])
    click.echo(f"Noted on ticket {ticket}.")


@click.command("takeback", short_help="Take an entry back.")
@_NUMBER
@click.argument("entry", type=click.IntRange(1))
@_BY
def takeback(ticket: int, entry: int, by: str | None) -> None:
    """Take back an entry of the log, by its number; the log keeps both."""
    store = open_store()
    state = store.ticket(ticket)
    check_take_back(state, entry)
    after = write(store, state, by, [(Happened.TAKEN_BACK, {"event": entry})])
    click.echo(f"Entry {entry} of ticket {ticket} is taken back.")
    if after.open:
        click.echo("")
        _show_next(after)


@click.command("close", short_help="Close a ticket.")
@_NUMBER
@click.option("--cause", "causes", multiple=True, metavar="CAUSE",
              help="A confirmed cause. May be repeated.")  # fmt: skip
@click.option("--outcome", type=click.Choice([str(o) for o in Outcome]), help="How it ended.")
@_BY
def close(ticket: int, causes: tuple[str, ...], outcome: str | None, by: str | None) -> None:
    """Close a ticket with its confirmed cause or causes, or how else it ended."""
    store, state = open_ticket(ticket)
    bench, _ = bench_of(state)
    model = bench.compiled.model
    known = {variable.name for variable in model.of_kind(Kind.CAUSE)}
    for cause in causes:
        if cause not in known:
            raise MisuseError(f'There is no cause "{cause}". {did_you_mean(cause, known)}')
    if outcome is None and not causes:
        raise MisuseError("Say the confirmed cause with --cause, or how it ended with --outcome.")
    ended = outcome or str(Outcome.REPAIRED)
    if ended == Outcome.REPAIRED and not causes:
        raise MisuseError("A repaired machine has a confirmed cause: name it with --cause.")
    data = {"outcome": ended, "causes": list(causes), "model": model.digest[:12]}
    write(store, state, by, [(Happened.CLOSED, data)])
    click.echo(f"Ticket {ticket} closed: {ended}.")


@click.command("ticket", short_help="One ticket with its log.")
@_NUMBER
@AS_JSON
def show(ticket: int, as_json: bool) -> None:
    """One ticket: where it stands, and its log with numbers to take entries back by."""
    from faultfinder.report.text_ticket import ticket_json, ticket_page

    state = open_store().ticket(ticket)
    if as_json:
        click.echo(json.dumps(ticket_json(state), indent=2))
    else:
        click.echo(ticket_page(state))


@click.command("tickets", short_help="Open tickets.")
@AS_JSON
def listing(as_json: bool) -> None:
    """Open tickets: where each stands, how sure the diagnosis is, and what comes next."""
    from faultfinder.report.text_ticket import tickets_json, tickets_page

    rows: list[tuple[Ticket, View | str]] = []
    for state in open_store().open_tickets():
        try:
            rows.append((state, view_of(state)))
        except FaultfinderError as error:
            rows.append((state, str(error)))
    click.echo(json.dumps(tickets_json(rows), indent=2) if as_json else tickets_page(rows))


def _text(text: str) -> str:
    if len(text) > NOTE_LIMIT:
        raise MisuseError(
            f"The text is {len(text):,} characters long; the limit is {NOTE_LIMIT:,}."
        )
    return text
