"""The lead's commands: tune, adopt, rollback."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faultfinder.cli.lines import named_model, the_line
from faultfinder.cli.on_ticket import now, the_store
from faultfinder.cli.options import (
    DB,
    MODEL,
    REPLACE,
    SINCE,
    UNTIL,
    JsonCommand,
    echo_json,
    replacing,
)
from faultfinder.cli.terminal import for_bars
from faultfinder.cli.typed import pick_model
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import refused, write_text
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.answers import find_variable
from faultfinder.model.parts import FaultModel
from faultfinder.report.wording import counted, harmless
from faultfinder.tickets.ticket import Ticket

if TYPE_CHECKING:
    from faultfinder.learning.em.estimates import Tuned
    from faultfinder.learning.watch.drift import Shift
    from faultfinder.learning.watch.unwritten import Habits

NAMED = "named"
LABELS = click.option("--label-error", type=click.FloatRange(0.0, 0.5), default=0.0,
                       metavar="SHARE", show_default=True,
                       help="How often a confirmed cause is wrong, as 0.03.")  # fmt: skip
HALF_LIFE = click.option("--half-life", type=click.FloatRange(1.0), metavar="DAYS",
                     help="A ticket this old counts half.")  # fmt: skip
UNWRITTEN = click.option("--unwritten", multiple=True, metavar="FINDING",
                         help="Results are left out more often when normal; repeatable. "
                         f'The word "{NAMED}": of all that "tune" names so.')  # fmt: skip
BESIDE = click.option("--with", "beside", multiple=True, metavar="MODEL",
                      help="Learn what that family has in common from its tickets too; "
                      "repeatable.")  # fmt: skip
LEAD = click.option("--by", required=True, metavar="WHO", help="The lead who decides it.")


def records_of(
    model: FaultModel,
    since: str | None,
    until: str | None,
    wrote: dict[int, dict[str, str]] | None = None,
) -> list[ClosedTicket]:
    """The closed tickets of a model, the oldest closing first; who wrote them goes to `wrote`."""
    from faultfinder.learning.from_tickets import closed_tickets

    return list(closed_tickets(the_store(), model, since, until, left_out, wrote))


def full_tickets(records: Sequence[ClosedTicket], model: FaultModel) -> Iterator[Ticket]:
    """Tickets with their logs, under the names of today, read a batch at a time."""
    from faultfinder.learning.watch.today import renamed
    from faultfinder.tickets.store import read_tickets

    numbers = list(dict.fromkeys(record.number for record in records))
    with the_store().database.transaction(write=False) as connection:
        yield from renamed(read_tickets(connection, numbers), model)


def left_out(sentence: str) -> None:
    """Tell of a damaged ticket that nothing is learnt from."""
    click.echo(harmless(sentence), err=True)


def findings_of(model: FaultModel, typed: Sequence[str], habits: Habits) -> tuple[str, ...]:
    """Findings as the model names them, each once; "named" stands for what the test names."""
    found: list[str] = []
    for one in typed:
        found += habits.unwritten if one == NAMED else [find_variable(model, one).name]
    return tuple(dict.fromkeys(found))


def families_beside(
    names: Sequence[str], own: str, since: str | None, until: str | None
) -> list[tuple[CompiledModel, list[ClosedTicket]]]:
    """What was believed of other families, and their tickets; those without any are left out."""
    found = []
    for name in names:
        line = the_line(name)
        if line.name == own:
            raise MisuseError(f"{own} is the family that is tuned: name others with --with.")
        compiled = compile_model(line.base().believed)
        tickets = records_of(compiled.model, since, until)
        if tickets:
            found.append((compiled, tickets))
    return found


def tuned_on(
    compiled: CompiledModel,
    tickets: Sequence[ClosedTicket],
    beside: Sequence[tuple[CompiledModel, Sequence[ClosedTicket]]] = (),
    **how: Any,
) -> Tuned:
    """A tuning (`how`: see `em.tune`), its rounds told on a terminal while it goes on; with other
    families beside it what they have in common is pooled."""
    from faultfinder.learning.em.estimates import tune as fit
    from faultfinder.learning.em.pooling import tune_together

    def told(round_number: int, _log: float) -> None:
        if sys.stderr.isatty():
            click.echo(f"\rRound {round_number}", for_bars(), nl=False)

    if beside:
        found = tune_together([(compiled, tickets), *beside], progress=told, **how)[0]
    else:
        found = fit(compiled, tickets, progress=told, weigh_belief=True, **how)
    if sys.stderr.isatty():
        click.echo("", err=True)
    return found


@click.command(
    "tune",
    cls=JsonCommand,
    form="faultfinder.report.learning.plain:TUNING",
    short_help="Propose figures from closed tickets.",
)
@MODEL
@SINCE
@UNTIL
@LABELS
@HALF_LIFE
@UNWRITTEN
@BESIDE
@click.option("--skip-impossible", is_flag=True,
              help="Leave out tickets that the model holds impossible, and name them.")  # fmt: skip
@DB
def tune(
    model: str | None,
    since: str | None,
    until: str | None,
    label_error: float,
    half_life: float | None,
    unwritten: tuple[str, ...],
    beside: tuple[str, ...],
    skip_impossible: bool,
    as_json: bool,
) -> None:
    """Propose new figures for a model from closed tickets. The model in use stays as it is.

    Ctrl-C ends the search early and proposes what was found so far.
    """
    from faultfinder.learning.bench.learn import MOST_TICKETS, learn_bench
    from faultfinder.learning.em.estimates import LEAST
    from faultfinder.learning.proposing import keep_proposal
    from faultfinder.learning.versions import Evidence, packed, uncounted
    from faultfinder.learning.watch.unlikely import unlikely_tickets
    from faultfinder.learning.watch.unwritten import habits
    from faultfinder.report.learning.plain import TUNING, Tuning
    from faultfinder.report.learning.text import tune_page

    line = the_line(pick_model(model))
    base = line.base()
    compiled = compile_model(base.believed)
    name = compiled.model.name
    wrote: dict[int, dict[str, str]] = {}
    tickets = records_of(compiled.model, since, until, wrote)
    written = habits(compiled, tickets, wrote)
    without = findings_of(compiled.model, unwritten, written)
    keys = [ticket.key for ticket in tickets]
    told = {"label_error": label_error, "half_life": half_life, "since": since, "until": until,
            "skip_impossible": skip_impossible, "unwritten": list(without),
            "with": list(beside)}  # fmt: skip
    if base.upgrade:
        click.echo(_upgrade_words(line.origin, base.both), err=True)
        if len(tickets) < LEAST:
            place = keep_proposal(line, base, (), Evidence(options=told), now())[0]
            click.echo(f"Too few tickets to tune: the new figures as shipped are proposed. {place}")
            return
    last = line.versions()[-1:]
    lost = uncounted(last[0].evidence.tickets, keys) if last and not (since or until) else 0
    if lost:
        click.echo(
            f"{counted(lost, 'ticket')} that the figures in force were counted from "
            f"{'is' if lost == 1 else 'are'} not here any more, or left out: not counted now.",
            err=True,
        )
    tuned = tuned_on(
        compiled,
        tickets,
        families_beside(beside, line.name, since, until),
        label_error=label_error,
        half_life_days=half_life,
        leave_out_impossible=skip_impossible,
        unwritten=without,
    )
    newest = max(ticket.closed_at for ticket in tickets)[:10]
    evidence = Evidence(packed(keys), tuned.tickets, newest, told)
    logs = full_tickets(tickets[-MOST_TICKETS:], compiled.model)
    bench = learn_bench(logs, compiled, read_shop())
    place, changed = keep_proposal(line, base, tuned.figures, evidence, now(), bench)
    doubtful = [
        ticket for ticket in unlikely_tickets(compiled, tickets, 5) if ticket.probability < 0.05
    ]
    found = Tuning(tuned, changed, doubtful, _shifts(compiled, tickets), written, bench, place)
    if as_json:
        echo_json(TUNING, found)
        return
    click.echo(tune_page(found, name))
    for one in tuned.set_aside:
        click.echo(str(one))


def _upgrade_words(origin: Path, both: Sequence[str]) -> str:
    kept = f" Your own belief stays for {', '.join(both)}." if both else ""
    return f"A new version is shipped ({origin}): the proposal holds its figures.{kept}"


def _shifts(compiled: CompiledModel, tickets: Sequence[ClosedTicket]) -> Sequence[Shift]:
    """The last 90 days before the newest closing against all before."""
    from faultfinder.learning.watch.drift import drift

    newest = max(ticket.closed_at for ticket in tickets)
    day = datetime.strptime(newest[:10], "%Y-%m-%d").replace(tzinfo=UTC) - timedelta(days=90)
    try:
        return drift(compiled, tickets, day.strftime("%Y-%m-%d"))
    except FaultfinderError:
        return ()


@click.command("adopt", short_help="Put the proposed figures in force.")
@MODEL
@LEAD
@click.option("--file", metavar="FILE", help="Put this file, edited by hand, in force instead.")
@click.option("--unjudged", is_flag=True, help="Although no replay has judged the proposal.")
@DB
def adopt(model: str | None, by: str, file: str | None, unjudged: bool) -> None:
    """Put the proposal of "tune" in force; every version before it is kept.

    It takes a "faultfinder replay" of that proposal, or --unjudged. Open tickets keep the
    version they began with until "faultfinder remodel".
    """
    name = pick_model(model)
    the_store()
    line = the_line(name)
    if file is not None:
        version = line.take(Path(file), by, now())
        told = f"{harmless(file)} is in force"
    else:
        verdict = line.proposal().verdict
        if not verdict and not unjudged:
            raise FaultfinderError(
                f"The proposal for {line.name} was not judged. Judge it: faultfinder replay -m "
                f"{line.name}. Or adopt it with --unjudged."
            )
        version = line.adopt(by, now())
        tickets = counted(version.evidence.count, "ticket")
        judged = f"judged: {verdict}" if verdict else "unjudged"
        told = f"the proposal from {tickets} ({judged}) is in force"
    named_model(line.name)
    click.echo(
        f"{line.name}: {told}, as version {version.number}. The one before is version "
        f"{version.parent}.\nBack again: faultfinder rollback -m {line.name} --by NAME"
    )


@click.command("rollback", short_help="Put an earlier version in force again.")
@MODEL
@click.option("--to", type=click.IntRange(1), metavar="N", help="Which version; else the last.")
@click.option("--list", "listing", is_flag=True, help="Only say which versions there are.")
@click.option("--write", metavar="FOLDER", help="Only write the files in force there, to edit.")
@REPLACE
@click.option("--by", metavar="WHO", help="The lead who decides it.")
@DB
def rollback(
    model: str | None, to: int | None, listing: bool, write: str | None, by: str | None
) -> None:
    """Put an earlier version of a model in force again; the present one is kept too."""
    line = the_line(pick_model(model))
    if listing:
        for version in line.versions():
            click.echo(harmless(version.words))
        if not line.versions():
            click.echo("Nothing was adopted yet.")
        return
    if write is not None:
        for name, text in line.in_force():
            place = Path(write) / name
            with refused(f"The folder {place.parent} cannot be made"):
                place.parent.mkdir(parents=True, exist_ok=True)
            write_text(place, text, replace=replacing())
        click.echo(f"Written to {harmless(write)}. Edited: faultfinder adopt --file")
        return
    if by is None:
        raise click.UsageError("Name the lead who decides it with --by.")
    version = line.roll_back(by, now(), to)
    named_model(line.name)
    click.echo(
        f"{line.name}: version {version.parent} is in force again, as version {version.number}."
    )
