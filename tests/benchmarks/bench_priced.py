"""Naming an illness from priced tests: learnt on training folds, played on the others.

    python -m tests.benchmarks.bench_priced [FOLDER WITH THE SETS] [ROUNDS]

Three public sets (tests/outside/priced/README.md), three MADE-UP price lists each, printed. All
sides see the same numbers, cut at the quartiles of the training fold, and whether a test was
measured at all, which is a result like others here (who asks for one that was not measured pays
for it). All but the tree use the same figures, learnt there by this engine: each test depends on
the illness alone. What can be set for a side (what even
shares count for while learning; when to stop; depth, leaves, pruning and the tests
allowed of the tree, which weighs errors by their price) is chosen on the training fold by
cross-validated money. Printed: money for tests, illnesses overlooked and false alarms as shares
of all patients, and all money a patient, with the difference to this engine's policy and its
standard error over patients (over the folds, patients are not drawn anew: take it as the least).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from faultfinder import Case, Naming, consult
from faultfinder.decide.naming import NONE_OF_THESE
from faultfinder.decide.policies import DEFAULT, PolicyMaker
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Action, Situation, check_cost, repair_now
from faultfinder.decide.walk import UNTOLD, split, walk
from faultfinder.inference.compiled import CompiledModel
from tests.outside.priced_sets import (
    SETS,
    UNMEASURED,
    Cuts,
    Patients,
    Prices,
    Set,
    learnt,
)

Ints = np.ndarray[Any, np.dtype[np.int64]]
Floats = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True, eq=False)
class Recorded:
    """Patients as they were measured: groups are their places. `results` maps a test to the
    number of each one's result, UNTOLD where there is none."""

    problem: Problem
    results: Mapping[str, Ints]
    count: int

    def begin(self) -> Ints:
        return np.arange(self.count)

    def look(
        self, check: int, group: Ints, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, Ints]]:
        told = self.results[self.problem.checks[check].name][group]
        known = [(UNTOLD, group[told == UNTOLD])] if (told == UNTOLD).any() else []
        return [*known, *split(group[told != UNTOLD], told[told != UNTOLD])]

    def repair(self, repair: int, group: Ints, fails: float) -> Iterable[tuple[int, Ints]]:
        raise NotImplementedError("Nobody is repaired.")


@dataclass
class Played:
    """Of each patient: money for tests, and 1 where an illness was overlooked or others were
    called ill."""

    spent: Floats
    overlooked: Floats
    alarm: Floats

    def money(self, prices: Prices) -> Floats:
        return self.spent + prices.overlooked * self.overlooked + prices.alarm * self.alarm


def play(
    model: CompiledModel,
    naming: Naming,
    policy: str | PolicyMaker,
    patients: list[dict[str, str]],
    ill: Floats,
) -> Played:
    """A policy followed on patients, each to a name."""
    told = consult(Case(model, naming=naming), policy=policy)
    problem = told.problem
    network = model.network
    results = {
        check.name: np.array(
            [
                network.states[network.index[check.name]].index(one[check.name])
                if check.name in one
                else UNTOLD
                for one in patients
            ],
            dtype=np.int64,
        )
        for check in problem.checks
    }
    spent, called = np.zeros(len(patients)), np.full(len(patients), np.nan)
    assert problem.names is not None
    for step in walk(problem, told.policy, Recorded(problem, results, len(patients))):
        spent[step.group] += step.cost
        if step.action.kind == "name":
            named = problem.names.names[step.action.number] != NONE_OF_THESE
            called[step.group] = named
    assert not np.isnan(called).any()
    return Played(spent, ill * (1.0 - called), (1.0 - ill) * called)


# --- those it is held against


@dataclass(frozen=True, eq=False)
class InOrder:
    """Tests in a fixed order, as long as the likeliest name is not `sure`."""

    problem: Problem
    order: tuple[int, ...]
    sure: float

    def decide(self, situation: Situation) -> Action:
        names = self.problem.names
        assert names is not None
        chances = np.bincount(names.of, situation.weights)
        for check in self.order:
            if chances.max() >= self.sure:
                break
            if self.problem.is_open(check, situation.checked):
                return Action("check", check, np.nan)
        return repair_now(self.problem, situation)


def cheapest_first(sure: float) -> PolicyMaker:
    def make(problem: Problem, shop: Shop) -> InOrder:
        alone = Situation(problem.weights, 0)
        checks = range(len(problem.checks))
        order = sorted(checks, key=lambda check: (check_cost(problem, alone, check), check))
        # A test that others come before (and that is free after them) comes after them.
        order.sort(key=lambda check: bool(problem.checks[check].behind))
        return InOrder(problem, tuple(order), sure)

    return make


@dataclass(frozen=True, eq=False)
class TreeSide:
    """A decision tree of scikit-learn on the tests it may use, played test by test."""

    tree: Any
    tests: tuple[str, ...]

    def play(self, which: Set, prices: Prices, rows: Floats, ill: Floats) -> Played:
        inner = self.tree.tree_
        paid = np.zeros(inner.node_count)
        waiting: list[tuple[int, frozenset[str]]] = [(0, frozenset())]
        while waiting:
            node, made = waiting.pop()
            paid[node] = sum(prices.tests[test] for test in made)
            paid[node] += prices.blood if made.intersection(which.blood) else 0.0
            if inner.children_left[node] >= 0:
                more = made | needed(which, self.tests[inner.feature[node]])
                waiting += [(inner.children_left[node], more), (inner.children_right[node], more)]
        called = self.tree.predict(rows)
        return Played(paid[self.tree.apply(rows)], ill * (1.0 - called), (1.0 - ill) * called)


def needed(which: Set, test: str) -> set[str]:
    return {test, *which.computed.get(test, ())}


def grown(
    which: Set, prices: Prices, rows: Floats, ill: Floats, seed: int
) -> tuple[TreeSide, tuple[int, ...]]:
    """The tree whose settings cost least by cross-validation on the same patients."""
    from sklearn.model_selection import StratifiedKFold
    from sklearn.tree import DecisionTreeClassifier

    alone = {
        test: prices.tests[test] + (prices.blood if test in which.blood else 0.0)
        for test in which.tests
    }
    dear = {
        test: sum(alone[one] if one not in which.blood else prices.tests[one]
                  for one in needed(which, test))
        + (prices.blood if needed(which, test) & set(which.blood) else 0.0)
        for test in which.tests
    }  # fmt: skip
    best: tuple[float, Any] = (np.inf, None)
    folds = list(StratifiedKFold(5, shuffle=True, random_state=seed).split(rows, ill))
    for cap in sorted(set(dear.values())):
        allowed = [n for n, test in enumerate(which.tests) if dear[test] <= cap]
        tests = tuple(which.tests[n] for n in allowed)
        for depth in (0, 1, 2, 3, 4, 6):
            for leaf in (2, 5, 20) if depth else (2,):
                for pruned in (0.0, 0.005) if depth > 1 else (0.0,):
                    settings = {
                        "max_depth": max(depth, 1),
                        "min_samples_leaf": leaf if depth else len(rows),
                        "ccp_alpha": pruned,
                        "random_state": seed,
                        "class_weight": {0.0: prices.alarm, 1.0: prices.overlooked},
                    }
                    money = 0.0
                    for train, test in folds:
                        tree = DecisionTreeClassifier(**settings)
                        tree.fit(rows[np.ix_(train, allowed)], ill[train])
                        side = TreeSide(tree, tests)
                        played = side.play(which, prices, rows[np.ix_(test, allowed)], ill[test])
                        money += float(played.money(prices).sum())
                    if money < best[0]:
                        best = (money, (tuple(allowed), tests, settings))
    allowed, tests, settings = best[1]
    tree = DecisionTreeClassifier(**settings).fit(rows[:, list(allowed)], ill)
    return TreeSide(tree, tests), allowed


def as_rows(which: Set, cuts: Cuts, results: list[dict[str, str]]) -> Floats:
    """Results as numbers, NaN where there is none."""
    return np.array([[_number(cuts, test, one) for test in which.tests] for one in results])


WORTHS = (2.0, 20.0)
"""Patients that even shares can count for: one of these."""


def chosen_worth(
    which: Set, prices: Prices, cuts: Cuts, seen: list[dict[str, str]], ill: Floats, seed: int
) -> float:
    """What costs least by cross-validation on the same patients."""
    from sklearn.model_selection import StratifiedKFold

    money = dict.fromkeys(WORTHS, 0.0)
    for train, test in StratifiedKFold(5, shuffle=True, random_state=seed).split(ill, ill):
        for worth in WORTHS:
            begin = [seen[n] for n in train]
            model = learnt(which, prices, cuts, begin, ill[train], worth)
            played = play(model, prices.naming, DEFAULT, [seen[n] for n in test], ill[test])
            money[worth] += float(played.money(prices).sum())
    return min(money, key=lambda worth: money[worth])


def _number(cuts: Cuts, test: str, one: Mapping[str, str]) -> float:
    told = one.get(test, UNMEASURED)
    return np.nan if told == UNMEASURED else float(cuts.states(test).index(told))


SURE = (0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)


@dataclass
class Table:
    """What every side did, patient by patient, over all folds."""

    sides: dict[str, list[Played]] = field(default_factory=dict)

    def add(self, side: str, played: Played) -> None:
        self.sides.setdefault(side, []).append(played)

    def whole(self, side: str) -> Played:
        parts = self.sides[side]
        return Played(
            *(
                np.concatenate([getattr(part, name) for part in parts])
                for name in ("spent", "overlooked", "alarm")
            )
        )


def one_list(which: Set, prices: Prices, patients: Patients, ill: Floats, rounds: int) -> Table:
    from sklearn.model_selection import StratifiedKFold

    table = Table()
    naming = prices.naming
    for seed in range(rounds):
        splits = StratifiedKFold(5, shuffle=True, random_state=seed).split(ill, ill)
        for train, test in splits:
            cuts = Cuts.of(which, [patients[n] for n in train])
            seen = [cuts.results(patients[n]) for n in train]
            unseen = [cuts.results(patients[n]) for n in test]
            worth = chosen_worth(which, prices, cuts, seen, ill[train], seed)
            model = learnt(which, prices, cuts, seen, ill[train], worth)

            def on(policy: str | PolicyMaker, people: Any, truth: Floats, model: Any = model,
                   naming: Naming = naming) -> Played:  # fmt: skip
                return play(model, naming, policy, people, truth)

            table.add("this engine", on(DEFAULT, unseen, ill[test]))
            table.add("none", on(cheapest_first(0.0), unseen, ill[test]))
            table.add("all tests", on(cheapest_first(2.0), unseen, ill[test]))
            sure = min(SURE, key=lambda s: on(cheapest_first(s), seen, ill[train])
                       .money(prices).sum())  # fmt: skip
            table.add("cheapest first", on(cheapest_first(sure), unseen, ill[test]))
            rows, other = as_rows(which, cuts, seen), as_rows(which, cuts, unseen)
            side, allowed = grown(which, prices, rows, ill[train], seed)
            table.add("tree", side.play(which, prices, other[:, list(allowed)], ill[test]))
    return table


def main() -> None:
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "../shared/data/priced")
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    say: Callable[..., None] = lambda *words: print(*words, flush=True)  # noqa: E731
    for which in [one for one in SETS if one.name in sys.argv[3:] or not sys.argv[3:]]:
        patients, ill = which.read(folder)
        again = rounds if len(ill) > 1000 else 2 * rounds
        say(f"\n{which.name}: {len(ill):,} patients, {ill.mean():.1%} ill; 5 folds, {again} times")
        for prices in which.prices:
            own = ", ".join(
                f"{test} {price:g}" for test, price in prices.tests.items() if price != 1
            )
            say(f"MADE-UP prices, {prices.name}: {own}; other tests 1; drawing blood "
                f"{prices.blood:g}; an illness overlooked {prices.overlooked:g}, a false alarm "
                f"{prices.alarm:g}")  # fmt: skip
            table = one_list(which, prices, patients, ill.astype(float), again)
            mine = table.whole("this engine").money(prices)
            for side in table.sides:
                played = table.whole(side)
                money = played.money(prices)
                # Rounds play the same patients again: no more is known than of one round.
                off = money - mine
                error = off.std() / np.sqrt(len(ill))
                say(f"  {side:15} tests {played.spent.mean():7.2f}"
                    f"  overlooked {played.overlooked.mean():6.2%}"
                    f"  alarms {played.alarm.mean():6.2%}"
                    f"  money {money.mean():7.2f}  {off.mean():+7.2f} +- {error:.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
