"""A round: the checks that a technician makes together before asking again.

The leading check and others of its stage. One more is taken in while making it at once is
cheaper than coming back for it: wasted is its cost where the results before it leave it not
worth making, saved is the price of a step (turning to the machine, asking, writing down) where
they do not; what will be worth making less often than not stays out. What it tells counts given
those before it, not by itself. What waits for another of the round comes last, in the
place of what tells less.

Before a repair a round holds what may still speak against it, where the machine stands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faultfinder.decide.problem import Problem
from faultfinder.decide.together import Telling
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel

MOST, MINUTES = 5, 7.0
"""Checks in a round, and minutes of their own together (the leading one may take longer). Both
are what technicians' advisers take at a time."""

OFTEN = 0.5
"""A check that will be worth making less often than this is left for when it is."""

NOTING = 0.25
"""Of the price of a step, what one check more of a round takes: writing its result down."""

SETTLES = 0.1
"""A check that leaves no other of the round worth making at least this often comes before
quicker ones."""

CLEAR = 0.04
"""A result less likely than this is not named as one that ends a round."""


@dataclass(frozen=True)
class Round:
    """Checks to make together: `members` as they rank, `turn` in the order to make them, and
    `note`, which says what ends it early, or ""."""

    members: tuple[str, ...] = ()
    turn: tuple[str, ...] = ()
    note: str = ""

    def after(self, look: str) -> Round:
        """The same once a look is made that comes before all else."""
        members = (look, *(one for one in self.members if one != look))[:MOST]
        return Round(members, (look, *(o for o in self.turn if o in members[1:])), self.note)


def round_from(
    problem: Problem, lead: int | None, model: FaultModel, worth_per_bit: float
) -> Round:
    """The round that begins with a check, or (None) the one before a repair."""
    telling = Telling(problem)
    parts = [model.checks_by_name[check.name] for check in problem.checks]
    # What is made anyway before the right repair costs nothing to make now.
    own = np.array([check.cost for check in problem.checks])
    noted = (own + NOTING * problem.handling) * (1.0 - problem.made_anyway)
    own = own * (1.0 - problem.made_anyway)
    minutes = np.array([part.minutes for part in parts])
    members: list[int] = []
    stage = problem.stage
    outcomes = telling.start(problem.weights)
    if lead is not None:
        members, stage = [lead], problem.checks[lead].stage
        outcomes = telling.then(outcomes, lead)
    here = [check for check, one in enumerate(problem.checks) if one.stage == stage]
    while len(members) < MOST:
        more = telling.more(outcomes)
        wanted = _wanted(telling, more, outcomes, noted, worth_per_bit, members)
        out = [
            check
            for check in range(len(parts))
            if check not in here
            or problem.checks[check].behind & set(members)
            or minutes[members].sum() + minutes[check] > MINUTES
            or wanted[check] < OFTEN
            or (1.0 - wanted[check]) * own[check] > wanted[check] * problem.handling
        ]
        member = telling.best(more.sum(axis=0), stage, members, out)
        if member is None:
            break
        members.append(member)
        outcomes = telling.then(outcomes, member)

    members = _with_what_waits(problem, telling, members, here, minutes, noted, worth_per_bit)
    ends = {check: _ends(problem, telling, check, members, own, worth_per_bit) for check in members}

    def place(check: int) -> tuple[bool, bool, float]:
        waits = bool(problem.checks[check].behind & set(members))
        return waits, sum(ends[check].values()) < SETTLES, parts[check].minutes

    turn = sorted(members, key=place)
    named = [
        f"{parts[check].title}: {' or '.join(likely)}"
        for check in turn[:-1]
        if (likely := [result for result, chance in ends[check].items() if chance >= CLEAR])
    ]
    return Round(
        tuple(problem.checks[check].name for check in members),
        tuple(problem.checks[check].name for check in turn),
        f"Ends early after {'; '.join(named)}." if named else "",
    )


def _with_what_waits(
    problem: Problem,
    telling: Telling,
    members: list[int],
    here: list[int],
    minutes: Array,
    noted: Array,
    worth_per_bit: float,
) -> list[int]:
    """The members with a check that waits for some of them, last, in the place of what tells
    less; as they are where that leaves more unknown, in money, or costs more than it tells."""
    begin = telling.start(problem.weights)

    def after(checks: list[int]) -> Array:
        outcomes = begin
        for check in checks:
            outcomes = telling.then(outcomes, check)
        return outcomes

    def loss(checks: list[int]) -> float:
        return telling.left(after(checks)) * worth_per_bit + float(noted[checks].sum())

    made = frozenset(members)
    for check in here:
        behind = problem.checks[check].behind
        if not behind & made or not problem.is_open(check, made):
            continue
        kept = list(members)
        while len(kept) == MOST or minutes[kept].sum() + minutes[check] > MINUTES:
            less = [one for one in kept[1:] if one not in behind]
            if not less:
                break
            kept.remove(min(less, key=lambda one: loss([*(o for o in kept if o != one), check])))
        else:
            left = after(kept)
            often = _wanted(telling, telling.more(left), left, noted, worth_per_bit, kept)[check]
            if often >= OFTEN and loss([*kept, check]) < loss(members):
                return [*kept, check]
    return members


def _wanted(
    telling: Telling,
    more: Array,
    outcomes: Array,
    own: Array,
    worth_per_bit: float,
    members: list[int],
) -> Array:
    """How often each check is still worth its cost, by itself or with one that waits for it:
    shape (checks,)."""
    chance = outcomes.sum(axis=1)
    worth = more * worth_per_bit >= chance[:, None] * own
    for gate, check in telling.gates(members):
        both = (more[:, gate] + more[:, check]) * worth_per_bit
        worth[:, gate] |= both >= chance * (own[gate] + own[check])
    found: Array = (worth * chance[:, None]).sum(axis=0) / max(float(chance.sum()), 1e-12)
    return found


def _ends(
    problem: Problem,
    telling: Telling,
    check: int,
    members: list[int],
    own: Array,
    worth_per_bit: float,
) -> dict[str, float]:
    """The results after which no other member is worth its cost, with their probabilities."""
    others = [one for one in members if one != check]
    if not others:
        return {}
    outcomes = problem.checks[check].likelihood * telling.start(problem.weights)
    chances = outcomes.sum(axis=1)
    worth = np.array([telling.more_of(one, outcomes) for one in others]) * worth_per_bit
    ended = (worth < chances * own[others, None]).all(axis=0) & (chances > 0.0)
    return {
        problem.checks[check].results[result]: float(chances[result])
        for result in np.flatnonzero(ended).tolist()
    }
