"""The default: a simple policy, bettered by looking at what each choice leads to.

Roll-out (Tesauro & Galperin 1997; Bertsekas, Tsitsiklis & Wu 1997): every promising
action is taken once in thought, and a simple policy (`OneStep`) followed from each of its
results to the end of the job. The action whose job is cheapest is taken. In this way the
teardown that one check opens up is weighed against all that the policy would do there.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from faultfinder.decide.abreast import Abreast, Stories, together, told_once
from faultfinder.decide.naming import Names
from faultfinder.decide.orders_abreast import order_costs
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import first_repairs
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import (
    Action,
    Situation,
    check_cost,
    promising_repairs,
    repair_now,
    start,
)
from faultfinder.decide.together import Telling
from faultfinder.frozen import frozen
from faultfinder.model.network import Array, Flags, Ints

CLEARLY = 0.005
"""The share by which a repair must be cheaper than a check to go before it."""

CHEAP, NEAR = 1 / 3, 0.1
"""The part of the best check's cost that a cheap one takes at most, and the share by which its job
may be dearer, for the best one right after it to be weighed too."""

LEVEL = 0.02
"""The share by which a check's job must be cheaper to go before one that tells more."""


def make(problem: Problem, shop: Shop) -> RollOut:
    """The policy as commands name it: what is advised while somebody waits.

    It looks at few actions, so a repair must be cheaper than a check by more.
    """
    if problem.names is not None:
        return for_names(problem, problem.names)
    return RollOut(
        problem, shop.worth_per_bit, width=3, fold=0.08, inside=1, repairs=1, clearly=0.02
    )


BITS_WORTH = (0.03, 0.1, 0.3, 1.0, 3.0)
"""What a bit can be worth to the simple policy, in wrong names: the best of these is taken."""


def for_names(problem: Problem, names: Names) -> RollOut:
    """The policy where a job ends with a name: a bit is worth what makes the simple policy
    cheapest there, and whatever it takes where one has to be sure."""
    prices = [1e12] if names.sure is not None else float(names.wrong.max()) * np.array(BITS_WORTH)
    tried = [RollOut(problem, float(price), width=5, fold=0.02) for price in prices]
    return min(tried, key=lambda one: one.cost(start(problem))) if len(tried) > 1 else tried[0]


@frozen(eq=False)
class RollOut:
    """Weighs the `width` checks with most bits about the right repair per cost, the most
    telling checks of `inside` stages not reached yet and of kits not set up, and the `repairs`
    most promising, each followed by the simple policy.

    A repair goes before a check when it is cheaper by the share `clearly`.
    Branches below `fold` of where the job stands are costed as a repair order.
    """

    problem: Problem
    worth_per_bit: float
    width: int = 4
    fold: float = 0.05
    inside: int = 2
    repairs: int = 2
    clearly: float = CLEARLY

    @cached_property
    def base(self) -> OneStep:
        """The policy that is followed in thought."""
        return OneStep(self.problem, self.worth_per_bit)

    @cached_property
    def _telling(self) -> Telling:
        return Telling(self.problem)

    @cached_property
    def _abreast(self) -> Abreast:
        return Abreast(self.problem, rare=0.0)

    def decide(self, situation: Situation) -> Action:
        """The action with the cheapest job behind it; among checks level in that the one that
        tells most about the right repair for its cost.

        A check's `saves` are against repairing at once, with all that follows it;
        `saves_alone` with the best repair order right after it.
        """
        promising = promising_repairs(self.problem, situation, self.repairs)
        weighed = self._weighed(situation, self._candidates(situation), promising)
        stop = repair_now(self.problem, situation)
        checks = [
            replace(
                one,
                saves=stop.expected_cost - one.expected_cost,
                saves_alone=stop.expected_cost - one.saves_alone,
            )
            for one in weighed
            if one.kind == "check"
        ]
        # The candidates come by what they tell; near level in cost that decides.
        most = min((one.expected_cost for one in checks), default=np.inf) * (1.0 + LEVEL)
        most = min(most, stop.expected_cost - 1e-9)
        best = next((one for one in checks if one.expected_cost <= most), stop)
        checks.sort(key=lambda action: (action.expected_cost, action.number))
        for repair in (one for one in weighed if one.kind == "repair"):
            # A check leaves everything as it was: a repair must be clearly cheaper.
            margin = 1e-9 if best.kind != "check" else self.clearly * best.expected_cost
            if repair.expected_cost < best.expected_cost - margin:
                best = repair
        return replace(best, weighed=tuple(checks))

    def _weighed(
        self, situation: Situation, checks: Sequence[int], repairs: Sequence[int]
    ) -> list[Action]:
        """Each action tried, with what its job costs, and as `saves_alone` what it costs with a
        repair order right after."""
        tried = [*(("check", one) for one in checks), *(("repair", one) for one in repairs)]
        looks = len(checks)
        if not tried:
            return []
        abreast = self._abreast
        begun = told_once(self.problem, situation, 1).take(np.zeros(len(tried), dtype=np.int64))
        begun.spent[:, 0] = np.arange(len(tried))
        numbers = np.array([number for _, number in tried])
        looked, mended = begun.take(np.arange(looks)), begun.take(np.arange(looks, len(tried)))
        own, ways = list[Array](), list[Stories]()
        if len(looked):
            own = [abreast.check_costs(looked, numbers[:looks])]
            ways = [abreast.check(looked, numbers[:looks])]
        if len(mended):
            cost, failed = self._repaired(mended, numbers[looks:])
            own, ways = [*own, cost], [*ways, failed]
        then = together(ways)
        of = then.spent[:, 0].astype(np.int64)
        follow, outcomes = self.base.looked(then.weights, then.stages, then.made)
        going_on, repairing = self._followed(then, follow, outcomes)
        cheaper = np.minimum(going_on, repairing)
        spent = np.concatenate(own)
        totals = spent + np.bincount(of, then.chance * cheaper, len(tried))
        if looks > 1:
            # The simple policy may not make the best check next: what costs little would spoil it.
            best = int(totals[:looks].argmin())
            cheap = (spent <= spent[best] * CHEAP) & (totals <= totals[best] * (1.0 + NEAR))
            cheap[looks:] = False
            before = cheap[of] & self.problem.are_open(then.made)[:, numbers[best]]
            if before.any():
                first = np.full(int(before.sum()), numbers[best])
                with_it, _ = self._followed(then.take(before), first, outcomes[before])
                cheaper[before] = np.minimum(cheaper[before], with_it)
                totals = spent + np.bincount(of, then.chance * cheaper, len(tried))
        alone = spent + np.bincount(of, then.chance * repairing, len(tried))
        after = [defaultdict[int, float](float) for _ in tried]
        for place, check, chance in zip(of.tolist(), follow.tolist(), then.chance, strict=True):
            if check >= 0:
                after[place][check] += float(chance)
        return [
            Action(
                kind,
                number,
                float(totals[n]),
                saves_alone=float(alone[n]) if kind == "check" else 0.0,
                follow_up=max(found, key=lambda c: found[c])
                if kind == "check" and (found := after[n])
                else -1,
            )
            for n, (kind, number) in enumerate(tried)
        ]

    def _candidates(self, situation: Situation) -> list[int]:
        problem = self.problem
        bits = self._telling.bits(situation.weights)
        score = self._telling.score(bits, situation.stage, situation.checked).tolist()
        open_checks = [
            check
            for check in range(len(problem.checks))
            if problem.is_open(check, situation.checked)
            and bits[check] > 1e-4
            and np.isfinite(check_cost(problem, situation, check))
        ]
        open_checks.sort(key=lambda check: (-score[check], check))
        deep: dict[int, int] = {}
        for check in open_checks:
            stage = problem.checks[check].stage
            if stage != situation.stage and (stage not in deep or bits[check] > bits[deep[stage]]):
                deep[stage] = check
        deepest = sorted(deep.values(), key=lambda check: -float(bits[check]))[: self.inside]
        # What a kit opens up is weighed in the same way: a setting up alone tells nothing.
        kits: dict[frozenset[int], int] = {}
        for check in open_checks:
            if problem.setting_up(check, situation.checked) > 0.0:
                needed = problem.checks[check].kits
                kits[needed] = max(kits.get(needed, check), check, key=lambda c: float(bits[c]))
        return list(dict.fromkeys([*open_checks[: self.width], *deepest, *kits.values()]))

    def cost(self, situation: Situation) -> float:
        """The expected cost of the job from here under the simple policy."""
        begun = told_once(self.problem, situation, 1)
        follow, outcomes = self.base.looked(begun.weights, begun.stages, begun.made)
        return float(self._followed(begun, follow, outcomes)[0][0])

    def _followed(self, begun: Stories, checks: Ints, outcomes: Array) -> tuple[Array, Array]:
        """What the job costs from where each story stands under the simple policy, which begins
        with `checks` (-1: with a repair), and with a repair order right away: (stories,) each.
        `outcomes` are how likely each result of every check is, (stories, results).

        Branches are followed side by side; what is left of those that are rarer than `fold` is
        costed in one go at the end.
        """
        problem, count = self.problem, len(begun)
        sure = np.zeros(count)
        stories = replace(begun, spent=np.arange(count, dtype=np.float64)[:, None])
        ends = [_Ends.of_stories(problem, stories)]
        likely = stories.chance >= self.fold
        stories, checks, outcomes = stories.take(likely), checks[likely], outcomes[likely]
        while len(stories):
            of = stories.spent[:, 0].astype(np.int64)
            some = checks >= 0
            looked, rest = stories.take(some), stories.take(~some)
            then = list[Stories]()
            if len(looked):
                own = looked.chance * self._abreast.check_costs(looked, checks[some])
                sure += np.bincount(of[some], own, count)
                then = [self._abreast.check(looked, checks[some], outcomes[some])]
            if problem.names is not None:
                ends.append(_Ends.of_stories(problem, rest))
            elif len(rest):
                repairs = first_repairs(problem, rest.weights, rest.stages, rest.repaired)
                over = repairs < 0
                given = rest.chance[over] * (problem.give_up + problem.finish[rest.stages[over]])
                sure += np.bincount(of[~some][over], given, count)
                rest, repairs = rest.take(~over), repairs[~over]
                cost, failed = self._repaired(rest, repairs)
                sure += np.bincount(of[~some][~over], rest.chance * cost, count)
                then.append(failed)
            if not then:
                break
            stories = together(then)
            rare = stories.chance < self.fold
            ends.append(_Ends.of_stories(problem, stories.take(rare)))
            stories = stories.take(~rare)
            checks, outcomes = self.base.looked(stories.weights, stories.stages, stories.made)
        costs = _repair_costs(problem, ends)
        at = np.concatenate([end.of for end in ends])
        chances = np.concatenate([end.chance for end in ends])
        # The first lot is where it begins: those rarer than `fold` go on from there at once.
        later = chances * costs
        later[:count][begun.chance >= self.fold] = 0.0
        return (sure + np.bincount(at, later, count)) / begun.chance, costs[:count]

    def _repaired(self, stories: Stories, repairs: Ints) -> tuple[Array, Stories]:
        """What a repair each surely costs (see `situation.repair_step`), and the stories whose
        look can fail, after it did."""
        problem = self.problem
        passes, slipped, failed = self._abreast.repair(stories, repairs)
        cost = problem.act_cost[stories.stages, repairs] + slipped * problem.comeback
        return cost + passes * problem.finish[self._abreast.ends[repairs]], failed


@frozen(eq=False)
class _Ends:
    """Stories that end with a repair order (or a name): `of` is which job each belongs to."""

    beliefs: Array
    stages: Ints
    repaired: Flags
    chance: Array
    of: Ints

    @classmethod
    def of_stories(cls, problem: Problem, stories: Stories) -> _Ends:
        beliefs = stories.weights
        if problem.names is None:
            beliefs = problem.in_classes(beliefs)
        of = stories.spent[:, 0].astype(np.int64)
        return cls(beliefs, stories.stages, stories.repaired, stories.chance, of)


def _repair_costs(problem: Problem, ends: Sequence[_Ends]) -> Array:
    """`situation.repair_cost` at each end."""
    beliefs = np.concatenate([end.beliefs for end in ends])
    stages = np.concatenate([end.stages for end in ends])
    if problem.names is not None:
        losses = np.array([problem.names.best(belief)[1] for belief in beliefs])
        named: Array = losses + problem.finish[stages]
        return named
    repaired = np.concatenate([end.repaired for end in ends])
    return order_costs(problem, beliefs, stages, repaired)
