"""`faultfinder plan`: the whole plan from here, for a terminal, on paper, or for programs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from faultfinder.cli.looking import findings_of, pick_model, read_answer
from faultfinder.cli.options import MODEL, NOW, SAW, STAGE, TRIED, JsonCommand, echo_json
from faultfinder.cli.repaired import read_tried, refuse_stopped
from faultfinder.consultation.bench import build_problem, look_stage
from faultfinder.decide.plan import Plan, make_plan
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.policies.planners import LookAhead, OneStep, Planner
from faultfinder.decide.policies.roll_out import RollOut
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import MisuseError
from faultfinder.files import write_text
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model

MOST_STEPS = 300
"""Steps after which a plan is folded, whatever was asked: nobody can follow more."""

PLANNERS: dict[str, Callable[[Problem, Shop], Planner]] = {
    "roll-out": lambda problem, shop: RollOut(problem, shop.worth_per_bit),
    "look-ahead": lambda problem, shop: LookAhead(problem),
    "one-step": lambda problem, shop: OneStep(problem, shop.worth_per_bit),
    "exact": lambda problem, shop: Exact(problem),
}


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
@click.option("--planner", type=click.Choice(list(PLANNERS)), default="roll-out",
              show_default=True, help="How far it thinks ahead.")  # fmt: skip
@click.option("--depth", type=click.IntRange(1, 40), default=6, show_default=True,
              help="Steps after which a branch ends in a plain repair order.")  # fmt: skip
@click.option("--fold", "fold", type=click.FloatRange(0, 100), default=7.0, show_default=True,
              help="Fold branches reached less often than this, in percent.")  # fmt: skip
@click.option("--html", "html", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the plan as a page to print, and say so.")  # fmt: skip
@click.option("--dot", is_flag=True, help="Print it in the DOT language.")
def plan_command(
    model: str | None,
    saw: tuple[str, ...],
    tried: tuple[str, ...],
    now: tuple[str, ...],
    stage: str | None,
    planner: str,
    depth: int,
    fold: float,
    html: Path | None,
    dot: bool,
    as_json: bool,
) -> None:
    """The whole plan from here: what to check, what each result leads to, what to repair."""
    compiled = load_model(pick_model(model))
    shop = read_shop()
    findings = findings_of([read_answer(compiled, typed) for typed in saw])
    known = {name: result for name, result in findings.items() if result is not None}
    steps = read_tried(compiled, tried, now)
    refuse_stopped(compiled, known, steps)
    if not 0.0 <= fold <= 100.0:
        raise MisuseError("--fold is a percentage from 0 to 100.")
    if steps and stage is None:
        # It stands where the last repair was looked at.
        stage = look_stage(compiled, compiled.model.repairs_by_name[steps[-1].repair])
    unclear = [name for name, result in findings.items() if result is None]
    problem = build_problem(compiled, known, tried=steps, unclear=unclear, stage=stage, shop=shop)
    with _progress() as tell:
        plan = make_plan(
            problem, PLANNERS[planner](problem, shop), fold_below=fold / 100, depth=depth,
            most=MOST_STEPS, progress=tell,
        )  # fmt: skip
    told = ", ".join(f"{name}={result}" for name, result in known.items())
    for step in steps:
        told += f"; then {compiled.model.repairs_by_name[step.repair].title} did not cure"
        told += "".join(f", {name}={result}" for name, result in step.findings.items())
    _print(compiled, plan, shop, told or "only the complaint", html, dot, as_json)


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

        write_text(html, plan_page(model, plan, compiled.routes, shop.currency, told), "page")
        click.echo(f"Plan written to {html}.", err=as_json or dot)
    if as_json:
        echo_json(PLAN, Planned(model, plan, shop.currency))
    elif dot:
        click.echo(plan_dot(model, plan), nl=False)
    elif html is None:
        click.echo("\n".join(plan_lines(model, plan, compiled.routes, shop.currency, told)))


@contextmanager
def _progress() -> Iterator[Callable[[float], None] | None]:
    """A progress bar on the terminal's error stream; nothing where nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    done = 0.0
    with click.progressbar(length=1000, label="Planning", file=sys.stderr) as bar:

        def tell(leaf: float) -> None:
            nonlocal done
            before = int(done * 1000)
            done += leaf
            bar.update(int(done * 1000) - before)

        yield tell
