"""`faultfinder plan`: the whole plan from here, for a terminal, on paper, or for programs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from faultfinder.cli.lines import named_model
from faultfinder.cli.options import (
    DB,
    MODEL,
    NOW,
    REPLACE,
    SAW,
    STAGE,
    TRIED,
    JsonCommand,
    check_page,
    echo_json,
    replacing,
)
from faultfinder.cli.terminal import progress
from faultfinder.cli.typed import pick_model, read_case, refuse_stopped
from faultfinder.consultation.consult import consult
from faultfinder.decide.plan import Plan, make_plan
from faultfinder.decide.policies import DEFAULT, policy_names
from faultfinder.decide.shop import Shop
from faultfinder.errors import MisuseError
from faultfinder.files import write_page
from faultfinder.inference.compiled import CompiledModel

MOST_STEPS = 300
"""Steps after which a plan is folded, whatever was asked: nobody can follow more."""


@click.command(
    "plan",
    cls=JsonCommand,
    form="faultfinder.report.plan.plain:PLAN",
    short_help="The whole plan from here, also to print.",
)
@MODEL
@SAW
@TRIED
@NOW
@STAGE
@click.option("--planner", type=click.Choice(policy_names()), default=DEFAULT,
              show_default=True, help="How far it thinks ahead.")  # fmt: skip
@click.option("--depth", type=click.IntRange(1, 40), default=6, show_default=True,
              help="Steps after which a branch ends in a plain repair order.")  # fmt: skip
@click.option("--fold", "fold", type=click.FloatRange(0, 100), default=7.0, show_default=True,
              help="Fold branches reached less often than this, in percent.")  # fmt: skip
@click.option("--html", "html", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the plan as a page to print, and say so.")  # fmt: skip
@click.option("--dot", is_flag=True, help="Print it in the DOT language.")
@REPLACE
@DB
@click.argument("ticket", required=False, type=click.IntRange(1), metavar="[TICKET]")
def plan_command(
    model: str | None,
    planner: str,
    depth: int,
    fold: float,
    html: Path | None,
    dot: bool,
    ticket: int | None,
    as_json: bool,
    **known: Any,
) -> None:
    """The whole plan from here: what to check, what each result leads to, what to repair.

    With the number of a TICKET, from what is written on it.
    """
    check_page(html)
    if ticket is None:
        case = read_case(named_model(pick_model(model)), **known)
    elif model or any(known.values()):
        raise MisuseError(f"What ticket {ticket} holds counts; give nothing else with it.")
    else:
        from faultfinder.cli.on_ticket import case_of, open_ticket

        case = case_of(*open_ticket(ticket))
    refuse_stopped(case)
    if not 0.0 <= fold <= 100.0:
        raise MisuseError("--fold is a percentage from 0 to 100.")
    # The first step is that of "next": the same problem, the same policy.
    consultation = consult(case, policy=planner)
    with progress("Planning") as tell:
        plan = make_plan(
            consultation.problem, consultation.policy, planner, fold_below=fold / 100,
            depth=depth, most=MOST_STEPS, progress=lambda done: tell(done, 1.0),
        )  # fmt: skip
    told = ", ".join(f"{name}={result}" for name, result in case.findings.items())
    for step in case.tried:
        told += f"; then {case.model.model.repairs_by_name[step.repair].title} did not cure"
        told += "".join(f", {name}={result}" for name, result in step.findings.items())
    _print(case.model, plan, case.terms, told or "only the complaint", html, dot, as_json)


def _print(
    compiled: CompiledModel,
    plan: Plan,
    shop: Shop,
    told: str,
    html: Path | None,
    dot: bool,
    as_json: bool,
) -> None:
    from faultfinder.report.plan.plain import PLAN, Planned
    from faultfinder.report.plan.text import plan_dot, plan_lines

    model = compiled.model
    if html is not None:
        from faultfinder.report.plan.page import plan_page

        page = plan_page(model, plan, compiled.routes, shop.currency, told)
        write_page(html, page, replacing())
        click.echo(f"Plan written to {html}.", err=as_json or dot)
    if as_json:
        echo_json(PLAN, Planned(model, plan, shop.currency))
    elif dot:
        click.echo(plan_dot(model, plan), nl=False)
    elif html is None:
        click.echo("\n".join(plan_lines(model, plan, compiled.routes, shop.currency, told)))
