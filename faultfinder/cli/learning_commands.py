"""The lead's commands: tune, replay, adopt, rollback."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faultfinder.cli.on_ticket import now, the_store
from faultfinder.cli.options import DB, MODEL, JsonCommand, echo_json
from faultfinder.cli.ticket_commands import read_date
from faultfinder.cli.typed import pick_model
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.learning.judge.kept_verdict import keep_verdict, kept_verdict
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.versions import Versions, digest_of
from faultfinder.model.locate import find_model
from faultfinder.model.parts import FaultModel
from faultfinder.report.wording import harmless

if TYPE_CHECKING:
    from faultfinder.learning.em.estimates import Tuned
    from faultfinder.learning.judge.judging import Rival
    from faultfinder.learning.watch.drift import Shift

SINCE = click.option("--since", metavar="DAY", help="Closed on this day or later: YYYY-MM-DD.")
UNTIL = click.option("--until", metavar="DAY", help="Closed on this day or before.")
LABELS = click.option("--label-error", type=click.FloatRange(0.0, 0.5), default=0.0,
                       metavar="SHARE", show_default=True,
                       help="How often a confirmed cause is wrong, as 0.03.")  # fmt: skip
HALF_LIFE = click.option("--half-life", type=click.FloatRange(1.0), metavar="DAYS",
                     help="A ticket this old counts half.")  # fmt: skip
LEAD = click.option("--by", required=True, metavar="WHO", help="The lead who decides it.")


def records_of(model: FaultModel, since: str | None, until: str | None) -> list[ClosedTicket]:
    """The closed tickets of a model, the oldest closing first."""
    from faultfinder.learning.from_tickets import closed_tickets

    days = [None if day is None else read_date(day) for day in (since, until)]
    return list(closed_tickets(the_store(), model, days[0], days[1], left_out))


def left_out(sentence: str) -> None:
    """Tell of a damaged ticket that nothing is learnt from."""
    click.echo(harmless(sentence), err=True)


def compiled_from(text: str, path: Path) -> CompiledModel:
    """The compiled model of a text that stands, or could stand, at `path`."""
    from faultfinder.model.reading.reader import parse_model

    return compile_model(parse_model(text, str(path)))


def tuned_on(compiled: CompiledModel, tickets: Sequence[ClosedTicket], **how: Any) -> Tuned:
    """A tuning (`how`: see `em.tune`), its rounds told on a terminal while it goes on."""
    from faultfinder.learning.em.estimates import tune as fit

    def told(round_number: int, _log: float) -> None:
        if sys.stderr.isatty():
            click.echo(f"\rRound {round_number}", nl=False, err=True)

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
@click.option("--skip-impossible", is_flag=True,
              help="Leave out tickets that the model holds impossible, and name them.")  # fmt: skip
@DB
def tune(
    model: str | None,
    since: str | None,
    until: str | None,
    label_error: float,
    half_life: float | None,
    skip_impossible: bool,
    as_json: bool,
) -> None:
    """Propose new figures for a model from closed tickets. The model in use stays as it is.

    Ctrl-C ends the search early and proposes what was found so far.
    """
    from faultfinder.learning.proposal import check_same, propose
    from faultfinder.learning.watch.unlikely import unlikely_tickets
    from faultfinder.model.reading.reader import parse_model
    from faultfinder.report.learning.plain import TUNING, Tuning
    from faultfinder.report.learning.text import tune_page

    path = find_model(pick_model(model))
    versions = Versions(path)
    prior = versions.prior()
    compiled = compiled_from(prior, path)
    name = compiled.model.name
    tickets = records_of(compiled.model, since, until)
    tuned = tuned_on(
        compiled,
        tickets,
        label_error=label_error,
        half_life_days=half_life,
        leave_out_impossible=skip_impossible,
    )
    parts = {part: (path.parent / part).read_text(encoding="utf-8")
             for part, _ in compiled.model.included}  # fmt: skip
    proposed = propose(prior, parts, tuned.figures, now()[:10])
    check_same(compiled.model, parse_model(proposed.text, str(path)), proposed.changed)
    facts = {"tickets": tuned.tickets, "at": now(), "label_error": label_error,
             "half_life": half_life, "since": since, "until": until}  # fmt: skip
    place = versions.propose(proposed.text, facts)
    doubtful = [
        ticket for ticket in unlikely_tickets(compiled, tickets, 5) if ticket.probability < 0.05
    ]
    shifts = _shifts(compiled, tickets)
    if as_json:
        echo_json(TUNING, Tuning(tuned, proposed.changed, doubtful, shifts, str(place)))
        return
    click.echo(tune_page(tuned, proposed.changed, doubtful, shifts, name))
    for one in tuned.set_aside:
        click.echo(str(one))


def _shifts(compiled: CompiledModel, tickets: Sequence[ClosedTicket]) -> Sequence[Shift]:
    """The last 90 days before the newest closing against all before."""
    from faultfinder.learning.watch.drift import drift

    newest = max(ticket.closed_at for ticket in tickets)
    day = datetime.strptime(newest[:10], "%Y-%m-%d").replace(tzinfo=UTC) - timedelta(days=90)
    try:
        return drift(compiled, tickets, day.strftime("%Y-%m-%d"))
    except FaultfinderError:
        return ()


@click.command(
    "replay",
    cls=JsonCommand,
    form="faultfinder.report.learning.plain:REPLAY",
    short_help="Judge the proposal: better or not, and what it saves.",
)
@MODEL
@click.option("--folds", type=click.IntRange(2, 20), default=5, metavar="N", show_default=True,
              help="In how many parts the tickets are held out in turn.")  # fmt: skip
@click.option("--played", type=click.IntRange(0), default=100, show_default=True, metavar="N",
              help="Play up to N held-out tickets again, to the end.")  # fmt: skip
@click.option("--seed", type=int, default=0, show_default=True)
@DB
def replay(model: str | None, folds: int, played: int, seed: int, as_json: bool) -> None:
    """Judge the proposal of "tune" against the figures in force and those it began with.

    Each part of the tickets is held out in turn and the figures are tuned on the others, with
    the options of the proposal, so that no ticket judges figures that it helped to make. The
    verdict is kept for "faultfinder adopt".
    """
    from faultfinder.learning.judge.judging import judge
    from faultfinder.report.learning.plain import REPLAY, Replayed
    from faultfinder.report.learning.text import replay_page

    path = find_model(pick_model(model))
    versions = Versions(path)
    _, facts = versions.proposal()
    prior = compiled_from(versions.prior(), path)
    tickets = records_of(prior.model, facts.get("since"), facts.get("until"))

    def fit(some: Sequence[ClosedTicket]) -> CompiledModel:
        tuned = tuned_on(prior, some, label_error=facts["label_error"], least=1,
                         half_life_days=facts["half_life"], leave_out_impossible=True)  # fmt: skip
        return compile_model(replace(tuned.model, digest=""))

    shop = read_shop()
    rivals = _rivals(versions, prior)
    found = judge(tickets, fit, rivals, folds=folds, most=played, shop=shop, seed=seed)
    word = found[0].verdict.word if found else "cannot tell yet"
    keep_verdict(versions.folder, facts["digest"], word)
    if as_json:
        echo_json(REPLAY, Replayed(facts["digest"], found))
    else:
        click.echo(replay_page(found, prior.model.name, folds, shop.currency))


def _rivals(versions: Versions, prior: CompiledModel) -> tuple[Rival, ...]:
    """The figures in force, and the first that ever were, where these are others."""
    from faultfinder.learning.judge.judging import Rival, same_structure

    log, path, text = versions.log(), versions.model, versions.text()
    learnt = bool(log) and log[-1].prior is not None and log[-1].digest == digest_of(text)
    in_force = compiled_from(text, path) if learnt else prior
    found = [Rival("the figures in force", in_force, log[-1].at if learnt else "")]
    if log and versions.kept(1) != text:
        first = compiled_from(versions.kept(1), path)
        if same_structure(first, prior):
            found.append(Rival("the file as it came", first))
    return tuple(found)


@click.command("adopt", short_help="Put the proposed figures in force.")
@MODEL
@LEAD
@click.option("--unjudged", is_flag=True, help="Although no replay has judged it.")
def adopt(model: str | None, by: str, unjudged: bool) -> None:
    """Put the proposal of "tune" in force; the file before it is kept.

    It takes a "faultfinder replay" of that proposal, or --unjudged. Open tickets keep the
    version they began with until "faultfinder remodel".
    """
    path = find_model(pick_model(model))
    versions = Versions(path)
    verdict = kept_verdict(versions.folder, versions.proposal()[1]["digest"])
    if verdict is None and not unjudged:
        raise FaultfinderError(
            f"The proposal for {path.stem} was not judged. Judge it: faultfinder replay -m "
            f"{path.stem}. Or adopt it with --unjudged."
        )
    change = versions.adopt(by, now())
    load_model(path)
    judged = "unjudged" if verdict is None else f"judged: {verdict}"
    click.echo(
        f"{path.stem}: the proposal from {change.tickets} tickets ({judged}) is in force. The file "
        f"before is version {change.kept}.\nBack again: faultfinder rollback -m {path.stem} --by "
        "NAME"
    )


@click.command("rollback", short_help="Put an earlier version in force again.")
@MODEL
@click.option("--to", type=click.IntRange(1), metavar="N", help="Which version; else the last.")
@click.option("--list", "listing", is_flag=True, help="Only say which versions there are.")
@click.option("--by", metavar="WHO", help="The lead who decides it.")
def rollback(model: str | None, to: int | None, listing: bool, by: str | None) -> None:
    """Put an earlier version of a model in force again; the present one is kept too."""
    path = find_model(pick_model(model))
    versions = Versions(path)
    if listing:
        for change in versions.log():
            click.echo(f"{change.at} {change.by}: {change.what}; the file before is {change.kept}")
        if not versions.log():
            click.echo("Nothing was adopted yet.")
        return
    if by is None:
        raise click.UsageError("Name the lead who decides it with --by.")
    change = versions.roll_back(by, now(), to)
    load_model(path)
    click.echo(f"{path.stem}: the earlier file is in force. The one before is {change.kept}.")
