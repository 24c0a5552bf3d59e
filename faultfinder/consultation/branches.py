"""Where a round leads: what its results, together, would mean, and how to go on."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from faultfinder.consultation.suggestions import Suggested, likeliest, without_made
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import lies_on_the_way, most_likely_order
from faultfinder.decide.together import Telling, entropy
from faultfinder.model.answers import split_results
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel, Suggestion

MOST = 3
"""Branches of a round: as many as are kept in mind while working."""

FOLLOWED, LIKELY = 0.01, 0.1
"""A result less likely than the first is not followed, a branch less likely than the second not
named: what hardly ever comes is worked out when it does."""

TELLS = 0.03
"""Bits about the right repair, times the chance of getting there, that a finding has to add to be
told apart in a branch."""

CAUSES, WORTH_NAMING = 2, 0.5
"""Causes named of a branch, the second only where it has at least this share of the first's
chance."""

REPAIRS, WORTH_TRYING, BESIDE = 3, 0.05, 0.01
"""Repairs named of a branch, those that end the job most often; how often one has to; and how often
what is tried on the way to one of them has to."""

TELLS_MUCH = 0.25
"""Bits about the right repair that a check inside has to tell to be named with the repairs."""


@dataclass(frozen=True)
class Seen:
    """A finding of a branch with those of its results that lead there, the likeliest first, and how
    likely each is, given what is seen before it."""

    check: str
    finding: str
    results: Mapping[str, float]


@dataclass(frozen=True)
class Branch:
    """Where some results of a round lead, with their `chance`: the causes likeliest then, with
    their probabilities, and the `repairs` that end the job most often, in the order to make them;
    `check` is the one inside that tells most between them ("" where none tells much); `none` is
    how often no repair is right (it does not pay, or nothing is faulty). `leads` is the suggestion
    of the likely causes there, None where none is likely.
    """

    seen: tuple[Seen, ...]
    chance: float
    causes: Mapping[str, float]
    check: str
    repairs: tuple[str, ...]
    none: float
    leads: Suggested | None = None


@dataclass(frozen=True, eq=False)
class _Finding:
    """One finding of a check of the problem: P(result | scenario) of each of its results."""

    check: str
    name: str
    results: tuple[str, ...]
    likelihood: Array


@dataclass(frozen=True, eq=False)
class _Leaf:
    """What was seen, and the joint weights of the scenarios with it."""

    seen: tuple[Seen, ...]
    weights: Array


def branches_of(problem: Problem, model: FaultModel, members: Sequence[str]) -> tuple[Branch, ...]:
    """The branches of a round, the likeliest first; one with nothing `seen` where all its results
    lead to the same repair. `members` are its checks.

    The finding that tells most about where to go on splits what may be found, results that lead
    to the same staying together; then what tells most in one of the branches splits that one.
    """
    telling = Telling(problem)
    leading = _Leading(problem, model)
    findings = [one for name in members for one in _findings(problem, name)]

    def tells(leaf: _Leaf) -> list[float]:
        told = {seen.finding for seen in leaf.seen}
        return [
            0.0 if one.name in told else leading.tells(one.likelihood * leaf.weights)
            for one in findings
        ]

    leaves = [_Leaf((), telling.start(problem.weights)[0])]
    told = [tells(leaves[0])]
    while len(leaves) < MOST and findings:
        leaf, which = np.unravel_index(int(np.argmax(told)), (len(leaves), len(findings)))
        if told[leaf][which] < TELLS:
            break
        parts = _split(leading, leaves[leaf], findings[which])
        if len(parts) < 2 or len(leaves) + len(parts) - 1 > MOST + 1:
            told[leaf][which] = 0.0
            continue
        leaves[leaf : leaf + 1] = parts
        told[leaf : leaf + 1] = [tells(part) for part in parts]
    likely = [leaf for leaf in leaves if leaf.weights.sum() >= LIKELY]
    likely.sort(key=lambda leaf: -float(leaf.weights.sum()))
    made_by = [frozenset(model.repairs_by_name[one.name].made_by) for one in problem.repairs]
    return tuple(
        _branch(telling, leading, leaf, made_by, frozenset(members)) for leaf in likely[:MOST]
    )


@dataclass(frozen=True, eq=False)
class _Leading:
    """What the model says of the causes that are likely where some results lead."""

    problem: Problem
    model: FaultModel

    @cached_property
    def _entries(self) -> list[tuple[Suggestion, Array]]:
        """What can be said briefly, and 1 for the scenarios in which one of its causes is there."""
        faulty = self.problem.scenarios != 0
        column = {name: number for number, name in enumerate(self.problem.causes)}
        return [
            (one, faulty[:, [column[name] for name in one.likely if name in column]].any(axis=1))
            for one in self.model.suggestions
            if one.briefly
        ]

    @cached_property
    def _causes(self) -> Array:
        """1 for the sets of causes that scenarios hold: shape (scenarios, sets)."""
        _, which = np.unique(self.problem.scenarios != 0, axis=0, return_inverse=True)
        return np.eye(which.max() + 1)[which.ravel()]

    @cached_property
    def _held(self) -> Array:
        """Which scenarios each entry speaks of: shape (scenarios, entries)."""
        return np.array([held for _, held in self._entries], dtype=np.float64).T

    def suggested(self, weights: Array, made: Collection[str] = ()) -> Suggested | None:
        """What the model says of the likely causes, by weights over the scenarios, without what
        the checks `made` bring."""
        if not self._entries:
            return None
        chances = (weights @ self._held / weights.sum()).tolist()
        said = likeliest(
            Suggested(one.briefly, (), one.likely, chance, one.name)
            for (one, _), chance in zip(self._entries, chances, strict=True)
        )
        if said is None or not made:
            return said
        found = {name for check in made for name in self.model.checks_by_name[check].observes}
        left = without_made(said.say, self.model.meanings, found)
        return replace(said, say=left) if left else None

    def to(self, weights: Array) -> str:
        """What is alike where the same is done next: the suggestion, else the right repair."""
        said = self.suggested(weights)
        if said is not None:
            return said.name
        return str(_shares(self.problem, weights)[:-1].argmax())

    def tells(self, joint: Array) -> float:
        """The bits that results grouped by where they lead tell about the causes, times the chance
        of getting there: `joint` is P(result, scenario) of each result."""
        groups: dict[str, Array] = {}
        for row in joint[joint.sum(axis=1) >= FOLLOWED]:
            name = self.to(row)
            groups[name] = groups.get(name, 0.0) + row
        if len(groups) < 2:
            return 0.0
        rows = np.array([*groups.values()]) @ self._causes
        return float(entropy(rows.sum(axis=0)[None]).sum() - entropy(rows).sum())


def _findings(problem: Problem, check: str) -> list[_Finding]:
    """The findings of a check, each by itself: its joint results put together by one of them."""
    action = next((one for one in problem.checks if one.name == check), None)
    if action is None:
        return []
    labels = [split_results(label, action.findings) for label in action.results]
    found = []
    for pairs in zip(*labels, strict=True):
        name, column = pairs[0][0], [result for _, result in pairs]
        results = tuple(dict.fromkeys(column))
        rows = [[label == result for label in column] for result in results]
        likelihood = np.array(rows, dtype=np.float64) @ action.likelihood
        found.append(_Finding(check, name, results, likelihood))
    return found


def _split(leading: _Leading, leaf: _Leaf, finding: _Finding) -> list[_Leaf]:
    """A leaf by the results of one finding more, those that lead to the same together."""
    joint = finding.likelihood * leaf.weights
    chances = joint.sum(axis=1)
    shares = (chances / leaf.weights.sum()).tolist()
    alike: dict[str, list[int]] = {}
    for place in np.argsort(-chances, kind="stable").tolist():
        if chances[place] >= FOLLOWED:
            alike.setdefault(leading.to(joint[place]), []).append(place)
    return [
        _Leaf(
            (
                *leaf.seen,
                Seen(finding.check, finding.name, {finding.results[n]: shares[n] for n in places}),
            ),
            joint[places].sum(axis=0),
        )
        for places in alike.values()
    ]


def _shares(problem: Problem, weights: Array) -> Array:
    """How often each repair is right, the last for none: shape (repairs + 1,)."""
    shares = np.bincount(problem.right_repair, weights, len(problem.repairs) + 2)
    return np.append(shares[:-2], shares[-2:].sum())


def _branch(
    telling: Telling,
    leading: _Leading,
    leaf: _Leaf,
    made_by: Sequence[frozenset[str]],
    members: frozenset[str],
) -> Branch:
    """A leaf as it is said; `made_by` are the checks that make each repair."""
    problem = telling.problem
    chance = float(leaf.weights.sum())
    weights = leaf.weights / chance
    held = weights @ (problem.scenarios != 0)
    causes = np.argsort(-held, kind="stable")[:CAUSES].tolist()
    shares = _shares(problem, weights)
    done = [number for number, checks in enumerate(made_by) if checks & members]
    order = most_likely_order(problem, weights, REPAIRS, WORTH_TRYING, BESIDE, done)
    but = members.union(*(made_by[repair] for repair in order))
    check = _inside(telling, weights, but, order)
    return Branch(
        leaf.seen,
        chance,
        {
            problem.causes[cause]: float(held[cause])
            for cause in causes
            if held[cause] >= WORTH_NAMING * held[causes[0]]
        },
        "" if check is None else problem.checks[check].name,
        tuple(problem.repairs[number].name for number in order),
        float(shares[-1]),
        leading.suggested(weights, members),
    )


def _inside(
    telling: Telling, weights: Array, but: frozenset[str], order: Sequence[int]
) -> int | None:
    """The check that tells most for its cost where some repairs are made, or on the way there;
    None where none tells much, or they are made where the machine stands."""
    problem = telling.problem
    places = {problem.repair_places[repair] for repair in order} - {problem.stage}
    ways = {place for place in problem.repair_places if place != problem.stage}
    stages = {way for way in ways if any(lies_on_the_way(problem, way, place) for place in places)}
    bits = telling.bits(weights)
    score = telling.score(bits, problem.stage)
    for number, one in enumerate(problem.checks):
        if one.stage not in stages or one.name in but or bits[number] < TELLS_MUCH:
            score[number] = 0.0
    best = int(score.argmax()) if len(score) else 0
    return best if len(score) and score[best] > 0.0 else None
