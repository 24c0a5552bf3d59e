"""Junction trees: the structure on which exact beliefs are computed.

Triangulation by greedy elimination (minimum fill or minimum weight, whichever
gives the smaller tree; Kjaerulff 1990), cliques joined by a maximum spanning
tree over separator sizes (Jensen & Jensen 1994).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import field
from functools import cached_property

from faultfinder.frozen import frozen
from faultfinder.inference.firsts import Firsts, first_in, scopes_of


@frozen
class Edge:
    """A tree edge from `child` up to `parent` (clique numbers).

    `sum_child` and `sum_parent` are the axes to sum out of either clique to reach
    the separator; `view_child` and `view_parent` the shapes that broadcast the
    separator back (a batch axis of -1 stands last).
    """

    child: int
    parent: int
    sum_child: tuple[int, ...]
    sum_parent: tuple[int, ...]
    view_child: tuple[int, ...]
    view_parent: tuple[int, ...]


@frozen
class Twig:
    """A variable that hangs on a first alone, and with all that hangs on it outside the tree.

    Given the first it is independent of everything else, so that evidence on it comes down to
    a factor over the first. `shape` is (states of the first, own states).
    """

    number: int
    first: int
    shape: tuple[int, int]


@frozen
class JunctionTree:
    """Cliques of variable numbers (ascending), and edges in leaves-to-root order.

    `firsts` are variables outside it that are the first of others inside; what hangs on them
    is written out over those (see `faultfinder.inference.firsts`), but for `twigs`, which have
    tables of their own behind those of the cliques.
    """

    cliques: tuple[tuple[int, ...], ...]
    shapes: tuple[tuple[int, ...], ...]
    edges: tuple[Edge, ...]
    root: int
    firsts: Firsts = field(default_factory=dict)
    twigs: tuple[Twig, ...] = ()

    @cached_property
    def cards(self) -> dict[int, int]:
        """Number of states of each variable in the tree."""
        pairs = zip(self.cliques, self.shapes, strict=True)
        return {v: n for clique, shape in pairs for v, n in zip(clique, shape, strict=True)}

    @cached_property
    def size(self) -> int:
        """Total entries of all tables."""
        own = sum(math.prod(twig.shape) for twig in self.twigs)
        return own + sum(math.prod(shape) for shape in self.shapes)

    def without_twigs(self, scope: Iterable[int]) -> tuple[int, ...]:
        """The scope with the firsts of its twigs in their place, ascending."""
        of = {twig.number: twig.first for twig in self.twigs}
        return tuple(sorted({of.get(v, v) for v in scope}))

    @cached_property
    def _sets(self) -> tuple[frozenset[int], ...]:
        return tuple(map(frozenset, self.cliques))

    def home(self, scope: Iterable[int]) -> int | None:
        """The smallest clique that holds all of `scope`, or None.

        For a scope with a first: the root, where all that it is written out to has a home.
        """
        wanted = frozenset(scope)
        if wanted not in self._homes:
            # A twig is read beside its first.
            self._homes[wanted] = self._find_home(frozenset(self.without_twigs(wanted)))
        return self._homes[wanted]

    @cached_property
    def _homes(self) -> dict[frozenset[int], int | None]:
        return {}

    def _find_home(self, wanted: frozenset[int]) -> int | None:
        if first_in(tuple(wanted), self.firsts) is not None:
            pieces = scopes_of(tuple(wanted), self.firsts)
            return None if any(self.home(piece) is None for piece in pieces) else self.root
        best: int | None = None
        best_size = 0
        for number, members in enumerate(self._sets):
            if wanted <= members:
                size = math.prod(self.shapes[number])
                if best is None or size < best_size:
                    best, best_size = number, size
        return best


CLIQUE_LIMIT = 1 << 26
"""Entries of one clique above which its variable is eliminated last; twice any tree we keep."""

_CLIQUE_BITS = math.log2(CLIQUE_LIMIT)


def build_tree(
    scopes: Iterable[Sequence[int]], cards: Sequence[int], firsts: Firsts | None = None
) -> JunctionTree:
    """Build a tree in which every scope lies inside some clique.

    `cards[i]` is the number of states of variable i; only variables named in a
    scope appear in the tree. Scopes that hold one of `firsts` are written out.
    """
    firsts = firsts or {}
    return _join(_cliques(scopes, cards, firsts) or [()], cards, firsts)


def tree_size(
    scopes: Iterable[Sequence[int]], cards: Sequence[int], firsts: Firsts | None = None
) -> int:
    """The entries that the tables of `build_tree` would hold, without building it."""
    return _entries(_cliques(scopes, cards, firsts or {}), cards)


def _cliques(
    scopes: Iterable[Sequence[int]], cards: Sequence[int], firsts: Firsts
) -> list[tuple[int, ...]]:
    written = (small for scope in scopes for small in scopes_of(scope, firsts))
    wanted = list(dict.fromkeys(tuple(sorted(set(scope))) for scope in written))
    candidates = [_eliminate(wanted, cards, by_fill) for by_fill in (True, False)]
    return min(candidates, key=lambda cliques: _entries(cliques, cards))


def _entries(cliques: Iterable[Sequence[int]], cards: Sequence[int]) -> int:
    return sum(math.prod(cards[v] for v in clique) for clique in cliques)


def _eliminate(
    scopes: Sequence[tuple[int, ...]], cards: Sequence[int], by_fill: bool
) -> list[tuple[int, ...]]:
    neighbours: dict[int, set[int]] = {}
    for scope in scopes:
        for variable in scope:
            neighbours.setdefault(variable, set()).update(scope)
    for variable, around in neighbours.items():
        around.discard(variable)
    weight = {variable: math.log2(cards[variable]) for variable in neighbours}

    def cost(variable: int) -> tuple[float, float, int]:
        around = neighbours[variable]
        total = weight[variable] + sum(weight[other] for other in around)
        if total > _CLIQUE_BITS:
            # Counting the fill of hundreds of neighbours takes long, and such a clique is
            # beyond any limit: whatever else can be eliminated goes before it.
            return (math.inf, total, variable)
        if not by_fill:
            return (total, 0.0, variable)
        missing = 0.0
        for first in around:
            for second in around - neighbours[first]:
                if second > first:
                    missing += weight[first] * weight[second]
        return (missing, total, variable)

    costs = {variable: cost(variable) for variable in neighbours}
    cliques: list[frozenset[int]] = []
    while costs:
        variable = min(costs, key=lambda v: costs[v])
        if costs[variable][0] == math.inf:
            # No elimination order of this kind stays below the limit: all that is left is
            # one clique too large, which the caller refuses by its size.
            cliques.append(frozenset(costs))
            break
        around = neighbours.pop(variable)
        del costs[variable]
        clique = frozenset(around | {variable})
        if not any(clique <= other for other in cliques):
            cliques.append(clique)
        touched = set(around)
        for other in around:
            neighbours[other] |= around
            neighbours[other] -= {other, variable}
            touched |= neighbours[other]
        for other in touched:
            if other in costs:
                costs[other] = cost(other)
    maximal = [c for c in cliques if not any(c < other for other in cliques)]
    return [tuple(sorted(clique)) for clique in maximal]


def _join(cliques: Sequence[tuple[int, ...]], cards: Sequence[int], firsts: Firsts) -> JunctionTree:
    sets = [frozenset(clique) for clique in cliques]
    # Prim's algorithm for the maximum spanning tree over separator sizes; an empty
    # separator joins parts of the model that have nothing to do with each other.
    links: list[list[int]] = [[] for _ in cliques]
    best = dict.fromkeys(range(1, len(cliques)), (-1, 0))
    latest = 0
    while best:
        for number in best:
            shared = len(sets[number] & sets[latest])
            if shared > best[number][0]:
                best[number] = (shared, latest)
        latest = max(best, key=lambda number: (best[number][0], -number))
        other = best.pop(latest)[1]
        links[latest].append(other)
        links[other].append(latest)
    root = _centre(links)
    order: list[tuple[int, int]] = []
    stack = [(root, -1)]
    while stack:
        number, parent = stack.pop()
        if parent >= 0:
            order.append((number, parent))
        stack.extend((other, number) for other in links[number] if other != parent)
    shapes = tuple(tuple(cards[v] for v in clique) for clique in cliques)
    edges = tuple(_edge(child, parent, cliques, cards) for child, parent in reversed(order))
    return JunctionTree(tuple(cliques), shapes, edges, root, firsts)


def _edge(
    child: int, parent: int, cliques: Sequence[tuple[int, ...]], cards: Sequence[int]
) -> Edge:
    shared = set(cliques[child]) & set(cliques[parent])

    def outside(clique: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(axis for axis, v in enumerate(clique) if v not in shared)

    def view(clique: tuple[int, ...]) -> tuple[int, ...]:
        return (*(cards[v] if v in shared else 1 for v in clique), -1)

    return Edge(
        child,
        parent,
        outside(cliques[child]),
        outside(cliques[parent]),
        view(cliques[child]),
        view(cliques[parent]),
    )


def _centre(links: Sequence[Sequence[int]]) -> int:
    """A clique in the middle of the tree, so that messages travel short ways."""

    def farthest(start: int) -> tuple[int, dict[int, int]]:
        came = {start: -1}
        queue = [start]
        for number in queue:
            for other in links[number]:
                if other not in came:
                    came[other] = number
                    queue.append(other)
        return queue[-1], came

    end, _ = farthest(0)
    other, came = farthest(end)
    path = [other]
    while came[path[-1]] >= 0:
        path.append(came[path[-1]])
    return path[len(path) // 2]
