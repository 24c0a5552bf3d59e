"""The best order of repairs from a belief, and its expected cost.

The expected cost of repair of a sequence (Heckerman, Breese & Rommelse 1995;
Jensen et al. 2001): each action is paid with the probability that it is reached.
With F_k the probability that all causes are gone after the first k repairs and m
the chance that the powered look misses a fault, repair k + 1 is reached with
probability (1 - m)^k (1 - F_k).

Repairs are taken greedily by the rise of F per cost. For a single fault that is
the order by p/C (Kalagnanam & Henrion 1990); for independent faults F is a
product and the same rule becomes p/(C (1 - p)) (Vomlelova 2003). Repairs behind
the same teardown are weighed together with the way to it, as one cluster
(Langseth & Jensen 2003; Horn 1972).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.frozen import frozen
from faultfinder.model.network import Array, Flags, Ints

NEGLIGIBLE = 1e-4
"""A sequence ends when it would be continued with less than this probability."""


BARELY = 1e-3
"""The same, where many orders are only compared."""

NO_RISE = 1e-12
"""A repair that ends the job by no more than this is none to choose."""

_NEVER = float("inf")

ON_THE_WAY = 2
"""Repairs named that lie on the way to others, those that end the job most often."""

PATIENCE = 2
"""Repairs tried on after the best point to hand over, before an order is given up."""


@frozen
class RepairStep:
    """One repair in an order: `reached` with what probability, `cost` if reached,
    and the probability that it ends the job (`passes`)."""

    repair: int
    reached: float
    cost: float
    passes: float


@frozen
class RepairOrder:
    """Repairs in order, then handing over; cost in money."""

    steps: tuple[RepairStep, ...]
    cost: float


def best_order(
    problem: Problem, weights: Array, stage: int, done: frozenset[int] = frozenset()
) -> RepairOrder:
    """A greedy repair order from `stage`, cut where handing over is cheaper.

    `weights` (scenarios,) sum to one; `done` are repairs not to be tried again.
    """
    order, _ = _greedy(problem, problem.in_classes(weights), stage, done, NEGLIGIBLE, PATIENCE)
    return evaluate_order(problem, weights, stage, order)


def order_cost(
    problem: Problem, weights: Array, stage: int, done: frozenset[int] = frozenset()
) -> float:
    """The expected cost of about that order, for comparing many beliefs quickly.

    It looks less far: what is left below BARELY counts as handed over.
    """
    return _greedy(problem, problem.in_classes(weights), stage, done, BARELY, 1)[1]


def most_likely_order(
    problem: Problem,
    weights: Array,
    most: int,
    least: float,
    beside: float,
    done: Collection[int] = (),
) -> tuple[int, ...]:
    """The `most` repairs that end the job most often, in the order of p/C with their ways as
    clusters, each tried until one mends, and with each what lies on the way to it, is quicker
    won and costs at most half of it. Left out are those of them that end it less often than
    `least`, what is on the way less often than `beside`, what is out of reach, and `done`. For
    saying what comes, whether it pays or not.

    `weights` (scenarios,) sum to one.
    """
    here = stage = problem.stage
    uncured = np.where(problem.faulty > 0.0, weights, 0.0)
    rises = problem.cures @ uncured
    left = [r for r in np.flatnonzero(rises >= beside).tolist() if r not in done]
    ends: dict[int, float] = {}
    while left and (chosen := _choose(problem, rises.tolist(), stage, left)) is not None:
        left.remove(chosen)
        if rises[chosen] >= beside:
            ends[chosen] = float(rises[chosen])
            stage = problem.repairs[chosen].test_stage
            uncured = uncured * (1.0 - problem.cures[chosen])
            rises = problem.cures @ uncured
    named = [r for r in sorted(ends, key=lambda r: -ends[r])[:most] if ends[r] >= least]
    order, places = list(ends), problem.repair_places

    def on_the_way(repair: int) -> bool:
        later = [one for one in order[order.index(repair) :] if one in named]
        own = problem.repairs
        return ends[repair] >= (least if places[repair] == here else beside) and any(
            lies_on_the_way(problem, places[repair], places[one])
            and own[repair].cost <= own[one].cost / 2
            for one in later
        )

    way = sorted((r for r in order if r not in named and on_the_way(r)), key=lambda r: -ends[r])
    return tuple(r for r in order if r in named or r in way[:ON_THE_WAY])


def lies_on_the_way(problem: Problem, stage: int, end: int) -> bool:
    """Whether one passes through a stage, or stops there, going to `end` from where the machine
    stands."""
    travel, here = problem.travel, problem.stage
    return bool(travel[here, stage] + travel[stage, end] <= travel[here, end] + 1e-9)


def first_repairs(problem: Problem, weights: Array, stages: Ints, done: Flags) -> Ints:
    """The first of that order from each of several beliefs (rows), by number; -1 for handing
    over. `done` (rows, repairs) are those not to be tried again."""
    found = []
    beliefs = problem.in_classes(weights) if len(stages) else weights
    for belief, stage, made in zip(beliefs, stages.tolist(), done, strict=True):
        tried = frozenset(np.flatnonzero(made).tolist())
        order, _ = _greedy(problem, belief, stage, tried, NEGLIGIBLE, PATIENCE, first=True)
        found.append(order[0] if order else -1)
    return np.array(found, dtype=np.int64)


def _greedy(
    problem: Problem,
    belief: Array,
    stage: int,
    done: frozenset[int],
    negligible: float,
    patience: int,
    *,
    first: bool = False,
) -> tuple[tuple[int, ...], float]:
    """The order and its cost, from a belief in classes; with `first` no further than it takes to
    know that it begins."""
    tried: frozenset[int] = frozenset()
    open_repairs = [r for r in range(len(problem.repairs)) if r not in done]
    single = problem.single
    uncured = belief if single is None else belief * single[0]
    if single is not None:
        reach = float(uncured.sum())
    else:
        reach = 1.0 - float(problem.fixed_after(tried)[0] @ belief) if problem.repairs else 1.0
    fixed = 1.0 - reach
    healthy_first = fixed
    shown = 1.0
    spent = 0.0
    finish, costs, from_stage = problem.finish_costs, problem.inner_costs, problem.act_costs
    prize = problem.give_up + max(finish) + problem.comeback
    best_cost = healthy_first * finish[stage] + reach * (problem.give_up + finish[stage])
    spent += healthy_first * finish[stage]
    best_length = 0
    order: list[int] = []
    if not np.isfinite(problem.give_up):
        # Giving up is no choice: the order goes on while anything can be cured.
        negligible, patience = 1e-12, len(open_repairs) + 1
    fruitless, in_parts = 0, 0
    while reach > negligible and open_repairs and fruitless < patience:
        if single is not None:
            rises = (single[1] @ uncured).tolist()
        else:
            rises = (problem.fixed_after(tried)[1] @ belief - fixed).tolist()
        # A repair that cannot win its own price back is left out while others can.
        worthwhile = [r for r in open_repairs if rises[r] > reach * costs[r] / prize]
        chosen = _choose(problem, rises, stage, worthwhile) if worthwhile else None
        part = chosen is None and in_parts < problem.most_at_once
        if part and shown * float(problem.several_at_once(belief)) * prize > min(
            problem.inner_costs
        ):
            # Several faults together: no single repair cures, some first ones must.
            chosen = _by_parts(problem, belief, stage, tried, open_repairs)
            in_parts += 1
        else:
            part = False
        if chosen is None:
            chosen = _choose(problem, rises, stage, open_repairs)
        if chosen is None:
            break
        cost = from_stage[stage][chosen]
        if cost == _NEVER:
            open_repairs.remove(chosen)
            continue
        spent += reach * cost
        stage = problem.repairs[chosen].test_stage
        now = fixed + max(rises[chosen], 0.0)
        cured = shown * (now - fixed)
        slipped = shown * (1.0 - now) * problem.missed
        spent += (cured + slipped) * finish[stage] + slipped * problem.comeback
        shown *= 1.0 - problem.missed
        fixed = now
        reach = shown * (1.0 - fixed)
        if single is not None:
            uncured = uncured * single[2][chosen]
        else:
            tried = tried | {chosen}
        open_repairs.remove(chosen)
        order.append(chosen)
        left = reach * (problem.give_up + finish[stage]) if reach > 1e-12 else 0.0
        total = spent + left
        if total < best_cost or not math.isfinite(best_cost):
            best_cost, best_length, fruitless, in_parts = total, len(order), 0, 0
            if first:
                break
        elif not part:
            fruitless += 1
    return tuple(order[:best_length]), float(best_cost)


_Run = tuple[float, float, float, int]
"""Repairs to be done in one go: rise of F per cost, rise, cost, and the first of them."""


def _choose(
    problem: Problem, rises: Sequence[float], stage: int, open_repairs: Sequence[int]
) -> int | None:
    """The first repair of the run with the highest rise of F per cost.

    Horn's rule (1972) on the tree of stages as seen from here: opening a stage is a
    job that mends nothing; it takes in the best of what lies behind it for as long as
    that raises its own ratio.
    """
    here: dict[int, list[_Run]] = {}
    places, costs = problem.repair_places, problem.inner_costs
    if len(open_repairs) == 1:
        repair = open_repairs[0]
        there = rises[repair] > NO_RISE and problem.act_costs[stage][repair] < _NEVER
        return repair if there else None
    for repair in open_repairs:
        rise, cost = rises[repair], costs[repair]
        if rise > NO_RISE and cost < _NEVER:
            run = (rise / cost if cost > 0.0 else _NEVER, rise, cost, repair)
            if places[repair] in here:
                here[places[repair]].append(run)
            else:
                here[places[repair]] = [run]
    if not here:
        return None
    if len(here) == 1 and stage in here:
        return max(here[stage])[3]
    # The farthest stages first, so that each is folded before the one it lies behind.
    for place, before, way in problem.outward[stage]:
        runs = here.pop(place, None)
        if runs is None:
            continue
        runs.sort(reverse=True)
        rise, cost, first, taken = 0.0, way, -1, 0
        for ratio, more, price, repair in runs:
            if first >= 0 and (cost <= 0.0 or ratio <= rise / cost):
                break
            rise, cost, taken = rise + more, cost + price, taken + 1
            first = repair if first < 0 else first
        whole = (rise / cost if cost > 0.0 else _NEVER, rise, cost, first)
        if before in here:
            here[before] += (whole, *runs[taken:])
        else:
            here[before] = [whole, *runs[taken:]]
    return max(here[stage])[3] if stage in here else None


def _by_parts(
    problem: Problem,
    weights: Array,
    stage: int,
    tried: frozenset[int],
    open_repairs: Sequence[int],
) -> int | None:
    """When no single repair can end the job: the most faults removed per cost.

    `weights` are those of the classes.
    """
    left, success = problem.faults_left(tried)
    best: tuple[float, int] | None = None
    for repair in open_repairs:
        removed = float((left * success[repair]).sum(axis=0) @ weights)
        cost = float(problem.act_cost[stage, repair])
        if removed > NO_RISE and np.isfinite(cost):
            score = removed / cost if cost > 0.0 else np.inf
            if best is None or score > best[0]:
                best = (score, repair)
    return None if best is None else best[1]


def evaluate_order(
    problem: Problem, weights: Array, stage: int, order: Sequence[int]
) -> RepairOrder:
    """The expected cost of a given order, then handing over, step by step."""
    tried: frozenset[int] = frozenset()
    weights = problem.in_classes(weights)
    fixed = float(problem.fixed_after(tried)[0] @ weights)
    shown = 1.0
    spent = fixed * float(problem.finish[stage])
    steps = []
    for repair in order:
        reach = shown * (1.0 - fixed)
        cost = float(problem.act_cost[stage, repair])
        stage = problem.repairs[repair].test_stage
        tried = tried | {repair}
        now = float(problem.fixed_after(tried)[0] @ weights)
        cured = shown * (now - fixed)
        slipped = shown * (1.0 - now) * problem.missed
        if reach > 0.0:
            spent += reach * cost
        spent += (cured + slipped) * float(problem.finish[stage]) + slipped * problem.comeback
        steps.append(RepairStep(repair, reach, cost, cured + slipped))
        shown *= 1.0 - problem.missed
        fixed = now
    reach = max(shown * (1.0 - fixed), 0.0)
    # Below rounding, "given up" has not happened: an infinite price must not count.
    if reach > 1e-12:
        spent += reach * (problem.give_up + float(problem.finish[stage]))
    return RepairOrder(tuple(steps), float(spent))
