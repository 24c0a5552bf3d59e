"""A family cut down to a few causes and checks, and shops whose figures have moved, for
benchmarks that need many runs."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.parameters import read_families, rewritten
from faultfinder.model.parts import (
    Distribution,
    FaultModel,
    FirstOf,
    NoisyMax,
    Row,
    Table,
    Variable,
    first_of_states,
)
from faultfinder.model.reading.reader import read_model

MODELS = Path(__file__).parents[2] / "models"

CAUSES = (
    "board_other", "hung_controller", "lid_sensor", "panel_light", "light_supply_on_board",
    "display_cable", "plug_board_end", "panel",
)  # fmt: skip
CHECKS = (
    "ask_after", "watch_power_up", "listen_start", "look_light", "look_image", "torch_look",
    "external_monitor", "ask_sleeps", "drain_all_power", "try_board_plug",
    "measure_light_supply", "look_board_plug",
)  # fmt: skip
"""Of the thin clamshell: what is common, and what tells it apart (a choice)."""


def small_family() -> FaultModel:
    """The thin clamshell with 8 causes and 12 checks."""
    return cut(read_model(MODELS / "thin_clamshell.yaml"), CAUSES, CHECKS)


def cut(model: FaultModel, causes: Collection[str], checks: Collection[str]) -> FaultModel:
    """The model as if only these causes could be and only these checks were known.

    Findings of other checks, the question for anything else, and what is not listed go; so
    do repairs that mend none of the causes. A figure keeps its value.
    """
    seen = {name for check in checks for name in model.checks_by_name[check].observes}
    wanted: set[str] = set()
    stack = [*seen, *causes, *([model.complaint] if model.complaint else [])]
    gone = {v.name for v in model.variables if v.kind == "cause"} - set(causes)
    while stack:
        name = stack.pop()
        if name not in wanted and name not in gone:
            wanted.add(name)
            stack += model.by_name[name].parents
    states = {v.name: v.states for v in model.variables if v.name in wanted}
    for v in model.variables:
        if v.name in wanted and isinstance(v.distribution, FirstOf):
            held = [(p, states[p]) for p in v.parents if p in wanted]
            states[v.name] = first_of_states(held)
    variables = [
        replace(v, states=states[v.name], distribution=_cut_told(v, states), striking=None)
        for v in model.variables
        if v.name in wanted
    ]
    needs = [n for n in model.needs if {*n.met, *n.lost} <= wanted]
    kept = [
        replace(
            check,
            needs=tuple(n for n in check.needs if n in {need.name for need in needs}),
            behind=tuple(b for b in check.behind if b in checks),
        )
        for check in model.checks
        if check.name in checks
    ]
    repairs = [
        replace(
            repair,
            mends={cause: how for cause, how in repair.mends.items() if cause in causes},
            behind=tuple(b for b in repair.behind if b in checks),
        )
        for repair in model.repairs
        if any(cause in causes for cause in repair.mends)
    ]
    return replace(
        model,
        name=f"{model.name}_cut",
        variables=tuple(variables),
        checks=tuple(kept),
        repairs=tuple(repairs),
        needs=tuple(needs),
        stop_rules=tuple(rule for rule in model.stop_rules if rule.finding in wanted),
        precautions=(),
        silence=None,
        unlisted=None,
        faulty={name: told for name, told in model.faulty.items() if name in wanted},
        digest="",
        included=(),
    )


def _cut_told(variable: Variable, states: dict[str, tuple[str, ...]]) -> Distribution:
    told = variable.distribution
    parents = tuple(p for p in told.parents if p in states)
    if isinstance(told, FirstOf):
        return replace(told, parents=parents)
    if isinstance(told, NoisyMax):
        links = {
            p: {s: link for s, link in told.links[p].items() if s in states[p]}
            for p in parents
            if p in told.links
        }
        return replace(told, parents=parents, links=links) if parents else _base_rate(told)
    assert isinstance(told, Table)
    rows = []
    for row in told.rows:
        when = {p: tuple(s for s in some if s in states[p]) for p, some in row.when.items()}
        if all(when.values()):
            rows.append(replace(row, when=when))
    return Table(parents, tuple(rows))


def _base_rate(told: NoisyMax) -> Table:
    return Table((), (Row({}, told.leak.gives, told.leak.basis),))


def moved(compiled: CompiledModel, sd: float, seed: int) -> CompiledModel:
    """The same family in another shop: the log odds of each figure against the normal state's
    moved by a normal step, but for what is certain."""
    rng = np.random.default_rng(seed)
    families = read_families(compiled)
    figures = {}
    for family in families:
        steps = rng.normal(0.0, sd, family.file.shape)
        steps[:, 0] = 0.0
        raised = family.file * np.exp(steps)
        figures[family.number] = raised / raised.sum(axis=1, keepdims=True)
    return compile_model(replace(rewritten(compiled.model, families, figures), digest=""))
