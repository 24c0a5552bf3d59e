"""The lead's review of a model and of the work at the bench, as a page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from faultfinder.cli.learning_commands import (
    LABELS,
    SINCE,
    UNTIL,
    records_of,
    tuned_on,
)
from faultfinder.cli.lines import model_place, named_model, the_line
from faultfinder.cli.on_ticket import now, the_store
from faultfinder.cli.options import DB, MODEL, REPLACE, check_page, replacing
from faultfinder.cli.typed import pick_model
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.files import write_page
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.records import ClosedTicket
from faultfinder.report.wording import harmless

HELD = 0.25
"""The share of the tickets, the last by closing time, that judges the figures."""


@click.command("review", short_help="The lead's page: figures, checks, people, parts.")
@MODEL
@click.option("--html", "target", required=True, metavar="FILE", help="Where to write it.")
@SINCE
@UNTIL
@LABELS
@REPLACE
@DB
def lead(
    model: str | None, target: str, since: str | None, until: str | None, label_error: float
) -> None:
    """Write a page on closed tickets: do the figures hold, and where do minutes and parts go.

    Figures are tuned on the earlier three quarters and judged on the last quarter. Nothing is
    changed; "faultfinder tune" proposes figures to adopt. People are named on the page.
    """
    from faultfinder.learning.judge.replay import compare, split_by_time
    from faultfinder.learning.proposal import moved
    from faultfinder.learning.watch.bench_habits import agreement, check_usage, wrong_parts
    from faultfinder.report.lead.page import lead_page
    from faultfinder.tickets.store import read_tickets

    check_page(target)
    named = pick_model(model)
    in_force = named_model(named)
    prior = compile_model(the_line(named).base().believed)
    name = prior.model.name
    records = records_of(prior.model, since, until)
    if len(records) < 2:
        raise FaultfinderError(
            f"There is nothing to review: {len(records)} closed tickets of {name} in that time."
        )
    earlier, later = split_by_time(records, HELD)

    def fit(some: list[ClosedTicket]) -> CompiledModel:
        found = tuned_on(prior, some, label_error=label_error, leave_out_impossible=True)
        return compile_model(replace(found.model, digest=""))

    comparison = compare(prior, fit(list(earlier)), later)
    tuned = tuned_on(prior, records, label_error=label_error, leave_out_impossible=True)
    changed = [figure for figure in tuned.figures if moved(figure)]
    with the_store().database.transaction(write=False) as connection:
        tickets = list(read_tickets(connection, [record.number for record in records]))
    page = lead_page(
        in_force.model,
        tuned,
        changed,
        comparison,
        check_usage(tickets, in_force),
        agreement(tickets, in_force, read_shop()),
        wrong_parts(tickets, in_force.model),
        now(),
    )
    write_page(Path(target), page, replacing(), [model_place(named)])
    click.echo(f"Written: {harmless(target)}")
