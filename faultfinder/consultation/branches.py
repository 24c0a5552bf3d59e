"""Where a round leads: what its results, together, would mean, and how to go on."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from faultfinder.consultation.suggestions import Suggested, likeliest, without_made
from faultfinder.decide.problem import Problem
from faultfinder.decide.repair_order import lies_on_the_way, most_likely_order
from faultfinder.decide.together import Telling, entropy
from faultfinder.model.answers import split_results
from faultfinder.model.network import Array, Ints
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


def branches_of(
    problem: Problem, model: FaultModel, members: Sequence[str], known: Iterable[str] = ()
) -> tuple[Branch, ...]:
    """The branches of a round, the likeliest first; one with nothing `seen` where all its results
    lead to the same repair. `members` are its checks, `known` the findings that have a result.

    The finding that tells most about where to go on splits what may be found, results that lead
    to the same staying together; then what tells most in one of the branches splits that one.
    """
    telling = Telling(problem)
    leading = _Leading(telling, model)
    findings = [one for name in members for one in _findings(problem, name)]

    def tells(leaf: _Leaf) -> list[float]:
        told = {seen.finding for seen in leaf.seen}
        return [
            0.0 if one.name in told else leading.tells(one.likelihood * leaf.weights)
            for one in findings
        ]

    leaves = [_Leaf((), telling.start(problem.weights)[0])]
    told = [tells(leaves[0])]
    while len(_likely(leaves)) < MOST and findings:
        leaf, which = np.unravel_index(int(np.argmax(told)), (len(leaves), len(findings)))
        if told[leaf][which] < TELLS:
            break
        parts = _split(leading, leaves[leaf], findings[which])
        made = [*leaves[:leaf], *parts, *leaves[leaf + 1 :]]
        if len(parts) < 2 or len(_likely(made)) > MOST + 1:
            told[leaf][which] = 0.0
            continue
        leaves = made
        told[leaf : leaf + 1] = [tells(part) for part in parts]
    likely = _likely(leaves)
    likely.sort(key=lambda leaf: -float(leaf.weights.sum()))
    made_by = [frozenset(model.repairs_by_name[one.name].made_by) for one in problem.repairs]
    found = {*known, *(one for name in members for one in model.checks_by_name[name].observes)}
    return tuple(
        _branch(leading, leaf, made_by, frozenset(members), found) for leaf in likely[:MOST]
    )


def _likely(leaves: Sequence[_Leaf]) -> list[_Leaf]:
    """Those that are likely enough to be named."""
    return [leaf for leaf in leaves if leaf.weights.sum() >= LIKELY]


@dataclass(frozen=True, eq=False)
class _Leading:
    """What the model says of the causes that are likely where some results lead."""

    telling: Telling
    model: FaultModel

    @property
    def problem(self) -> Problem:
        """What is decided on."""
        return self.telling.problem

    @cached_property
    def _entries(self) -> list[Suggestion]:
        """What can be said briefly."""
        return [one for one in self.model.suggestions if one.briefly]

    @cached_property
    def _held(self) -> Array:
        """1 for the scenarios in which one of an entry's causes is there: (scenarios, entries)."""
        faulty = self.problem.scenarios != 0
        names = self.problem.causes
        held = [
            faulty[:, [place for place, name in enumerate(names) if name in one.likely]].any(axis=1)
            for one in self._entries
        ]
        return np.array(held, dtype=np.float64).reshape(len(held), len(faulty)).T

    @cached_property
    def _alike(self) -> tuple[Ints, Ints]:
        """The scenarios in an order in which those with the same faulty causes stand together, and
        where each such set begins."""
        sets = np.packbits(self.problem.scenarios != 0, axis=1)
        order = np.lexsort(sets.T)
        changes = (sets[order[1:]] != sets[order[:-1]]).any(axis=1)
        return order.astype(np.int64), np.flatnonzero(np.append(True, changes))

    def to(self, rows: Array) -> list[int]:
        """What is alike where the same is done next, in rows of weights over the scenarios: the
        place of what is said of the likely causes, else one of the right repair, below 0."""
        said = [-1] * len(rows)
        if self._entries:
            chances = rows @ self._held / rows.sum(axis=1, keepdims=True)
            said = likeliest(chances, np.array([len(one.likely) for one in self._entries])).tolist()
        return [
            place if place >= 0 else -1 - int(_shares(self.problem, row)[:-1].argmax())
            for place, row in zip(said, rows, strict=True)
        ]

    def suggested(self, weights: Array, found: Collection[str]) -> Suggested | None:
        """What the model says of the likely causes, by weights over the scenarios, without what
        brings findings that are `found` by then."""
        (place,) = self.to(weights[None])
        if place < 0:
            return None
        one = self._entries[place]
        left = without_made(one.briefly, self.model.meanings, found)
        chance = float(weights @ self._held[:, place] / weights.sum())
        return Suggested(left, (), one.likely, chance, one.name) if left else None

    def tells(self, joint: Array) -> float:
        """The bits that results, those that lead to the same together, tell about the causes,
        times the chance of getting there: `joint` is P(result, scenario) of each result."""
        rows = joint[joint.sum(axis=1) >= FOLLOWED]
        leads = np.array(self.to(rows))
        ways = np.unique(leads)
        if len(ways) < 2:
            return 0.0
        grouped = (leads[None] == ways[:, None]) @ rows
        order, begins = self._alike
        causes = np.add.reduceat(grouped[:, order], begins, axis=1)
        return float(entropy(causes.sum(axis=0)) - entropy(causes).sum())


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
    alike: dict[int, list[int]] = {}
    followed = [n for n in np.argsort(-chances, kind="stable").tolist() if chances[n] >= FOLLOWED]
    for place, lead in zip(followed, leading.to(joint[followed]), strict=True):
        alike.setdefault(lead, []).append(place)
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
    leading: _Leading,
    leaf: _Leaf,
    made_by: Sequence[frozenset[str]],
    members: frozenset[str],
    found: Collection[str],
) -> Branch:
    """A leaf as it is said; `made_by` are the checks that make each repair, `found` the findings
    that have a result by then."""
    telling, problem = leading.telling, leading.problem
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
        leading.suggested(weights, found),
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
