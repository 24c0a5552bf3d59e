"""The cheapest way between any two teardown stages, worked out once per model."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from faultfinder.frozen import frozen
from faultfinder.model.parts import FaultModel, Move


@frozen
class Route:
    """Moves in order, and their minutes together."""

    minutes: float
    moves: tuple[Move, ...]


Routes = Mapping[tuple[str, str], Route]


def all_routes(model: FaultModel) -> Routes:
    """The cheapest route for each pair (from, to) of stages that has one.

    Dijkstra's algorithm by networkx, imported here because it is slow to import
    and only compiling a model needs it.
    """
    import networkx as nx

    graph = nx.DiGraph()
    graph.add_nodes_from(stage.name for stage in model.stages)
    moves: dict[tuple[str, str], Move] = {}
    for move in model.moves:
        pair = (move.start, move.end)
        if pair not in moves or move.minutes < moves[pair].minutes:
            moves[pair] = move
            graph.add_edge(*pair, minutes=move.minutes)
    routes: dict[tuple[str, str], Route] = {}
    for start, (minutes, paths) in nx.all_pairs_dijkstra(graph, weight="minutes"):
        for end, path in paths.items():
            steps = tuple(moves[pair] for pair in itertools.pairwise(path))
            routes[start, end] = Route(float(minutes[end]), steps)
    return routes


def look_route(model: FaultModel, routes: Routes, stage: str) -> Route:
    """The way from where a repair is made to the nearest powered stage not live, for a look."""
    powered = [
        (routes[stage, other.name].minutes, place, routes[stage, other.name])
        for place, other in enumerate(model.stages)
        if other.powered and not other.live and (stage, other.name) in routes
    ]
    return min(powered)[2]
