"""A repair problem over explicit scenarios: the form in which plans are weighed.

A scenario is one joint state of all causes. Beliefs are weights over scenarios;
a check's result multiplies them by its likelihood, a repair moves them (the
cause state before, the repair's success, the cause state after). Findings made
before a repair therefore speak of the machine as it was, later ones of the
machine as it is.

Everything here is money; minutes have been turned into it by the shop's rate.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import field, replace
from functools import cached_property

import numpy as np

from faultfinder.decide.naming import Names
from faultfinder.errors import FaultfinderError
from faultfinder.frozen import frozen
from faultfinder.model.network import Array, Flags, Ints

Codes = tuple[Ints, Ints, Ints]
"""Each scenario as one number, the place value of each cause, and the order by number."""

Moves = tuple[Ints, Ints, Array]
"""Scenarios by number: from, to, and with what probability, one entry per possibility."""

TINY = np.finfo(float).tiny
"""What is less likely than this cannot be."""

LIKELY_CURE, PAYS = 0.5, 2.0
"""From which chance of a cure a repair is one to name, and how many times its cost the machine is
taken to be worth at least when the right repair is named."""


@frozen
class CheckAction:
    """A check: its own cost, its stage, and P(result | scenario), shape (results, scenarios).

    `findings` are what it still tells, the last varying fastest in the results. `behind` are
    the checks (by number) that come before it; `shop_share` is what of the cost the customer
    does not pay (expected harm); `kits` are numbers of what must be set up for it.
    """

    name: str
    results: tuple[str, ...]
    cost: float
    stage: int
    likelihood: Array = field(repr=False)
    findings: tuple[str, ...] = ()
    behind: frozenset[int] = frozenset()
    shop_share: float = 0.0
    kits: frozenset[int] = frozenset()


@frozen
class RepairAction:
    """A repair: own cost (labour, part, expected harm), the stage it is done in, and
    the stage of the powered look after it.

    `mends` has shape (causes, largest number of states): the probability that the
    cause in that state is gone afterwards (zero in the first column). `shop_share` is
    what of the cost the customer does not pay (waiting, expected harm). `behind` are the names
    of checks that come before it as far as they can still be made; `closes` are the checks (by
    number) that cannot be made after it; `made_by` is the check that made it and seems to have
    mended ("" for none).
    """

    name: str
    cost: float
    stage: int
    test_stage: int
    mends: Array = field(repr=False)
    shop_share: float = 0.0
    behind: frozenset[str] = frozenset()
    closes: frozenset[int] = frozenset()
    made_by: str = ""


@frozen(eq=False)
class Problem:
    """All that planning needs to know.

    `scenarios` has shape (scenarios, causes) and holds state numbers; row 0 is the
    machine without a fault. With every scenario it holds every scenario from which
    faults have been removed. `weights` (scenarios,) is the belief now, summing to one.
    `travel` has shape (stages, stages): money to get from one to another, infinite
    when there is no way. `finish` (stages,) is what closing up and handing out costs.
    `missed` is the probability that the powered look after a repair passes although
    a fault is left; that costs `comeback`. `give_up` is the price of handing the
    machine over unrepaired (closing up comes on top); infinite when that is no choice.
    `handling` is what a step costs besides its own work, for the order of checks (not part of
    any cost). `neglected` is the probability of all scenarios left out; `evidence_probability`
    that of the findings before any repair, `since` those of the findings after each.
    `kits` (kits,) is what setting up each costs, once for all checks that need it (0: it is set
    up). With `names` a job ends with one of them and not with a repair.
    """

    causes: tuple[str, ...]
    scenarios: Ints = field(repr=False)
    weights: Array = field(repr=False)
    checks: tuple[CheckAction, ...]
    repairs: tuple[RepairAction, ...]
    stages: tuple[str, ...]
    stage: int
    travel: Array = field(repr=False)
    finish: Array = field(repr=False)
    retest: float = 0.0
    missed: float = 0.0
    comeback: float = 0.0
    give_up: float = np.inf
    handling: float = 0.0
    neglected: float = 0.0
    evidence_probability: float = 1.0
    since: tuple[float, ...] = ()
    kits: tuple[float, ...] = ()
    names: Names | None = None

    def setting_up(self, check: int, checked: Collection[int]) -> float:
        """What setting up costs for a check once others were made."""
        return float(self.setting_up_each(checked)[check]) if self.kits else 0.0

    def setting_up_each(self, checked: Collection[int]) -> Array:
        """The same for every check: shape (checks,)."""
        up = frozenset(kit for check in checked for kit in self.checks[check].kits)
        if up not in self._setting_up:
            left = [0.0 if kit in up else cost for kit, cost in enumerate(self.kits)]
            self._setting_up[up] = np.array(
                [sum(left[kit] for kit in check.kits) for check in self.checks]
            )
        return self._setting_up[up]

    @cached_property
    def _setting_up(self) -> dict[frozenset[int], Array]:
        return {}

    def without(self, gone: Collection[int]) -> Problem:
        """The same where some checks cannot be made; nothing waits for them any more."""
        kept = [number for number in range(len(self.checks)) if number not in gone]
        now = {number: place for place, number in enumerate(kept)}
        checks = (
            replace(check, behind=frozenset(now[one] for one in check.behind if one in now))
            for check in (self.checks[number] for number in kept)
        )
        repairs = (
            replace(repair, closes=frozenset(now[one] for one in repair.closes if one in now))
            for repair in self.repairs
        )
        return replace(self, checks=tuple(checks), repairs=tuple(repairs))

    def for_checks(self) -> Problem:
        """The same for who makes checks only: scenarios that no check tells apart are one."""
        first, which = _alike(self.told[0].T)
        checks = (replace(check, likelihood=check.likelihood[:, first]) for check in self.checks)
        return replace(
            self,
            scenarios=self.scenarios[first],
            weights=np.bincount(which, self.weights).astype(np.float64, copy=False),
            checks=tuple(checks),
        )

    def closed(self, checked: frozenset[int]) -> list[int]:
        """The checks that cannot be made now: those made, and those that others come before."""
        return [*checked, *(check for check in self._waiting if not self.is_open(check, checked))]

    def is_open(self, check: int, checked: frozenset[int]) -> bool:
        """Whether a check was not made yet, and all that come before it were."""
        return check not in checked and self.checks[check].behind <= checked

    def are_open(self, made: Flags) -> Flags:
        """The same of all checks in several situations: (situations, checks), as is `made`."""
        waits = self._waits
        opened: Flags = ~made & (made @ waits >= waits.sum(axis=0))
        return opened

    @cached_property
    def _waits(self) -> Array:
        """1 where a check (row) comes before another (column)."""
        waits = np.zeros((len(self.checks), len(self.checks)))
        for number, check in enumerate(self.checks):
            waits[list(check.behind), number] = 1.0
        return waits

    def pending(self, repair: int, checked: frozenset[int], stage: int) -> list[int]:
        """The checks that still come before a repair, and before those, of such as can be made now
        from a stage."""
        names = self.repairs[repair].behind
        before = {number for number, check in enumerate(self.checks) if check.name in names}
        left = list(before - checked)
        while left:
            more = self.checks[left.pop()].behind - before - checked
            before |= more
            left += more
        return [
            number
            for number in sorted(before)
            if self.is_open(number, checked)
            and np.isfinite(self.travel[stage, self.checks[number].stage])
        ]

    @cached_property
    def made_anyway(self) -> Array:
        """How likely each check comes before the right repair, as believed at first: (checks,)."""
        if self.names is not None:
            return np.zeros(len(self.checks))
        shares = np.bincount(self.right_repair, self.weights, len(self.repairs) + 2)
        found: Array = np.array(
            [
                sum(shares[n] for n, one in enumerate(self.repairs) if check.name in one.behind)
                for check in self.checks
            ]
        )
        return found

    @cached_property
    def _waiting(self) -> tuple[int, ...]:
        return tuple(number for number, check in enumerate(self.checks) if check.behind)

    @cached_property
    def faulty(self) -> Array:
        """1 where a scenario has any cause present, else 0; shape (scenarios,)."""
        result: Array = (self.scenarios != 0).any(axis=1).astype(np.float64)
        return result

    @cached_property
    def told(self) -> tuple[Array, Ints]:
        """P(result | scenario) of all checks below one another, (results, scenarios), and where
        each check's results begin: (checks,)."""
        begins = np.cumsum([0, *(len(check.results) for check in self.checks[:-1])])
        return np.concatenate([check.likelihood for check in self.checks]), begins

    @cached_property
    def told_with_noise(self) -> Array:
        """The same rows, and below them the bits of noise in each check: (results and checks,
        scenarios)."""
        rows, begins = self.told
        noise = -np.add.reduceat(rows * np.log2(np.maximum(rows, TINY)), begins)
        return np.concatenate([rows, noise])

    def success(self, repair: int) -> Array:
        """P(cause gone after a repair) in each scenario: shape (scenarios, causes)."""
        mends: Array = self.repairs[repair].mends[np.arange(len(self.causes)), self.scenarios]
        return mends

    @cached_property
    def _held(self) -> tuple[Flags, Array]:
        """The causes that each scenario holds, few where there are many causes: whether a slot
        holds one, (scenarios, slots), and how likely each repair mends that one, (repairs,
        scenarios, slots)."""
        held = self.scenarios != 0
        slots = max(int(held.sum(axis=1).max(initial=0)), 1)
        causes = np.argsort(~held, axis=1, kind="stable")[:, :slots]
        states = np.take_along_axis(self.scenarios, causes, axis=1)
        if not self.repairs:
            return states != 0, np.zeros((0, *states.shape))
        mends = np.stack([repair.mends for repair in self.repairs])
        return states != 0, mends[:, causes, states]

    @cached_property
    def cures(self) -> Array:
        """P(a repair by itself mends all that is faulty): shape (repairs, scenarios)."""
        held, success = self._held
        found: Array = np.where(held[None], success, 1.0).prod(axis=2)
        return found

    @cached_property
    def right_repair(self) -> Ints:
        """The repair that would be chosen if the scenario were known: shape (scenarios,); one
        past the last where none mends, two past it for no fault at all.

        It is the one that saves most of what handing over costs, by how surely it mends
        everything. Whether a repair pays is the owner's to say, once its price is known: so a
        machine is taken as worth at least twice what its cheapest likely cure costs. Where a job
        ends with a name, it is the number of the true one.
        """
        if self.names is not None:
            return self.names.of
        held, success = self._held
        found = np.full(len(held), len(self.repairs), dtype=np.int64)
        if self.repairs:
            cures = self.cures
            cost = np.nan_to_num(self.act_cost[self.stage], posinf=1e9)
            likely = np.where(cures >= LIKELY_CURE, cost[:, None], np.inf).min(axis=0)
            least = np.where(np.isfinite(likely), PAYS * likely, 0.0)
            lost = np.maximum(self.give_up if np.isfinite(self.give_up) else 1e6, least)
            saved = cures * lost - cost[:, None]
            # Several faults that no single repair ends: the one that clears most of them.
            part = np.where(held[None], success, 0.0).sum(axis=2)
            saved = np.where(cures.max(axis=0) > 0.0, saved, part * 1e-3)
            found = np.where(saved.max(axis=0) > 0.0, saved.argmax(axis=0), found)
        found[~held.any(axis=1)] = len(self.repairs) + 1
        return found

    @cached_property
    def act_cost(self) -> Array:
        """Cost of a repair from each stage, powered look included: shape (stages, repairs)."""
        places = np.array(self.repair_places, dtype=np.int64)
        cost: Array = self.travel[:, places] + np.array(self.inner_costs)
        return cost

    @cached_property
    def act_costs(self) -> list[list[float]]:
        """`act_cost` as plain numbers, which are quicker to take one by one."""
        costs: list[list[float]] = self.act_cost.tolist()
        return costs

    @cached_property
    def finish_costs(self) -> list[float]:
        """`finish` as plain numbers."""
        costs: list[float] = self.finish.tolist()
        return costs

    def behind(self, stage: int) -> Mapping[int, int]:
        """For every other stage that can be reached, the last stage on the way to it."""
        way = self.travel[stage]
        last: dict[int, int] = {}
        for place in range(len(self.stages)):
            if place == stage or not np.isfinite(way[place]):
                continue
            passed = [
                via
                for via in range(len(self.stages))
                if via not in (place, stage)
                and way[via] + self.travel[via, place] <= way[place] + 1e-9
                and (way[via], via) < (way[place], place)
            ]
            last[place] = max(passed, key=lambda via: (way[via], via), default=stage)
        return last

    @cached_property
    def _moves(self) -> dict[int, Moves]:
        return {}

    @cached_property
    def _codes(self) -> Codes:
        return codes_of(self.scenarios)

    def moves(self, repair: int) -> Moves:
        """How a repair moves scenarios."""
        if repair not in self._moves:
            name, success = self.repairs[repair].name, self.success(repair)
            self._moves[repair] = moves_by(name, success, self.scenarios, self._codes)
        return self._moves[repair]

    def after_repair(self, weights: Array, repair: int) -> Array:
        """The belief (or several, one a row) about the machine as it is after a repair, nothing
        else known."""
        return moved(weights, self.moves(repair))

    def after_failed_look(self, weights: Array) -> Array:
        """Unnormalised belief once the powered look after a repair still shows the fault."""
        return weights * self.faulty * (1.0 - self.missed)

    @cached_property
    def classes(self) -> tuple[Ints, Array, Array]:
        """Scenarios that every repair treats alike count as one.

        Returns the class of each scenario; 1 for a slot that holds a cause, shape
        (slots, classes); and the repairs' success on it, shape (repairs, slots, classes).
        """
        present, success = self._held
        success = np.where(present[None], success, -1.0).transpose(1, 2, 0)
        if self.repairs:
            # The same causes in another order are the same.
            keys = np.ascontiguousarray(success).view([("", np.float64)] * len(self.repairs))
            keys = np.sort(keys[..., 0], axis=1)
            flat = np.ascontiguousarray(keys).view(np.float64).reshape(len(present), -1)
        else:
            flat = np.where(present, -2.0, -1.0).astype(np.float64)
        first, which = _alike(flat)
        chosen = present[first].T.astype(np.float64)
        mends = np.maximum(success[first].transpose(2, 1, 0), 0.0)
        return which, np.ascontiguousarray(chosen), np.ascontiguousarray(mends)

    def in_classes(self, weights: Array) -> Array:
        """The belief (or several, one a row) summed over scenarios that every repair treats
        alike: shape (..., classes)."""
        which, present, _ = self.classes
        if weights.ndim == 1:
            summed = np.bincount(which, weights, minlength=present.shape[1])
            return summed.astype(np.float64, copy=False)
        order, begins = self._by_class
        beliefs: Array = np.add.reduceat(weights[:, order], begins, axis=1)
        return beliefs

    @cached_property
    def _by_class(self) -> tuple[Ints, Ints]:
        """The scenarios class by class, and where each class begins."""
        which = self.classes[0]
        order = np.argsort(which, kind="stable")
        return order, np.searchsorted(which[order], np.arange(self.classes[1].shape[1]))

    @cached_property
    def single(self) -> tuple[Array, Array, Array] | None:
        """Where no scenario holds more than one cause: 1 for each class that holds one, shape
        (classes,), and how likely each repair mends it and does not, (repairs, classes)."""
        _, present, mends = self.classes
        return (present[0], mends[:, 0], self._fails[:, 0]) if len(present) == 1 else None

    @property
    def most_at_once(self) -> int:
        """The most causes any scenario holds."""
        return int(self.classes[1].shape[0])

    def several_at_once(self, beliefs: Array) -> Array:
        """The probability of more than one cause, for beliefs from `in_classes`: shape (...)."""
        found: Array = beliefs @ (self.classes[1].sum(axis=0) > 1.0).astype(np.float64)
        return found

    def needless(self, repair: int) -> Array:
        """1 for each scenario in which a repair mends nothing, else 0: shape (scenarios,)."""
        return np.where((self.success(repair) > 0.0).any(axis=1), 0.0, 1.0)

    def faults_left(self, done: frozenset[int]) -> tuple[Array, Array]:
        """P(a cause is still there) after `done`, shape (slots, classes), and the repairs'
        success on it, shape (repairs, slots, classes)."""
        _, left, success = self.classes
        for repair in done:
            left = left * self._fails[repair]
        return left, success

    @cached_property
    def _fails(self) -> Array:
        """P(a cause is still there after a repair): shape (repairs, slots, classes)."""
        fails: Array = 1.0 - self.classes[2]
        return fails

    @cached_property
    def outward(self) -> tuple[tuple[tuple[int, int, float], ...], ...]:
        """From each stage the other stages, the farthest first: (stage, last stage on the
        way to it, money from that one)."""
        found = []
        for stage in range(len(self.stages)):
            before = self.behind(stage)
            order = sorted(before, key=lambda p: (-self.travel[stage, p], -p))
            found.append(tuple((p, before[p], float(self.travel[before[p], p])) for p in order))
        return tuple(found)

    @cached_property
    def repair_places(self) -> tuple[int, ...]:
        """The stage each repair is done in."""
        return tuple(repair.stage for repair in self.repairs)

    @cached_property
    def repairs_at(self) -> Mapping[int, Ints]:
        """The repairs done in each stage, by number."""
        found: dict[int, list[int]] = {}
        for repair, stage in enumerate(self.repair_places):
            found.setdefault(stage, []).append(repair)
        return {stage: np.array(numbers, dtype=np.int64) for stage, numbers in found.items()}

    @cached_property
    def inner_costs(self) -> tuple[float, ...]:
        """Cost of each repair once its stage is reached, powered look included."""
        return tuple(
            float(r.cost + self.travel[r.stage, r.test_stage] + self.retest) for r in self.repairs
        )

    @cached_property
    def _fixed(self) -> dict[frozenset[int], tuple[Array, Array]]:
        return {}

    def fixed_after(self, done: frozenset[int]) -> tuple[Array, Array]:
        """P(no fault left | class) after the repairs in `done`, and after each one more.

        Returns arrays of shape (classes,) and (repairs, classes), for beliefs from
        `in_classes`. Kept, since a plan asks for the same few sets again and again.
        """
        if done not in self._fixed:
            left, _ = self.faults_left(done)
            # Slot by slot, which is quicker than products along a short axis.
            more: Array = 1.0 - left[0] * self._fails[:, 0]
            for slot in range(1, len(left)):
                more *= 1.0 - left[slot] * self._fails[:, slot]
            self._fixed[done] = ((1.0 - left).prod(axis=0), more)
        return self._fixed[done]


def codes_of(scenarios: Ints) -> Codes:
    """Each scenario as one number."""
    cards = scenarios.max(axis=0, initial=0) + 1
    values = np.concatenate([[1], np.cumprod(cards[:-1])]).astype(np.int64)
    codes = scenarios @ values
    return codes, values, np.argsort(codes)


def moves_by(name: str, success: Array, scenarios: Ints, codes: Codes) -> Moves:
    """How a repair moves scenarios, by where to: `success` is P(cause gone after it), (scenarios,
    causes)."""
    numbers, values, order = codes
    origin = np.arange(len(numbers))
    goal, chance = numbers, np.ones(len(numbers))
    for cause in np.flatnonzero((success > 0.0).any(axis=0)).tolist():
        gone = success[origin, cause]
        split = gone > 0.0
        cleared = goal[split] - scenarios[origin[split], cause] * values[cause]
        goal = np.concatenate([goal, cleared])
        chance = np.concatenate([chance * (1.0 - gone), chance[split] * gone[split]])
        origin = np.concatenate([origin, origin[split]])
    possible = chance > 0.0
    places = np.searchsorted(numbers[order], goal[possible])
    found = order[np.minimum(places, len(order) - 1)]
    if not np.array_equal(numbers[found], goal[possible]):
        raise FaultfinderError(
            f"The repair {name} leads to a joint state of causes that is not listed. List every "
            "state from which faults have been removed."
        )
    by = np.argsort(found, kind="stable")
    return origin[possible][by], found[by], chance[possible][by]


def moved(weights: Array, moves: Moves) -> Array:
    """A belief (scenarios,), or several, one a row, after a repair."""
    origin, goal, chance = moves
    if weights.ndim > 1:
        begins = np.concatenate([[0], np.flatnonzero(goal[1:] != goal[:-1]) + 1])
        rows = np.zeros_like(weights)
        rows[:, goal[begins]] = np.add.reduceat(weights[:, origin] * chance, begins, axis=1)
        return rows
    after = np.bincount(goal, weights[origin] * chance, minlength=len(weights))
    return after.astype(np.float64)


def _alike(rows: Array) -> tuple[Ints, Ints]:
    """The first of each kind of row, kinds ascending, and the kind of each row.

    As `numpy.unique` does it, which imports a part of numpy that nothing else needs.
    """
    order = np.lexsort(rows.T[::-1])
    turned = rows[order]
    new = np.concatenate([[True], (turned[1:] != turned[:-1]).any(axis=1)])
    which = np.empty(len(rows), dtype=np.int64)
    which[order] = np.cumsum(new) - 1
    return order[new], which
