"""The first step as `roll_out` advises it, then `one_step`.

It is what `roll_out` weighs its first step by, and quick enough to be followed on thousands of
machines: for averages.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.decide.policies import one_step, roll_out
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.situation import Action, Policy, Situation


def make(problem: Problem, shop: Shop) -> RollOutOnce:
    """The policy as commands name it."""
    return RollOutOnce(roll_out.make(problem, shop), one_step.make(problem, shop))


@dataclass(frozen=True, eq=False)
class RollOutOnce:
    """`first` decides while nothing was done yet, `then` from there on."""

    first: Policy
    then: Policy

    def decide(self, situation: Situation) -> Action:
        """The action of whichever policy has its turn."""
        begun = situation.checked or situation.repaired
        return (self.then if begun else self.first).decide(situation)
