"""The command `doubts`: where closed tickets contradict a model's shape."""

from __future__ import annotations

import click

from faultfinder.cli.learning_commands import left_out
from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import the_store
from faultfinder.cli.options import DB, MODEL, SINCE, UNTIL, JsonCommand, echo_json
from faultfinder.cli.typed import pick_model
from faultfinder.learning.watch.structure import LEAST


@click.command(
    "doubts",
    cls=JsonCommand,
    form="faultfinder.report.learning.plain:DOUBTS",
    short_help="Where closed tickets contradict a model's shape.",
)
@MODEL
@SINCE
@UNTIL
@click.option("--least", type=click.IntRange(2), default=LEAST, show_default=True, metavar="N",
              help="Tickets on which a pair must be recorded together.")  # fmt: skip
@click.option("--false-share", type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
              default=0.05, show_default=True, metavar="SHARE",
              help="The share of false alarms to allow.")  # fmt: skip
@DB
def doubts(
    model: str | None,
    since: str | None,
    until: str | None,
    least: int,
    false_share: float,
    as_json: bool,
) -> None:
    """Pairs of results that depend on each other although the model says they do not.

    Looked for in closed tickets with confirmed causes. The model is not changed.
    """
    from faultfinder.learning.from_tickets import closed_tickets
    from faultfinder.learning.watch.structure import examine_shape
    from faultfinder.report.learning.plain import DOUBTS
    from faultfinder.report.learning.structure import doubts_page

    compiled = named_model(pick_model(model))
    name = compiled.model.name
    tickets = closed_tickets(the_store(), compiled.model, since, until, left_out)
    found = examine_shape(compiled, tickets, least=least, false_discoveries=false_share)
    if as_json:
        echo_json(DOUBTS, found)
    else:
        click.echo(doubts_page(found, name, least, false_share))
