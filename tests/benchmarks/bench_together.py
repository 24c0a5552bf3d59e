"""Whether several repairs before one powered look would make jobs cheaper.

    OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.bench_together [--states 10] [--machines 12]

Drawn states of the families (two findings known) and the README's ticket. The default policy plays
machines drawn from each state's problem, and so does the same policy where groups of up to three
repairs that are looked at in the same stage are weighed before each choice, as a roll-out weighs a
repair, and made where the job is held to be cheaper. Both sides have the same random numbers: a
check shows and a repair mends on a machine what it does there on the other side, and no repair is
made twice. Beside the change stands what the groups were held to save when they were chosen, and
what all failed looks after repairs in an open stage cost without them, with the ways to them and
back: "next" where another such repair comes right after, which is what a group spares without
leaving out a check, "all" those before checks as well.

With `--exact N` as many states are cut down to the two most telling checks, the four likeliest
repairs of open stages for their cost and the faults that these mend, and solved exactly without
and with groups: what they save where nothing but such repairs is there. Judges nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np

from faultfinder import Case, consult
from faultfinder.decide.policies import InTurn, roll_out
from faultfinder.decide.policies.exact import Exact
from faultfinder.decide.problem import Problem, RepairAction, codes_of
from faultfinder.decide.repair_order import best_order, order_cost
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import (
    Action,
    Policy,
    Situation,
    promising_repairs,
    repair_cost,
    repair_step,
    start,
)
from faultfinder.decide.together import Telling
from faultfinder.decide.walk import FAILS, PASSES, split, walk
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.model.network import Array, Flags, Ints
from faultfinder.model.parts import Kind
from tests.drawn_machines import draw_machines

MODELS = Path(__file__).parents[2] / "models"
FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")
README = {"after": "own_repair", "screen_light": "dark"}
FIRSTS, WITH, MOST, BARELY = 3, 8, 3, 1e-3
"""First repairs and repairs to go with each that are weighed, how many are made together at most,
and the chance of a cure from which a repair is one to go with another."""


@dataclass(frozen=True, eq=False)
class Grouped:
    """A problem with groups of repairs as further repairs; `parts` are those of each repair."""

    plain: Problem

    @cached_property
    def parts(self) -> list[tuple[int, ...]]:
        """The repairs themselves, then two and three of one stage to look in."""
        repairs, way = self.plain.repairs, self.plain.travel[self.plain.stage]
        found: list[tuple[int, ...]] = [(number,) for number in range(len(repairs))]
        near = sorted(range(len(repairs)), key=lambda n: (way[repairs[n].stage], n))
        found += [
            some
            for count in range(2, MOST + 1)
            for some in combinations(near, count)
            if len({repairs[n].test_stage for n in some}) == 1
        ]
        return found

    @cached_property
    def number_of(self) -> Mapping[frozenset[int], int]:
        return {frozenset(some): number for number, some in enumerate(self.parts)}

    @cached_property
    def problem(self) -> Problem:
        more = [self._group(some) for some in self.parts[len(self.plain.repairs) :]]
        return replace(self.plain, repairs=(*self.plain.repairs, *more))

    def _group(self, some: Sequence[int]) -> RepairAction:
        made, travel = [self.plain.repairs[n] for n in some], self.plain.travel
        stages = [one.stage for one in made]
        # The ways between, and what the way to the look is longer from the last stage.
        ways = sum(float(travel[a, b]) for a, b in pairwise(stages))
        ways += float(
            travel[stages[-1], made[0].test_stage] - travel[stages[0], made[0].test_stage]
        )
        return RepairAction(
            "+".join(one.name for one in made),
            sum(one.cost for one in made) + ways,
            stages[0],
            made[0].test_stage,
            1.0 - np.prod([1.0 - one.mends for one in made], axis=0),
            sum(one.shop_share for one in made),
            frozenset[str]().union(*(one.behind for one in made)),
            frozenset[int]().union(*(one.closes for one in made)),
        )

    def done(self, situation: Situation) -> frozenset[int]:
        """The repairs made, alone or in a group."""
        return frozenset[int]().union(*(self.parts[number] for number in situation.repaired))


@dataclass(eq=False)
class Grouping:
    """The default policy; with `grouped` groups are weighed as well. Decisions are kept.

    `held` is what the last choice is held to save by its group.
    """

    groups: Grouped
    shop: Shop
    grouped: bool
    held: float = 0.0
    _kept: dict[tuple[bytes, int, frozenset[int], frozenset[int]], tuple[Action, float]] = field(
        default_factory=dict
    )

    @cached_property
    def _policy(self) -> roll_out.RollOut:
        return roll_out.make(self.groups.plain, self.shop)

    @cached_property
    def _in_turn(self) -> Policy:
        return InTurn(self._policy, self.groups.plain)

    def decide(self, situation: Situation) -> Action:
        done = self.groups.done(situation)
        key = (np.round(situation.weights, 10).tobytes(), situation.stage, situation.checked, done)
        if key not in self._kept:
            self._kept[key] = self._decide(replace(situation, repaired=done))
        action, self.held = self._kept[key]
        return action

    def _decide(self, plain: Situation) -> tuple[Action, float]:
        action = self._in_turn.decide(plain)
        if not self.grouped:
            return action, 0.0
        margin = self._policy.clearly * action.expected_cost if action.kind == "check" else 1e-9
        weighed = [(self._followed(plain, some), some) for some in self._candidates(plain)]
        cost, some = min(weighed, default=(np.inf, frozenset[int]()))
        if cost >= action.expected_cost - margin:
            return action, 0.0
        return (
            Action("repair", self.groups.number_of[some], cost),
            action.expected_cost - cost,
        )

    def _candidates(self, plain: Situation) -> set[frozenset[int]]:
        """Groups that a repair order after them makes cheapest, grown from some first repairs."""
        problem = self.groups.plain
        order = best_order(problem, plain.weights, plain.stage, plain.repaired).steps
        firsts = [step.repair for step in order[:1]]
        firsts += promising_repairs(problem, plain, FIRSTS)
        cures = problem.fixed_after(frozenset())[1] @ problem.in_classes(plain.weights)
        found = set[frozenset[int]]()
        for first in dict.fromkeys(firsts):
            begun = problem.repairs[first]
            others = [
                number
                for number, one in enumerate(problem.repairs)
                if number != first
                and number not in plain.repaired
                and one.test_stage == begun.test_stage
                and one.behind <= begun.behind
                and cures[number] > BARELY
            ]
            way = problem.travel[begun.stage]
            others.sort(
                key=lambda n: -cures[n] / (problem.repairs[n].cost + way[problem.repairs[n].stage])
            )
            some = frozenset({first})
            least = self._ordered(plain, some)
            while len(some) < MOST:
                more = [some | {one} for one in others[:WITH] if one not in some]
                cost, larger = min(((self._ordered(plain, one), sorted(one)) for one in more),
                                   default=(np.inf, []))  # fmt: skip
                if cost >= least:
                    break
                least, some = cost, frozenset(larger)
            if len(some) > 1:
                found.add(some)
        return found

    def _then(
        self, plain: Situation, some: frozenset[int]
    ) -> tuple[float, float, Situation | None]:
        number = self.groups.number_of[some]
        cost, fails, then = repair_step(self.groups.problem, plain, number)
        return cost, fails, None if then is None else replace(then, repaired=plain.repaired | some)

    def _ordered(self, plain: Situation, some: frozenset[int]) -> float:
        """The job's cost with a group made and a repair order after it."""
        cost, fails, then = self._then(plain, some)
        if then is None:
            return cost
        problem = self.groups.plain
        return cost + fails * order_cost(problem, then.weights, then.stage, then.repaired)

    def _followed(self, plain: Situation, some: frozenset[int]) -> float:
        """The same with the simple policy after it, as the roll-out follows it."""
        cost, fails, then = self._then(plain, some)
        if then is None:
            return cost
        on = min(self._policy.cost(then), repair_cost(self.groups.plain, then))
        return cost + fails * on


@dataclass(eq=False)
class Machines:
    """Machines with joint states of the causes (rows of the scenarios), looked at and repaired as
    the problem has it; what a check shows and a repair mends on each hangs on `seed` alone."""

    groups: Grouped
    truths: Ints
    seed: int
    _random: dict[tuple[int, int], Array] = field(default_factory=dict)

    def _numbers(self, kind: int, which: int, columns: int) -> Array:
        if (kind, which) not in self._random:
            rng = np.random.default_rng([self.seed, kind, which])
            self._random[kind, which] = rng.random((len(self.truths), columns))
        return self._random[kind, which]

    @cached_property
    def _codes(self) -> tuple[Ints, Ints, Ints]:
        return codes_of(self.groups.plain.scenarios)

    def begin(self) -> Ints:
        return np.arange(len(self.truths))

    def look(
        self, check: int, group: Ints, chances: Mapping[int, float]
    ) -> Iterable[tuple[int, Ints]]:
        shares = self.groups.plain.checks[check].likelihood[:, self.truths[group]]
        bounds = np.cumsum(shares, axis=0)
        drawn = self._numbers(0, check, 1)[group, 0]
        return split(group, (drawn * bounds[-1] >= bounds).sum(axis=0))

    def repair(self, repair: int, group: Ints, fails: float) -> Iterable[tuple[int, Ints]]:
        problem = self.groups.plain
        held = problem.scenarios[self.truths[group]]
        columns, parts = np.arange(held.shape[1]), self.groups.parts[repair]
        for part in parts:
            chance = problem.repairs[part].mends[columns, held]
            held = np.where(self._numbers(1, part, len(columns))[group] < chance, 0, held)
        codes, values, order = self._codes
        self.truths[group] = order[np.searchsorted(codes[order], held @ values)]
        missed = self._numbers(2, parts[-1], 1)[group, 0] < problem.missed
        passes = (problem.faulty[self.truths[group]] == 0.0) | missed
        return split(group, np.where(passes, PASSES, FAILS))


@dataclass(frozen=True)
class Played:
    """Of each machine: money, that of failed looks after repairs in an open stage, of those before
    another such repair, whether it was repaired in one, by a group, and what its groups were held
    to save."""

    money: Array
    looks: Array
    looks_next: Array
    openly: Flags
    together: Flags
    held: Array


def played(groups: Grouped, policy: Grouping, home: int, machines: Machines) -> Played:
    """A policy on machines to the end of every job."""
    problem, count = groups.problem, len(machines.truths)
    money, looks, looks_next, last, held = np.zeros((5, count))
    openly, together = np.zeros((2, count), dtype=np.bool_)
    for step in walk(problem, InTurn(policy, problem), machines):
        money[step.group] += step.cost
        end = step.situation.stage
        if step.action.kind == "check":
            end = problem.checks[step.action.number].stage
        elif step.action.kind == "repair":
            repair = problem.repairs[step.action.number]
            end = repair.test_stage
            openly[step.group] |= repair.stage != home
            together[step.group] |= len(groups.parts[step.action.number]) > 1
            held[step.group] += policy.held
            looks_next[step.group] += last[step.group] * (repair.stage != home)
            again = problem.retest + problem.travel[repair.stage, end]
            again += problem.travel[end, repair.stage]
        last[step.group] = 0.0
        for way in step.ways:
            if step.action.kind == "repair" and way.result == PASSES:
                back = problem.comeback * problem.faulty[machines.truths[way.group]]
                money[way.group] += problem.finish[end] + back
                continue
            if step.action.kind == "repair" and repair.stage != home:
                looks[way.group] += again
                last[way.group] = again
            if way.then is None:
                money[way.group] += problem.finish[end] + problem.give_up
    return Played(money, looks, looks_next, openly, together, held)


def drawn_cases(compiled: CompiledModel, rng: np.random.Generator) -> Iterator[Case]:
    """Machines of a family, two findings known of each."""
    model, network = compiled.model, compiled.network
    stopping = {rule.finding for rule in model.stop_rules}
    seen = [v.name for v in model.of_kind(Kind.FINDING) if v.name not in stopping]
    for machine in draw_machines(compiled, 1000, rng):
        chosen = [str(one) for one in rng.choice(seen, 2, replace=False)]
        numbers = [network.index[one] for one in chosen]
        told = [network.states[number][int(machine[number])] for number in numbers]
        yield Case(compiled, dict(zip(chosen, told, strict=True)))


def pair(case: Case, machines: int, rng: np.random.Generator) -> tuple[Played, Played]:
    """The default policy on a state's machines, and with groups."""
    groups = Grouped(consult(case).problem)
    home = groups.plain.stages.index(case.model.model.start)
    weights, seed = groups.plain.weights, int(rng.integers(2**31))
    truths = rng.choice(len(weights), machines, p=weights)
    without, along = (
        played(groups, Grouping(groups, case.terms, grouped), home,
               Machines(groups, truths.copy(), seed))
        for grouped in (False, True)
    )  # fmt: skip
    return without, along


def told(name: str, pairs: Sequence[tuple[Played, Played]]) -> str:
    """What some states' machines say, with standard errors over states (over machines where there
    is one state)."""

    def share(gone: Sequence[Array], of: float) -> str:
        means = gone[0] if len(gone) == 1 else np.array([one.mean() for one in gone])
        error = means.std(ddof=1) / len(means) ** 0.5
        return f"{100 * np.concatenate(gone).mean() / of:+6.2f} +- {100 * error / of:.2f} %"

    found = []
    for openly in (False, True):
        kept = [before.openly | (not openly) for before, _ in pairs]
        some = [(one, other, k) for (one, other), k in zip(pairs, kept, strict=True) if k.any()]
        mean = float(np.concatenate([one.money[k] for one, _, k in some]).mean())
        found.append(
            f"{'repaired open' if openly else 'all':14}"
            f"({np.concatenate(kept).mean():.2f}) {mean:7.1f}"
            f"  groups {share([o.money[k] - b.money[k] for b, o, k in some], mean)}"
            f"  held {share([-o.held[k] for _, o, k in some], mean)}"
            f"  looks next {share([-b.looks_next[k] for b, _, k in some], mean)}"
            f"  all {share([-b.looks[k] for b, _, k in some], mean)}"
        )
    together = np.concatenate([other.together for _, other in pairs]).mean()
    head = f"{name}, {len(pairs)} states, groups in {together:.2f} of the jobs"
    return "\n    ".join([head, *found])


@dataclass(eq=False)
class ExactGroups(Exact):
    """The optimum where groups of repairs are actions as well."""

    groups: Grouped = field(kw_only=True)

    def _solve(self, situation: Situation) -> Action:
        best, grouped = super()._solve(situation), self.groups.problem
        for number, some in enumerate(self.groups.parts):
            reached = np.isfinite(grouped.act_cost[situation.stage, number])
            if len(some) < 2 or situation.repaired & set(some) or not reached:
                continue
            cost, fails, then = repair_step(grouped, situation, number)
            on = (
                []
                if then is None
                else [(fails, replace(then, repaired=situation.repaired | set(some)))]
            )
            cost = self._with_ways(cost, on, best.expected_cost)
            if cost < best.expected_cost - 1e-12:
                best = Action("repair", number, cost)
        return best


def cut(case: Case) -> Problem:
    """A state's problem with two checks and four repairs of open stages, and what these mend."""
    whole = consult(case).problem
    home, telling = whole.stages.index(case.model.model.start), Telling(whole)
    score = telling.score(telling.bits(whole.weights), whole.stage, frozenset())
    way = whole.travel[whole.stage]
    checks = [
        number
        for number in np.argsort(-score, kind="stable").tolist()
        if np.isfinite(way[whole.checks[number].stage]) and not whole.checks[number].behind
    ][:2]
    cures = whole.fixed_after(frozenset())[1] @ whole.in_classes(whole.weights)
    likely = cures / whole.act_cost[whole.stage]
    repairs = [
        replace(whole.repairs[number], behind=frozenset[str]())
        for number in np.argsort(-likely, kind="stable").tolist()
        if whole.repairs[number].stage != home
    ][:4]
    less = whole.without([n for n in range(len(whole.checks)) if n not in checks])
    less = replace(less, repairs=tuple(repairs))
    needless = np.array([less.needless(number) for number in range(len(repairs))])
    mended = less.weights * (1.0 - needless.min(axis=0))
    return replace(less, weights=mended / mended.sum())


def at_best(cases: Sequence[Case]) -> str:
    """What groups save on average at the optimum of states cut down, with the standard error."""
    costs = []
    for problem in map(cut, cases):
        with_groups = ExactGroups(problem, groups=Grouped(problem))
        costs.append(
            [one.decide(start(problem)).expected_cost for one in (Exact(problem), with_groups)]
        )
    without, along = np.array(costs).T
    gone, mean = along - without, without.mean()
    error = gone.std(ddof=1) / len(gone) ** 0.5
    return (
        f"exact, {len(costs)} states, mean {mean:.1f}: groups {100 * gone.mean() / mean:+.2f} +- "
        f"{100 * error / mean:.2f} %, at most {100 * (gone / without).min():+.2f} %, "
        f"none in {(gone > -1e-6).mean():.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--states", type=int, default=10, help="of each family")
    parser.add_argument("--machines", type=int, default=12, help="of each state")
    parser.add_argument("--readme", type=int, default=200, help="machines of the README's ticket")
    parser.add_argument("--exact", type=int, default=12, help="states of each family cut down")
    parser.add_argument("--seed", type=int, default=7000)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    pairs: list[tuple[Played, Played]] = []
    for name in FAMILIES if options.states else ():
        cases = drawn_cases(load_model(MODELS / f"{name}.yaml"), rng)
        own = [pair(next(cases), options.machines, rng) for _ in range(options.states)]
        pairs += own
        print(told(name, own), flush=True)
    if pairs:
        print(told("all four", pairs), flush=True)
    if options.exact:
        families = [drawn_cases(load_model(MODELS / f"{name}.yaml"), rng) for name in FAMILIES]
        print(at_best([next(cases) for cases in families for _ in range(options.exact)]))
    if options.readme:
        ticket = Case(load_model(MODELS / "thin_clamshell.yaml"), README)
        print(told("the README's ticket", [pair(ticket, options.readme, rng)]))


if __name__ == "__main__":
    main()
