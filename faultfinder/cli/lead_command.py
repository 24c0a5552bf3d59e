"""The lead's review of a model and of the work at the bench, as a page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultfinder.cli.learning_commands import full_tickets, records_of
from faultfinder.cli.lines import model_place, named_model, the_line
from faultfinder.cli.on_ticket import now, the_store
from faultfinder.cli.options import DB, MODEL, REPLACE, SINCE, UNTIL, check_page, replacing
from faultfinder.cli.replay_command import judgement_of
from faultfinder.cli.typed import pick_model
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.files import write_page
from faultfinder.report.wording import harmless

if TYPE_CHECKING:
    from faultfinder.learning.versions import Line
    from faultfinder.report.lead.figures import Proposal


@click.command("review", short_help="The lead's page: adopt or not, jobs, checks, people.")
@MODEL
@click.option("--html", "target", required=True, metavar="FILE", help="Where to write it.")
@SINCE
@UNTIL
@REPLACE
@DB
def lead(model: str | None, target: str, since: str | None, until: str | None) -> None:
    """Write a page for the lead: adopt the proposal or not and why, then what the jobs of closed
    tickets say.

    It goes by the judgement of "faultfinder replay"; a proposal that was not judged yet is judged
    first. Nothing is put in force. People are named on the page.
    """
    from faultfinder.learning.watch.agreement import agreement
    from faultfinder.learning.watch.jobs import (
        bills_and_quotes,
        comebacks,
        minutes_and_plans,
        minutes_of_jobs,
        quoted,
    )
    from faultfinder.learning.watch.slips import who_reads_otherwise
    from faultfinder.learning.watch.usage import check_usage
    from faultfinder.learning.watch.wrong_parts import wrong_parts
    from faultfinder.report.lead.page import Review, lead_page

    check_page(target)
    named = pick_model(model)
    in_force = named_model(named)
    wrote: dict[int, dict[str, str]] = {}
    records = records_of(in_force.model, since, until, wrote)
    if len(records) < 2:
        raise FaultfinderError(
            f"There is nothing to review: {len(records)} closed tickets of {in_force.model.name} "
            "in that time."
        )
    tickets = list(full_tickets(records, in_force.model))
    still_open = [one for one in the_store().open_tickets() if one.first_ticket is not None]
    shop = read_shop()
    proposal, hindrance = _proposal(the_line(named))
    quote = quoted(in_force, shop)
    found = Review(
        in_force.model,
        shop,
        proposal,
        hindrance,
        comebacks([*tickets, *still_open], shop.guarantee_days),
        minutes_of_jobs(tickets, in_force, shop),
        minutes_and_plans(tickets, in_force, shop, quote),
        bills_and_quotes(tickets, in_force, shop, quote),
        check_usage(tickets, in_force),
        agreement(tickets, in_force, shop),
        wrong_parts(tickets, in_force.model),
        who_reads_otherwise(in_force, records, wrote),
    )
    write_page(Path(target), lead_page(found, now()), replacing(), [model_place(named)])
    click.echo(f"Written: {harmless(target)}")


def _proposal(line: Line) -> tuple[Proposal | None, str]:
    """The open proposal, judged, else what is in force; and why an open one cannot be judged."""
    from faultfinder.inference.loading import read_kept
    from faultfinder.learning.beliefs import bench_figures_learnt, figures_learnt
    from faultfinder.learning.judge.kept import Judgement
    from faultfinder.report.lead.figures import Proposal

    versions = line.versions()
    judgement = None
    if line.proposed():
        try:
            judgement = judgement_of(line)
            version, hindrance = line.proposal(), ""
        except FaultfinderError as error:
            return None, str(error)
    elif versions and versions[-1].learnt:
        version, hindrance = versions[-1], ""
        if version.judged:
            judgement = Judgement.read(version.judged)
    else:
        return None, ""
    shown = read_kept(version.files)
    figures = figures_learnt(shown, version.learnt)
    bench = bench_figures_learnt(version.learnt)
    decided = f"{version.what} by {version.by} on {version.at[:10]}"
    is_open = version.number == 0
    return Proposal(
        shown, figures, bench, version.evidence.count, judgement, is_open, decided
    ), hindrance
