"""Cross-checks over stages, moves and repairs: can the bench get there and back?"""

from __future__ import annotations

from typing import Any

from faultfinder.model.parts import FaultModel, Kind
from faultfinder.model.reading.faults import Faults

Graph = Any
"""A directed graph of networkx, which is slow to import: a model that is read is compiled next,
which needs it."""


def validate_shop(model: FaultModel, faults: Faults) -> None:
    """Add every problem of stages, moves and repairs to `faults`."""
    if model.stages and model.start:
        _check_stages(model, faults)
    if model.repairs:
        _check_repairs(model, faults)
    elif model.proofs:
        faults.add(
            model.proofs[0].line, "There are proofs, but no repairs.", "Add repairs that name them."
        )


def _check_stages(model: FaultModel, faults: Faults) -> None:
    import networkx as nx

    graph = _graph(model)
    reachable = nx.descendants(graph, model.start) | {model.start}
    returning = nx.ancestors(graph, model.start) | {model.start}
    work = [(f"check {c.name}", c.stage, c.line) for c in model.checks if c.stage]
    work += [(f"repair {r.name}", r.stage, r.line) for r in model.repairs if r.stage]
    for label, stage, line in work:
        if stage not in reachable:
            faults.add(
                line,
                f"{label} is done in the stage {stage}, and no moves lead there from "
                f"{model.start}.",
                f"Add the move that leads to {stage}.",
            )
    used = {stage for _, stage, _ in work} | {model.start}
    on_a_way = _on_a_way(used, graph)
    for place in model.stages:
        if place.name not in on_a_way:
            faults.add(
                place.line,
                f"The stage {place.name} is never used: no check needs it, and it lies on no "
                "way to one.",
                "Use it, or leave it out together with its moves.",
            )
        if place.name in reachable and place.name not in returning:
            faults.add(
                place.line,
                f"There is no way back from the stage {place.name} to {model.start}.",
                f"Add the moves that close the machine again, such as from: {place.name}.",
            )


def _graph(model: FaultModel) -> Graph:
    """An arrow for each move between stages."""
    import networkx as nx

    graph = nx.DiGraph((move.start, move.end) for move in model.moves)
    graph.add_nodes_from(stage.name for stage in model.stages)
    return graph


def _on_a_way(used: set[str], graph: Graph) -> set[str]:
    """The used stages, and those one can pass through: unused dead ends are cut off."""
    left = set(graph)
    waiting = left - used
    while waiting:
        name = waiting.pop()
        before, after = set(graph.pred[name]) & left, set(graph.succ[name]) & left
        if not before or not after or len(before | after) < 2:
            left.discard(name)
            waiting |= (before | after) - used
    return left


def _check_repairs(model: FaultModel, faults: Faults) -> None:
    if model.retest is None and model.complaint is not None:
        faults.add(
            model.by_name[model.complaint].line,
            "There are repairs, but the complaint has no retest.",
            "Say how a repair is looked at afterwards: retest: {minutes: 3, missed: 0.03}.",
        )
    _check_powered_after(model, faults)
    mended = {cause for repair in model.repairs for cause in repair.mends}
    for cause in model.of_kind(Kind.CAUSE):
        if cause.name not in mended:
            faults.add(
                cause.line,
                f"No repair mends the cause {cause.name}.",
                "Add one, or a repair with hand_over: yes for a specialist.",
            )
    named = {name for repair in model.repairs for name in repair.proof}
    for proof in model.proofs:
        if proof.name not in named:
            faults.add(
                proof.line,
                f"No repair names the proof {proof.name}.",
                f"Add it to the proof of a repair, or leave it out: proof: [{proof.name}].",
            )


def _check_powered_after(model: FaultModel, faults: Faults) -> None:
    """After work without power there must be a way to a powered stage, for the retest."""
    import networkx as nx

    graph = _graph(model)
    powered = [stage.name for stage in model.stages if stage.powered and not stage.live]
    fine = set(powered).union(*(nx.ancestors(graph, name) for name in powered))
    for repair in model.repairs:
        if repair.stage in graph and repair.stage not in fine:
            faults.add(
                repair.line,
                f"repair {repair.name} is done in {repair.stage}, and from there no powered stage "
                "can be reached.",
                "Add the moves that lead to a powered stage, for the look afterwards.",
            )
