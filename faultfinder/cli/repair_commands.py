"""Commands from ordering a part to closing: repaired, proved, ordered, arrived, held, closed."""

from __future__ import annotations

import click

from faultfinder.cli import completing
from faultfinder.cli.on_ticket import compiled_of, open_ticket, the_store, write
from faultfinder.cli.options import AMOUNT, BY, DAY, DB, TICKET, TIME
from faultfinder.cli.ticket_commands import show_next
from faultfinder.consultation.bench import look_stage
from faultfinder.consultation.case import find_repair
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.report.wording import counted, harmless, minutes
from faultfinder.tickets.events import (
    Agreed,
    Arrived,
    Closed,
    Entry,
    Held,
    Ordered,
    Outcome,
    Proved,
    Repaired,
    Resumed,
    Waiting,
)
from faultfinder.tickets.ticket import Ticket

PASSED = {"pass": True, "passes": True, "passed": True, "fail": False, "fails": False,
          "failed": False}  # fmt: skip


@click.command("repaired", short_help="A repair after which the picture is back.")
@TICKET
@click.argument("repair", shell_complete=completing.repairs)
@DB
@BY
def repaired(ticket: int, repair: str, by: str | None) -> None:
    """Write down that REPAIR was made and the picture is back; prints its proof tests."""
    store, state = open_ticket(ticket)
    compiled = compiled_of(store, state)
    made = find_repair(compiled, repair)
    entry = Repaired(made.name, look_stage(compiled, made))
    show_next(store, write(store, state, by, [entry]))


@click.command("proved", short_help="What the proof tests said.")
@TICKET
@click.argument("tests", nargs=-1, required=True, metavar="TEST=pass|fail...")
@DB
@BY
def proved(ticket: int, tests: tuple[str, ...], by: str | None) -> None:
    """Write down proof tests of the repair, and print which are still to be made."""
    store, state = open_ticket(ticket)
    if state.repaired is None:
        raise FaultfinderError(
            f"Ticket {ticket} has no repair to prove. Write it down first: "
            f'"faultfinder repaired {ticket} REPAIR".'
        )
    compiled = compiled_of(store, state)
    wanted = compiled.model.repairs_by_name[state.repaired].proof
    entries = [_proof_entry(typed, state.repaired, wanted) for typed in tests]
    show_next(store, write(store, state, by, entries))


def _proof_entry(typed: str, repair: str, wanted: tuple[str, ...]) -> Proved:
    name, _, said = typed.partition("=")
    test = name.strip().replace("-", "_").lower()
    if test not in wanted:
        raise MisuseError(f'{repair} has no proof test "{name}". {did_you_mean(name, wanted)}')
    if said.strip().lower() not in PASSED:
        raise MisuseError(f'"{typed}": a proof test ends with pass or fail, as in {test}=pass.')
    return Proved(test, PASSED[said.strip().lower()])


@click.command("ordered", short_help="A part is on order.")
@TICKET
@click.argument("part")
@click.option("--for", "repair", metavar="REPAIR", shell_complete=completing.repairs,
              help="The repair it is for.")  # fmt: skip
@click.option("--price", type=AMOUNT, metavar="AMOUNT")
@click.option("--due", type=DAY, metavar="DAY", help="When it should come: YYYY-MM-DD.")
@DB
@BY
def ordered(
    ticket: int,
    part: str,
    repair: str | None,
    price: float | None,
    due: str | None,
    by: str | None,
) -> None:
    """Write down that PART (in your words) was ordered; the ticket waits for it."""
    store, state = open_ticket(ticket)
    name = None
    if repair is not None:
        name = find_repair(compiled_of(store, state), repair).name
    if not part.strip():
        raise MisuseError("Say what was ordered.")
    entry = Ordered(part, name, price, due)
    after = write(store, state, by, [entry])
    click.echo(
        f"Ticket {ticket} waits for {harmless(part)}.\n"
        f'When it is here: "faultfinder arrived {ticket} {after.last}".'
    )


@click.command("arrived", short_help="A part is here.")
@TICKET
@click.argument("order", type=click.IntRange(1), required=False)
@DB
@BY
def arrived(ticket: int, order: int | None, by: str | None) -> None:
    """Write down that a part is here: ORDER is the number of the entry that ordered it."""
    store, state = open_ticket(ticket)
    awaited = {part.entry: part for part in state.awaited}
    if order is None and len(awaited) == 1:
        order = next(iter(awaited))
    if order not in awaited:
        listed = ", ".join(f"{part.entry} ({part.what})" for part in awaited.values())
        raise MisuseError(
            f"Ticket {ticket} waits for no part{f' {order}' if order else ''}. "
            + (f"On order: {listed}." if listed else "Nothing is on order.")
            if order is not None or not awaited
            else f"Several parts are on order, name one by its entry: {listed}."
        )
    assert order is not None
    show_next(store, write(store, state, by, [Arrived(order)]))


@click.command("hold", short_help="Work rests until somebody answers.")
@TICKET
@click.argument("waiting_for", type=click.Choice([str(w) for w in Waiting]))
@click.option("--why", default="", metavar="TEXT")
@DB
@BY
def hold(ticket: int, waiting_for: str, why: str, by: str | None) -> None:
    """Put a ticket on hold until the customer, an approval or a specialist has answered."""
    store, state = open_ticket(ticket)
    write(store, state, by, [Held(waiting_for, why)])
    click.echo(f'Ticket {ticket} is on hold. Go on with "faultfinder resume {ticket}".')


@click.command("resume", short_help="Work goes on.")
@TICKET
@click.option("--limit", type=AMOUNT, metavar="AMOUNT",
              help="What may be spent now without asking again.")  # fmt: skip
@DB
@BY
def resume(ticket: int, limit: float | None, by: str | None) -> None:
    """Take a ticket off hold, and print what comes next; --limit writes what was approved."""
    store, state = open_ticket(ticket)
    if state.hold is None:
        raise FaultfinderError(f"Ticket {ticket} is not on hold.")
    entries: list[Entry] = [Resumed()]
    if limit is not None:
        entries.append(Agreed(limit=limit))
    show_next(store, write(store, state, by, entries))


@click.command("close", short_help="Close a ticket.")
@TICKET
@click.option("--cause", "causes", multiple=True, metavar="CAUSE", shell_complete=completing.causes,
              help="A confirmed cause. May be repeated.")  # fmt: skip
@click.option("--outcome", type=click.Choice([str(o) for o in Outcome]), help="How it ended.")
@click.option("--took", type=TIME, metavar="TIME",
              help="Bench time of the job: 45, 1h20, 0:45. Else by the log.")  # fmt: skip
@click.option("--billed", type=AMOUNT, metavar="AMOUNT", help="What the customer is to pay.")
@click.option("--without-proof", is_flag=True, help="Close as repaired, though not all is proved.")
@DB
@BY
def close(
    ticket: int,
    causes: tuple[str, ...],
    outcome: str | None,
    took: float | None,
    billed: float | None,
    without_proof: bool,
    by: str | None,
) -> None:
    """Close a ticket with its confirmed cause or causes, or how else it ended."""
    store, state = open_ticket(ticket)
    compiled = compiled_of(store, state)
    model = compiled.model
    known = {variable.name for variable in model.of_kind(Kind.CAUSE)}
    for cause in causes:
        if cause not in known:
            raise MisuseError(f'There is no cause "{cause}". {did_you_mean(cause, known)}')
    if outcome is None and not causes:
        raise MisuseError("Say the confirmed cause with --cause, or how it ended with --outcome.")
    ended = outcome or str(Outcome.REPAIRED)
    if ended == Outcome.REPAIRED and not causes:
        raise MisuseError("A repaired machine has a confirmed cause: name it with --cause.")
    if ended == Outcome.REPAIRED and not without_proof:
        _refuse_unproved(state, model)
    unproved = without_proof and ended == Outcome.REPAIRED
    confirmed = tuple(dict.fromkeys(causes))
    write(store, state, by, [Closed(ended, confirmed, state.version, unproved, took, billed)])
    said = "" if took is None else f", {minutes(took)} at the bench"
    click.echo(f"Ticket {ticket} closed: {ended}{said}.")
    if state.intake.left:
        click.echo(f"Give back what was left at the desk: {harmless(state.intake.left)}.")


def _refuse_unproved(state: Ticket, model: FaultModel) -> None:
    number = state.number
    other = 'Closing as it is takes "--without-proof".'
    if not model.repairs:
        return
    if state.repaired is None:
        raise FaultfinderError(
            f"Ticket {number} has no repair that brought the picture back. Write it down with "
            f'"faultfinder repaired {number} REPAIR" and prove it. {other}'
        )
    wanted = model.repairs_by_name[state.repaired].proof
    left = [test for test in wanted if not state.proofs.get(test)]
    if left:
        raise FaultfinderError(
            f"These proof tests of {state.repaired} are not passed yet: {', '.join(left)}. "
            f'Write them down with "faultfinder proved {number} TEST=pass". {other}'
        )


@click.command("erase", short_help="Erase what is personal on a ticket.")
@TICKET
@click.option("--all-texts", is_flag=True, help="Also complaint, notes and all other free text.")
@click.option("--yes", is_flag=True, help="Do not ask whether it is meant.")
@DB
@BY
def erase(ticket: int, all_texts: bool, yes: bool, by: str | None) -> None:
    """Erase customer, contact and serial number of a ticket for good.

    Findings, repairs and the confirmed cause stay. Backups made before still hold it.
    """
    from faultfinder.cli.on_ticket import now, who

    store = the_store()
    state = store.ticket(ticket)
    what = "all texts" if all_texts else "customer, contact and serial number"
    if not yes:
        click.confirm(f"Erase {what} of ticket {ticket} for good?", abort=True)
    _, gone, done = store.erase(ticket, state.last, now(), who(by), all_texts)
    click.echo(f"{counted(gone, 'text')} of ticket {ticket} erased.")
    if not done:
        click.echo(
            "It is not done yet: another command or bench is reading, or you may not clear up on\n"
            "this server, so the database's files still hold what was erased. The next command\n"
            "that can finishes it."
        )
    held = "Backups and exports made before still hold what was erased"
    if store.database.server:
        held += (
            ", and so do\nthe server's own write-ahead log, archives and copies until they expire"
        )
    click.echo(f"{held}.")
