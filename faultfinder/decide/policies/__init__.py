"""Policies, one file each; `make(problem, shop)` in it makes the policy of the file's name.

- `one_step`: the most bits per cost while they are worth it, then the best repair order;
- `look_ahead`: what each check saves on the job, two deep;
- `roll_out` (the default): each promising action followed to the end of the job by `one_step`;
- `exact`: dynamic programming, for small problems.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import import_module

from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Action, Policy, Situation, check_cost
from faultfinder.errors import MisuseError, did_you_mean

DEFAULT = "roll-out"
"""The policy that advises unless another is named."""

PolicyMaker = Callable[[Problem, Shop], Policy]


def policy_names() -> list[str]:
    """The names of all policies, the default first."""
    import pkgutil  # to name them all is rarely asked for

    names = sorted(file.name.replace("_", "-") for file in pkgutil.iter_modules(__path__))
    return sorted(names, key=lambda name: name != DEFAULT)


def policy_maker(name: str) -> PolicyMaker:
    """What makes the policy of that name. Raises MisuseError for an unknown one."""
    try:
        module = import_module(f"{__name__}.{name.replace('-', '_')}")
    except ModuleNotFoundError:
        hint = did_you_mean(name, policy_names())
        raise MisuseError(f'There is no policy "{name}". {hint}') from None
    maker: PolicyMaker = module.make
    return lambda problem, shop: InTurn(maker(problem, shop), problem)


@dataclass(frozen=True, eq=False)
class InTurn:
    """A policy that makes what comes before a repair before it, the quickest first."""

    policy: Policy
    problem: Problem

    def decide(self, situation: Situation) -> Action:
        """What the policy chooses, or the check that comes before it."""
        action = self.policy.decide(situation)
        if action.kind != "repair":
            return action
        problem, stage = self.problem, situation.stage
        pending = problem.pending(action.number, situation.checked, stage)
        if not pending:
            return action
        check = min(pending, key=lambda number: check_cost(problem, situation, number))
        cost = action.expected_cost + check_cost(problem, situation, check)
        first = Action("check", check, cost, saves=-check_cost(problem, situation, check))
        return replace(first, saves_alone=first.saves, weighed=(first, *action.weighed))
