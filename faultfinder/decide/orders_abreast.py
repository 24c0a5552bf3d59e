"""Repair orders from many beliefs side by side: what `repair_order` does for one.

A roll-out asks for hundreds of orders, each a few repairs long; worked out together they take
a fraction of the time. The rules are those of `repair_order`, in the same turn, so that both
come to the same orders.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import BARELY, NO_RISE
from faultfinder.model.network import Array, Flags, Ints

Runs = Array
"""Repairs to be done in one go, shape (4, orders, runs): rise of F per cost (-1: there is none),
rise, cost, and the first of them."""


@dataclass(eq=False)
class _Growing:
    """Orders that still grow, a row each in every array: which one it is, the belief in classes
    (less what is cured, where no scenario holds more than one cause), how likely it is gone on
    with, that everything is cured, what was spent, where the machine stands, the repairs still
    open, repairs since the best point to hand over, and those that only end a part."""

    row: Ints
    belief: Array
    reach: Array
    fixed: Array
    spent: Array
    stage: Ints
    opened: Flags
    fruitless: Ints
    in_parts: Ints
    tried: list[frozenset[int]]

    def keep(self, which: Flags) -> None:
        """Let go of the others."""
        if which.all():
            return
        places = np.flatnonzero(which)
        for name, held in vars(self).items():
            kept = [held[n] for n in places.tolist()] if name == "tried" else held[places]
            setattr(self, name, kept)

    def alike(self) -> Iterator[tuple[frozenset[int], list[int]]]:
        """The rows that have tried the same repairs."""
        found: dict[frozenset[int], list[int]] = {}
        for place, tried in enumerate(self.tried):
            found.setdefault(tried, []).append(place)
        yield from found.items()


def order_costs(problem: Problem, beliefs: Array, stages: Ints, done: Flags) -> Array:
    """`repair_order.order_cost` from each of several beliefs in classes, (orders, classes):
    shape (orders,). `done` (orders, repairs) are repairs not to be tried again."""
    count, repairs, single = len(stages), len(problem.repairs), problem.single
    finish, prize = problem.finish, problem.give_up + max(problem.finish_costs) + problem.comeback
    belief = beliefs if single is None else beliefs * single[0]
    if single is not None:
        reach = belief.sum(axis=1)
    else:
        reach = 1.0 - beliefs @ problem.fixed_after(frozenset())[0] if repairs else np.ones(count)
    fixed = 1.0 - reach
    with np.errstate(invalid="ignore"):
        best: Array = fixed * finish[stages] + reach * (problem.give_up + finish[stages])
    if not count or not repairs:
        return best
    # Where giving up is no choice, the orders go on while anything can be cured.
    endless = not np.isfinite(problem.give_up)
    negligible, patience = (1e-12, repairs + 1) if endless else (BARELY, 1)
    none = np.zeros(count, dtype=np.int64)
    grow = _Growing(np.arange(count), belief, reach, fixed, fixed * finish[stages], stages, ~done,
                    none, none, [frozenset()] * count)  # fmt: skip
    ends = np.array([repair.test_stage for repair in problem.repairs], dtype=np.int64)
    several, shown = problem.several_at_once(beliefs), 1.0
    while True:
        grow.keep((grow.reach > negligible) & (grow.fruitless < patience))
        if not len(grow.row):
            return best
        if single is not None:
            rises = grow.belief @ single[1].T
        else:
            rises = np.empty((len(grow.row), repairs))
            for tried, rows in grow.alike():
                rises[rows] = grow.belief[rows] @ problem.fixed_after(tried)[1].T
            rises -= grow.fixed[:, None]
        chosen, part = _next(problem, grow, rises, prize, np.take(several, grow.row) * shown)
        if (chosen < 0).any():
            kept = chosen >= 0
            grow.keep(kept)
            chosen, part, rises = chosen[kept], part[kept], rises[kept]
        if not len(chosen):
            return best
        at = np.arange(len(chosen))
        grow.spent = grow.spent + grow.reach * problem.act_cost[grow.stage, chosen]
        grow.stage = ends[chosen]
        now = grow.fixed + np.maximum(rises[at, chosen], 0.0)
        slipped = shown * (1.0 - now) * problem.missed
        cured = shown * (now - grow.fixed)
        grow.spent += (cured + slipped) * finish[grow.stage] + slipped * problem.comeback
        shown *= 1.0 - problem.missed
        grow.fixed, grow.reach = now, shown * (1.0 - now)
        if single is not None:
            grow.belief = grow.belief * single[2][chosen]
        else:
            pairs = zip(grow.tried, chosen.tolist(), strict=True)
            grow.tried = [tried | {repair} for tried, repair in pairs]
        grow.opened = grow.opened.copy()
        grow.opened[at, chosen] = False
        some = grow.reach > 1e-12
        total = grow.spent.copy()
        total[some] += grow.reach[some] * (problem.give_up + finish[grow.stage[some]])
        better = (total < best[grow.row]) | ~np.isfinite(best[grow.row])
        best[grow.row] = np.where(better, total, best[grow.row])
        grow.fruitless = np.where(better, 0, grow.fruitless + ~part)
        grow.in_parts = np.where(better, 0, grow.in_parts + part)


def _next(
    problem: Problem, grow: _Growing, rises: Array, prize: float, several: Array
) -> tuple[Ints, Flags]:
    """The repair to go on with in each order (-1: none), and whether it was to end a part."""
    costs = np.array(problem.inner_costs)
    there = grow.opened & (rises > NO_RISE) & np.isfinite(problem.act_cost[grow.stage])
    # A repair that cannot win its own price back is left out while others can.
    worthwhile = there & (rises > grow.reach[:, None] * costs / prize)
    wins = worthwhile.any(axis=1)
    allowed = np.where(wins[:, None], worthwhile, there)
    chosen = np.full(len(rises), -1)
    for stage in np.flatnonzero(np.bincount(grow.stage)).tolist():
        rows = np.flatnonzero((grow.stage == stage) & allowed.any(axis=1))
        if len(rows):
            # What costs nothing has an infinite ratio.
            with np.errstate(divide="ignore", invalid="ignore"):
                chosen[rows] = _choose(problem, stage, allowed[rows], rises[rows], costs)
    part = np.flatnonzero(
        ~wins
        & (grow.in_parts < problem.most_at_once)
        & (several > 0.0)
        & (np.where(several > 0.0, several, 1.0) * prize > costs.min())
    ).tolist()
    # Several faults together: no single repair cures, some first ones must.
    for tried, alike in grow.alike() if part else ():
        some = [row for row in alike if row in part]
        if some:
            found = _by_parts(problem, grow, tried, some)
            chosen[some] = np.where(found >= 0, found, chosen[some])
    in_parts = np.zeros(len(chosen), dtype=np.bool_)
    in_parts[part] = True
    return chosen, in_parts


def _choose(problem: Problem, stage: int, allowed: Flags, rises: Array, costs: Array) -> Ints:
    """`repair_order._choose` from one stage: shape (orders,), -1 where nothing is allowed."""
    here: dict[int, list[Runs]] = {}
    wanted: Flags = np.asarray(allowed.any(axis=0))
    groups = [(place, numbers[wanted[numbers]]) for place, numbers in problem.repairs_at.items()]
    own = np.concatenate([numbers for _, numbers in groups])
    runs = np.empty((4, len(rises), len(own)))
    runs[1], runs[2], runs[3] = rises[:, own], costs[own], own
    runs[0] = np.where(allowed[:, own], runs[1] / runs[2], -1.0)
    end = 0
    for place, numbers in groups:
        if len(numbers):
            end += len(numbers)
            here[place] = [runs[:, :, end - len(numbers) : end]]
    # The farthest stages first, so that each is folded before the one it lies behind.
    for place, before, way in problem.outward[stage]:
        if place in here:
            here.setdefault(before, []).append(_folded(_joined(here.pop(place)), way))
    runs = _joined(here[stage])
    at = np.arange(len(rises))
    best = runs[0].argmax(axis=1)
    return np.where(runs[0, at, best] >= 0.0, runs[3, at, best], -1.0).astype(np.int64)


def _joined(parts: Sequence[Runs]) -> Runs:
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=2)


def _folded(runs: Runs, way: float) -> Runs:
    """The runs behind a way: the best of them is taken in with it, and others for as long as that
    raises its ratio."""
    if runs.shape[2] == 1:
        runs[2] += way
        runs[0] = np.where(runs[0] >= 0.0, runs[1] / runs[2], -1.0)
        return runs
    at = np.arange(runs.shape[1])
    order = np.argsort(-runs[0], axis=1, kind="stable") + at[:, None] * runs.shape[2]
    # Taken along one axis, and summed by a product: both several times quicker than they look.
    runs = runs.reshape(4, -1).take(order.reshape(-1), axis=1).reshape(runs.shape)
    sums = runs[1:3] @ _upper(runs.shape[2])
    sums[1] += way
    whole = np.where(runs[0] >= 0.0, sums[0] / sums[1], -1.0)
    last = whole.argmax(axis=1)
    runs[0, np.arange(runs.shape[2]) <= last[:, None]] = -1.0
    runs[0, :, 0] = whole[at, last]
    runs[1:3, :, 0] = sums[:, at, last]
    return runs


@cache
def _upper(size: int) -> Array:
    """What a row times it is the sums of its beginnings."""
    return np.triu(np.ones((size, size)))


def _by_parts(problem: Problem, grow: _Growing, tried: frozenset[int], rows: Sequence[int]) -> Ints:
    """`repair_order._by_parts` in orders that have tried the same repairs."""
    left, success = problem.faults_left(tried)
    removed = grow.belief[rows] @ (left * success).sum(axis=1).T
    cost = problem.act_cost[grow.stage[rows]]
    open_now = grow.opened[rows] & (removed > NO_RISE) & np.isfinite(cost)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(open_now, removed / cost, -1.0)
    best = score.argmax(axis=1)
    return np.where(score[np.arange(len(rows)), best] >= 0.0, best, -1)
