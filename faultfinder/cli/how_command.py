"""`faultfinder how`: the steps of a check or a repair."""

from __future__ import annotations

import click

from faultfinder.cli.lines import named_model
from faultfinder.cli.options import DB, MODEL, SAW, STAGE
from faultfinder.cli.typed import number_of, pick_model, read_case, ticket_and_names
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.report.consultation.view import View
from faultfinder.report.wording import unbroken


@click.command("how", short_help="The steps of a check or a repair.")
@click.argument("words", nargs=-1, metavar="[TICKET] [NAME]")
@MODEL
@SAW
@STAGE
@DB
def how_command(
    words: tuple[str, ...], model: str | None, saw: tuple[str, ...], stage: str | None
) -> None:
    """The way to a check or repair, its cautions, tools and steps.

    NAME is a check, a finding it brings, or a repair; without it the next step is explained.
    On a TICKET a number stands for the check of a round in that place.
    """
    from faultfinder.report.consultation.how import how_page

    ticket, names = ticket_and_names(words)
    if len(names) > 1 or (ticket is not None and (model or saw or stage)):
        raise MisuseError("Type the ticket's number and a name, or one of them.")
    if ticket is not None:
        from faultfinder.cli.on_ticket import case_of, open_ticket

        case = case_of(*open_ticket(ticket))
    else:
        case = read_case(named_model(pick_model(model)), saw, stage=stage)
    told = consult(case)
    if told.stop:
        raise FaultfinderError(f"STOP. {told.stop_said}")
    page = how_page(View(told, ticket), _meant(told, names[0] if names else ""))
    step = told.next_step
    if ticket is not None and not names and step is not None and step.kind == "check":
        checks = case.model.model.checks_by_name
        others = [
            f"{place} {checks[name].title}" for place, name in enumerate(told.round[1:], start=2)
        ]
        if others:
            said = f"{'; '.join(others)}. Steps: {unbroken(f'faultfinder how {ticket} NUMBER')}"
            page.item("With it in this round:", said, hang=2)
    click.echo(str(page))


def _meant(told: Consultation, typed: str) -> str:
    """The check or repair that was meant. Raises MisuseError."""
    model = told.case.model.model
    if not typed:
        step = told.next_step
        if step is None or not step.name:
            raise FaultfinderError("There is no step to explain: name a check or a repair.")
        return told.round[0] if step.kind == "check" else step.name
    number = number_of(typed)
    if number is not None:
        if not 1 <= number <= len(told.round):
            raise MisuseError(f"There is no check {number} in this round of {len(told.round)}.")
        return told.round[number - 1]
    name = typed.strip().replace("-", "_").lower()
    if name in model.checks_by_name or name in model.repairs_by_name:
        return name
    bringing = [check.name for check in model.checks if name in check.observes]
    if bringing:
        return bringing[0]
    known = [*model.checks_by_name, *model.repairs_by_name]
    raise MisuseError(f'There is no check or repair "{typed}". {did_you_mean(typed, known)}')
