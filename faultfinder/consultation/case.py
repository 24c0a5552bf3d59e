"""A case: all that is known about one machine, and what it is worth."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from functools import lru_cache

import numpy as np

from faultfinder.consultation.judgement import likelihood
from faultfinder.decide.belief import Tried
from faultfinder.decide.naming import Naming
from faultfinder.decide.shop import PricedPart, Shop
from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import find_result, find_stage, find_variable
from faultfinder.model.network import Array
from faultfinder.model.parts import Kind, Repair


@frozen(eq=False)
class Case:
    """One machine: what was seen on it, what was tried, where it stands.

    `results` maps a finding, history or cause to its result in the order seen, None when it
    could not be told; they were seen before any repair. `stage` is the teardown stage the
    machine is in now (default: the one it arrives in; after a repair the one in which that was
    looked at). `tried` are repairs that did not cure, with the results since. `worth` is what
    the owner loses if the machine goes back unrepaired, in the shop's currency (default: the
    shop's `hand_over`). `likelier` maps a cause to how many times likelier than out of the blue it
    is, for what was done to the machine before it came (odds against being in order). `judged` maps
    a cause to the state that a technician named without proof. `naming` asks for a name of what is
    wrong instead of a repair, and says when to stop looking for it.

    Names and results may be given as people say them; they are kept as the model names them.
    Raises MisuseError for unknown ones, for one finding with two different results, and for a
    repair named twice.
    """

    model: CompiledModel
    results: Mapping[str, str | None] = field(default_factory=dict)
    stage: str | None = None
    tried: tuple[Tried, ...] = ()
    worth: float | None = None
    shop: Shop = field(default_factory=Shop)
    likelier: Mapping[str, float] = field(default_factory=dict)
    judged: Mapping[str, str] = field(default_factory=dict)
    naming: Naming | None = None

    def __post_init__(self) -> None:
        if self.shop.parts:
            object.__setattr__(self, "model", _priced(self.model, self.shop.parts))
        tried = tuple(
            Tried(
                find_repair(self.model, one.repair).name,
                read_results(self.model, one.results_since.items()),
            )
            for one in self.tried
        )
        if len({one.repair for one in tried}) != len(tried):
            raise MisuseError("A repair is named twice as tried. Name each once.")
        if self.worth is not None and not (math.isfinite(self.worth) and self.worth >= 0.0):
            raise MisuseError(f"A machine cannot be worth {self.worth:g}: give an amount from 0.")
        object.__setattr__(self, "judged", read_causes(self.model, self.judged))
        object.__setattr__(self, "results", read_results(self.model, self.results.items()))
        object.__setattr__(self, "tried", tried)
        if self.stage is not None:
            object.__setattr__(self, "stage", find_stage(self.model.model, self.stage))

    @property
    def findings(self) -> dict[str, str]:
        """The results that are known, seen before any repair."""
        return {name: result for name, result in self.results.items() if result is not None}

    @property
    def hints(self) -> dict[int, Array]:
        """`likelier` and `judged` as likelihoods by variable number: shape (states,), normal
        first."""
        network = self.model.network
        told = {
            network.index[cause]: np.array(
                [1.0 / times] + [1.0] * (network.cards[network.index[cause]] - 1)
            )
            for cause, times in self.likelier.items()
        }
        for cause, state in self.judged.items():
            at = network.index[cause]
            said = likelihood(network.cards[at], network.states[at].index(state))
            told[at] = told.get(at, 1.0) * said
        return told

    @property
    def latest(self) -> Mapping[str, str | None]:
        """The results that speak of the machine as it is: since the last repair, if any."""
        return self.tried[-1].results_since if self.tried else self.results

    @property
    def unclear(self) -> tuple[str, ...]:
        """What was looked for on the machine as it is and could not be told."""
        return tuple(name for name, result in self.latest.items() if result is None)

    @property
    def everything(self) -> dict[str, str]:
        """All results known, those of later looks over those of earlier ones."""
        seen = self.findings
        for one in self.tried:
            seen.update(one.findings)
        return seen

    @property
    def looked_for(self) -> frozenset[str]:
        """What was looked for on the machine at any time, told or not."""
        return frozenset(self.results).union(*(one.results_since for one in self.tried))

    @property
    def terms(self) -> Shop:
        """The shop's settings, with what this machine is worth, or is taken to be worth."""
        worth = self.shop.hand_over if self.worth is None else self.worth
        if worth is None and self.model.model.worth:
            worth = worth_of(self.model, None, self.shop.usual_age)
        return replace(self.shop, hand_over=worth)

    @property
    def usually_declined(self) -> float | None:
        """The price above which owners of such machines usually decline, in money; None where the
        model does not say."""
        share = self.model.model.declined_above
        return None if share is None else share * self.terms.lost_unrepaired

    def with_result(self, name: str, result: str | None) -> Case:
        """The case with one more result, which takes the place of one before it."""
        name = find_variable(self.model.model, name).name
        kept = {one: told for one, told in self.latest.items() if one != name}
        return self._with_latest({**kept, name: result})

    def without(self, name: str) -> Case:
        """The case without a result of the machine as it is."""
        name = find_variable(self.model.model, name).name
        return self._with_latest({one: told for one, told in self.latest.items() if one != name})

    def _with_latest(self, results: Mapping[str, str | None]) -> Case:
        if not self.tried:
            return replace(self, results=results)
        last = Tried(self.tried[-1].repair, results)
        return replace(self, tried=(*self.tried[:-1], last))

    def after_repair(self, repair: str) -> Case:
        """The case once a repair was made and did not cure."""
        return replace(self, tried=(*self.tried, Tried(repair)), stage=None)

    def at_stage(self, stage: str | None) -> Case:
        """The case with the machine in another teardown stage."""
        return replace(self, stage=stage)


@lru_cache(maxsize=8)
def _priced(compiled: CompiledModel, parts: tuple[PricedPart, ...]) -> CompiledModel:
    """The model with a shop's prices in the place of its own. Raises MisuseError for a price of a
    repair that it does not have."""
    own = {one.repair: one.price for one in parts if one.family == compiled.model.name}
    repairs = compiled.model.repairs_by_name
    for name in own:
        if name not in repairs:
            raise MisuseError(
                f"The shop settings price {name} of {compiled.model.name}, which has no such "
                f"repair. {did_you_mean(name, repairs)}"
            )
    if all(repairs[name].part == price for name, price in own.items()):
        return compiled
    priced = tuple(replace(one, part=own.get(one.name, one.part)) for one in compiled.model.repairs)
    return replace(compiled, model=replace(compiled.model, repairs=priced))


def worth_of(compiled: CompiledModel, worth: float | None, age: float | None) -> float | None:
    """What a machine is worth: as said, else the family's value at its age (between two ages in
    proportion), else None. Raises MisuseError for an age where the model gives no values."""
    by_age = compiled.model.worth
    if worth is not None or age is None:
        return worth
    if not by_age:
        name = compiled.model.name
        raise MisuseError(f"The model {name} says nothing of worth by age. Give --worth AMOUNT.")
    return float(np.interp(age, list(by_age), list(by_age.values())))


def read_results(
    compiled: CompiledModel, typed: Iterable[tuple[str, str | None]]
) -> dict[str, str | None]:
    """Results as the model names them, from what people typed; a result counts more than None.

    Raises MisuseError for an unknown finding or result, or for one finding given twice with
    different results.
    """
    results: dict[str, str | None] = {}
    for name, said in typed:
        variable = find_variable(compiled.model, name)
        state = None if said is None else find_result(variable, str(said))
        before = results.get(variable.name)
        if before is not None and state not in (None, before):
            raise MisuseError(
                f"{variable.name} is given twice: as {before} and as {state}. "
                "Keep the one that is right."
            )
        results[variable.name] = state if before is None else before
    return results


def read_causes(compiled: CompiledModel, typed: Mapping[str, str]) -> dict[str, str]:
    """Causes and their states as the model names them. Raises MisuseError."""
    told: dict[str, str] = {}
    for name, said in typed.items():
        variable = find_variable(compiled.model, name)
        state = find_result(variable, said)
        if variable.kind is not Kind.CAUSE or state is None:
            raise MisuseError(f"{name}={said} names no cause with its state.")
        told[variable.name] = state
    return told


def find_repair(compiled: CompiledModel, typed: str) -> Repair:
    """The repair of that name. Raises MisuseError with the nearest name."""
    repairs = compiled.model.repairs_by_name
    name = typed.strip().replace("-", "_").replace(" ", "_").lower()
    if name in repairs:
        return repairs[name]
    raise MisuseError(f'This model has no repair "{typed}". {did_you_mean(typed, repairs)}')
