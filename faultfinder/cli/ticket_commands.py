"""Commands that open a ticket and write down what was seen and done on the bench."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime

import click

from faultfinder.cli import completing
from faultfinder.cli.bench_words import (
    CURED,
    read_bench,
    refuse_causes,
    refuse_corrections,
    stage_for,
)
from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import (
    case_of,
    compiled_of,
    found_by,
    keep_model,
    now,
    open_ticket,
    remember,
    the_store,
    view_of,
    who,
    write,
)
from faultfinder.cli.options import AGE, AMOUNT, BY, DB, MODEL, SAW, STAGE, TICKET, WORTH
from faultfinder.cli.terminal import bold_allowed, columns, echo_screens, watched
from faultfinder.cli.typed import Typed, pick_model, read_all_typed
from faultfinder.consultation.bench import look_stage
from faultfinder.consultation.case import Case, find_repair, worth_of
from faultfinder.consultation.consult import consult
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import find_stage, fold
from faultfinder.model.parts import Kind
from faultfinder.model.was import Was
from faultfinder.report.wording import harmless
from faultfinder.tickets.events import (
    CONSENTS,
    Entry,
    Found,
    Intake,
    Judged,
    Moved,
    Note,
    Person,
    Remodelled,
    TakenBack,
    Tried,
)
from faultfinder.tickets.kept_models import version_of
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket, check_take_back


def found_entries(compiled: CompiledModel, results: Iterable[Typed]) -> list[Found]:
    """Findings to write down, each with the model version under which it was read."""
    digest = version_of(compiled.model)
    return [Found(name, result, digest) for name, result in results]


def show_next(store: Store, state: Ticket, *before: str) -> None:
    """The page of what comes next on a ticket, with what must be said before it."""
    from faultfinder.report.ticket.text import ticket_screens

    try:
        view = view_of(store, state)
        pages = ticket_screens(state, view, now(), before, columns(), bold_allowed())
    except FaultfinderError as error:
        # What was entered stands all the same.
        echo_screens(
            ["\n".join([*before, harmless(f"What comes next cannot be worked out: {error}")])]
        )
        return
    echo_screens(pages)
    remember(store, state, view)


@click.command("intake", short_help="Open a ticket.")
@MODEL
@SAW
@click.option("--complaint", default="", metavar="TEXT", help="What the customer says.")
@click.option("--condition", default="", metavar="TEXT", help="Visible condition: marks, dents.")
@click.option("--left", multiple=True, metavar="THING",
              help="Left at the desk with it: charger, bag. May be repeated.")  # fmt: skip
@click.option("--consent", multiple=True, type=click.Choice(CONSENTS),
              help="What the customer agrees to. May be repeated.")  # fmt: skip
@click.option("--data-copy", type=click.Choice(["yes", "no", "unknown"]),
              help="Whether the customer has a copy of the data.")  # fmt: skip
@click.option("--limit", type=AMOUNT, metavar="AMOUNT",
              help="What may be spent without asking again.")  # fmt: skip
@WORTH
@AGE
@click.option("--customer", default="", metavar="NAME", help="Not needed; can be erased later.")
@click.option("--contact", default="", metavar="TEXT", help="Not needed; can be erased later.")
@click.option("--serial", default="", metavar="TEXT", help="Not needed; can be erased later.")
@click.option("--comeback-of", type=click.IntRange(1), metavar="TICKET",
              help="The closed ticket of a machine that came back.")  # fmt: skip
@DB
@BY
@click.argument("ticket", required=False, type=click.IntRange(1), metavar="[TICKET]")
def intake(
    model: str | None,
    saw: tuple[str, ...],
    complaint: str,
    condition: str,
    left: tuple[str, ...],
    consent: tuple[str, ...],
    data_copy: str | None,
    limit: float | None,
    worth: float | None,
    age: float | None,
    comeback_of: int | None,
    by: str | None,
    ticket: int | None,
    **person: str,
) -> None:
    """Open a ticket, and print its number and the next check.

    At a terminal, with nothing to write down, it asks one thing at a time; with the number of a
    TICKET it goes on where that was broken off.
    """
    said = (saw, complaint, condition, left, consent, data_copy, limit, worth, age, comeback_of)
    bare = not any(said) and not any(person.values())
    if ticket is not None and (not bare or model):
        raise MisuseError(f"To go on with ticket {ticket}, type its number alone.")
    if ticket is not None or (bare and watched()):
        from faultfinder.cli.counter import at_the_counter

        at_the_counter(model, by, ticket)
        return
    first = None if comeback_of is None else the_store().ticket(comeback_of)
    if first is not None and first.open:
        raise FaultfinderError(
            f"Ticket {first.number} is still open: go on with it instead of opening another."
        )
    name = pick_model(model or (first.model if first else None))
    compiled, shop = named_model(name), read_shop()
    results = read_all_typed(compiled, saw)
    refuse_causes(Case(compiled, shop=shop), list(results.items()))
    # Judged before it is kept: what the model holds impossible is not opened with.
    consult(Case(compiled, results, shop=shop))
    store = the_store(make=True)
    taken = Intake(
        model=name,
        version=keep_model(store, compiled, name),
        consent=tuple(sorted(set(consent))),
        data_copy=data_copy,
        limit=limit,
        worth=worth_of(compiled, worth, age),
        comeback_of=None if first is None else first.number,
        complaint=complaint,
        condition=condition,
        left=", ".join(left),
        **person,
    )
    entries = [taken, *found_entries(compiled, results.items())]
    number = store.intake(name, now(), who(by), entries, comeback_of)
    words = [f"Ticket {number} opened."]
    if first is not None:
        words.append(_comeback_words(first, shop.guarantee_days))
    show_next(store, store.ticket(number), *words)


def _comeback_words(first: Ticket, guarantee_days: float) -> str:
    closed = datetime.strptime(first.closed_at or "", "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    days = (datetime.now(UTC) - closed).days
    within = "within" if days <= guarantee_days else "after"
    causes = f" ({', '.join(first.causes)})" if first.causes else ""
    return (
        f"It comes back {days} days after ticket {first.number} was closed as "
        f"{first.outcome}{causes}, {within} the guarantee of {guarantee_days:.0f} days."
    )


@click.command("person", short_help="Name, contact or serial number, after intake.")
@TICKET
@click.option("--customer", default="", metavar="NAME")
@click.option("--contact", default="", metavar="TEXT")
@click.option("--serial", default="", metavar="TEXT")
@DB
@BY
def person(ticket: int, customer: str, contact: str, serial: str, by: str | None) -> None:
    """Write down who brought it. None of it is needed, and all of it can be erased."""
    given = Person(customer, contact, serial)
    if not given.as_texts():
        raise MisuseError("Give --customer, --contact or --serial.")
    store, state = open_ticket(ticket)
    write(store, state, by, [given])
    click.echo(f"Written on ticket {ticket}: {', '.join(given.as_texts())}.")


@click.command("found", short_help="Write down what was found.")
@TICKET
@click.argument("results", nargs=-1, metavar="NAME=RESULT...", shell_complete=completing.at_bench)
@STAGE
@click.option("--judgement", is_flag=True, help="A cause by your own judgement, without proof.")
@DB
@BY
def found(
    ticket: int, results: tuple[str, ...], stage: str | None, judgement: bool, by: str | None
) -> None:
    """Write down results, and print the next step.

    NAME is a finding or a check; RESULT a word, its number on the page, or a reading. The ticket
    moves to the stage in which that is found, unless it can be found where the machine stands.
    After a repair that did not cure they speak of the machine as it is.
    """
    if not results and stage is None:
        raise MisuseError("Give a result as NAME=RESULT, or the teardown stage with --stage.")
    if any(fold(one) in CURED for one in results):
        raise MisuseError(
            "Some work brought the picture back: name it, and its proof tests come next: "
            f'"faultfinder repaired {ticket} REPAIR".'
        )
    store, state = open_ticket(ticket)
    if results and state.repaired:
        raise FaultfinderError(
            f"Ticket {ticket} says that {state.repaired} brought the picture back. Write down its "
            f'proof tests with "faultfinder proved {ticket} TEST=pass"; if the fault is there '
            f'again, "faultfinder tried {ticket} {state.repaired}" first.'
        )
    case = case_of(store, state)
    told = read_bench(case.model, results)
    before = consult(case)
    entries: list[Entry] = []
    if judgement:
        told, entries = _judged(case.model, told)
    refuse_causes(case, told, ticket)
    refuse_corrections(before, told, found_by(state), ticket)
    if not state.tried:
        # What the model holds impossible is refused before it is written.
        consult(replace(case, results={**case.results, **dict(told)}))
    entries += found_entries(case.model, told)
    moved = stage_for(before, [name for name, _ in told])
    if stage is not None:
        moved = find_stage(case.model.model, stage)
    if moved is not None:
        entries.append(Moved(moved))
    said = [] if moved is None else [f"Now: {case.model.model.stages_by_name[moved].title}."]
    show_next(store, write(store, state, by, entries), *said)


def _judged(compiled: CompiledModel, told: list[Typed]) -> tuple[list[Typed], list[Entry]]:
    """Causes among the results as own judgement, and the rest."""
    by_name = compiled.model.by_name
    causes = [(name, result) for name, result in told if by_name[name].kind is Kind.CAUSE]
    if not causes:
        raise MisuseError("--judgement goes with a cause, as in panel=cracked.")
    digest = version_of(compiled.model)
    named: list[Entry] = [Judged(name, result, digest) for name, result in causes if result]
    if len(named) < len(causes):
        raise MisuseError("A judgement names what the cause is, as in panel=cracked.")
    return [one for one in told if one not in causes], named


@click.command("tried", short_help="A repair that did not cure.")
@TICKET
@click.argument("repair", shell_complete=completing.repairs)
@DB
@BY
def tried(ticket: int, repair: str, by: str | None) -> None:
    """Write down that REPAIR was made and did not cure, and print what to do next."""
    store, state = open_ticket(ticket)
    compiled = compiled_of(store, state)
    made = find_repair(compiled, repair)
    if any(step.repair == made.name for step in state.tried):
        raise MisuseError(f"{made.title} is on the ticket already.")
    stage = look_stage(compiled, made)
    show_next(store, write(store, state, by, [Tried(made.name, stage)]))


@click.command("note", short_help="Add a note.")
@TICKET
@click.argument("text")
@click.option("--hand-over", is_flag=True, help="For whoever goes on: shown first.")
@DB
@BY
def note(ticket: int, text: str, hand_over: bool, by: str | None) -> None:
    """Add a note."""
    store = the_store()
    state = store.ticket(ticket)
    if not text.strip():
        raise MisuseError("The note says nothing.")
    write(store, state, by, [Note(text, hand_over)])
    click.echo(f"Noted on ticket {ticket}.")


@click.command("takeback", short_help="Take an entry back.")
@TICKET
@click.argument("entry", type=click.IntRange(1))
@DB
@BY
def takeback(ticket: int, entry: int, by: str | None) -> None:
    """Take back an entry of the log, by its number; the log keeps both."""
    store = the_store()
    state = store.ticket(ticket)
    check_take_back(state, entry)
    after = write(store, state, by, [TakenBack(entry)])
    said = f"Entry {entry} of ticket {ticket} is taken back."
    if after.open:
        show_next(store, after, said)
    else:
        click.echo(said)


@click.command("remodel", short_help="Go on with the present model.")
@TICKET
@DB
@BY
def remodel(ticket: int, by: str | None) -> None:
    """Let a ticket go by the model as it is now, instead of the version it began with."""
    store, state = open_ticket(ticket)
    compiled = named_model(state.model)
    model = compiled.model
    was = Was(model)
    names = [*state.findings, *(name for step in state.tried for name in step.findings)]
    for old in names:
        name, _ = was.finding(old, None)
        if name not in model.by_name:
            hint = did_you_mean(name, model.by_name)
            raise FaultfinderError(
                f"The present {model.name} has no finding {name}, which ticket {ticket} holds. "
                f"Take that entry back first. {hint}"
            )
    for name, result in was.findings(state.findings).items():
        if result is not None and result not in model.by_name[name].states:
            raise FaultfinderError(
                f"In the present {model.name}, {name} cannot be {result}, as ticket {ticket} "
                "says. Take that entry back first."
            )
    digest = version_of(model)
    if state.version == digest:
        raise FaultfinderError(f"Ticket {ticket} goes by the present {model.name} already.")
    keep_model(store, compiled, state.model)
    show_next(store, write(store, state, by, [Remodelled(digest)]))
