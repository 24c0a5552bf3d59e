"""A round: the checks that a technician makes together before asking again.

The leading check, and the next ones of its stage while the results before them would hardly
change that they are made. First form: whether they would is asked of the policy after each
likely result.
"""

from __future__ import annotations

from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Action, Policy, Situation, after_check, start
from faultfinder.model.parts import FaultModel

SURE = 0.9
"""A member would be advised after at least this share of the results before it."""

MOST, MINUTES = 5, 3.0
"""Checks in a round, and minutes of their own together (the leading one may take longer)."""

UNLIKELY = 0.02
"""Results less likely than this are not asked about."""

LEVEL = 0.005
"""Checks whose job costs no more than this share above the best are not overtaken by it."""

SETTLES = 0.1
"""A check that ends the checking at least this often comes before quicker ones."""


def round_from(
    problem: Problem, policy: Policy, action: Action, model: FaultModel
) -> tuple[str, ...]:
    """The checks of a round that begins with the check of `action`, in the order to make them:
    the quickest first, unless another may settle it."""
    lead = action.number
    minutes = [model.checks_by_name[check.name].minutes for check in problem.checks]
    members, spent = [lead], minutes[lead]
    branches = _after(problem, [(1.0, start(problem))], lead)
    first = {lead: _settling(policy, branches)}
    while len(members) < MOST:
        left = MINUTES - spent
        advised: dict[int, float] = {}
        for share, situation in branches:
            for check in _advised(policy, situation):
                advised[check] = advised.get(check, 0.0) + share
        total = sum(share for share, _ in branches)
        fitting = {
            check: share
            for check, share in advised.items()
            if problem.checks[check].stage == problem.checks[lead].stage
            and minutes[check] <= left
            and share >= SURE * total
        }
        if not fitting:
            break
        member = max(fitting, key=lambda check: (fitting[check], -minutes[check], -check))
        first[member] = _settling(policy, _after(problem, [(1.0, start(problem))], member))
        branches = _after(problem, branches, member)
        members.append(member)
        spent += minutes[member]
    members.sort(key=lambda check: (first[check] < SETTLES, minutes[check]))
    return tuple(problem.checks[check].name for check in members)


_Branches = list[tuple[float, Situation]]


def _after(problem: Problem, branches: _Branches, check: int) -> _Branches:
    """Each branch after each result of a check, the unlikely ones left out."""
    return [
        (share * p, then)
        for share, situation in branches
        for _, p, then in after_check(problem, situation, check)
        if share * p >= UNLIKELY
    ]


def _advised(policy: Policy, situation: Situation) -> set[int]:
    """The checks that would be made next: the chosen one, and those level with it."""
    action = policy.decide(situation)
    if action.kind != "check":
        return set()
    most = action.expected_cost * (1.0 + LEVEL)
    level = {item.number for item in action.weighed if item.expected_cost <= most}
    return {action.number} | level


def _settling(policy: Policy, branches: _Branches) -> float:
    """How often no check would follow."""
    return sum(share for share, then in branches if policy.decide(then).kind != "check")
