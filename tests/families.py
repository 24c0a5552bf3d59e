"""What tests of a device family share: beliefs by findings, and what every family must hold."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import faultfinder
from faultfinder import Consultation
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.model.parts import FaultModel, Kind, NoisyMax, Table
from tests import MODELS_BEFORE
from tests.consulted import look_at


@cache
def _diagnosis(name: str, findings: tuple[tuple[str, str], ...]) -> Consultation:
    return look_at(_compiled(name), dict(findings))


class Family:
    """A model by its name: one that comes along, or one of the earlier version (`folder`)."""

    def __init__(self, name: str, folder: Path = MODELS_BEFORE) -> None:
        self.name, self.path = name, str(folder / f"{name}.yaml")

    @property
    def compiled(self) -> CompiledModel:
        return _compiled(self.path)

    @property
    def model(self) -> FaultModel:
        return self.compiled.model

    def seen(self, **findings: str) -> Consultation:
        return _diagnosis(self.path, tuple(sorted(findings.items())))

    def chances(self, **findings: str) -> Mapping[str, float]:
        """P(present) of each cause, the likeliest first; without planning what to do."""
        return _chances(self.path, tuple(sorted(findings.items())))

    def causes(self, **findings: str) -> Mapping[str, float]:
        return self.seen(**findings).causes

    def first(self, **findings: str) -> str:
        return next(iter(self.causes(**findings)))


@cache
def _chances(name: str, findings: tuple[tuple[str, str], ...]) -> Mapping[str, float]:
    compiled = _compiled(name)
    network = compiled.network
    calibrated = beliefs(compiled, evidence_from(compiled, dict(findings)))
    found = {
        cause.name: 1.0 - float(posterior(compiled, calibrated, network.index[cause.name])[0, 0])
        for cause in compiled.model.of_kind(Kind.CAUSE)
    }
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


@cache
def _compiled(name: str) -> CompiledModel:
    return faultfinder.load_model(name)


def prior(model: FaultModel, name: str, state: str) -> float:
    """P(cause = state) without the complaint: enumerated over its histories by hand.

    The leak and each history take the cause to some state on their own; the worst one wins.
    """
    cause = model.by_name[name]
    distribution = cause.distribution
    assert isinstance(distribution, NoisyMax)
    parents = [model.by_name[parent] for parent in distribution.parents]
    at = cause.states.index(state)
    total = 0.0
    for combination in itertools.product(*(range(len(p.states)) for p in parents)):
        chance = 1.0
        below = [sum(distribution.leak.gives[: k + 1]) for k in (at - 1, at)]
        for parent, number in zip(parents, combination, strict=True):
            assert isinstance(parent.distribution, Table)
            chance *= parent.distribution.rows[0].gives[number]
            if number:
                gives = distribution.links[parent.name][parent.states[number]].gives
                below = [b * sum(gives[: k + 1]) for b, k in zip(below, (at - 1, at), strict=True)]
        total += chance * (below[1] - below[0])
    return total
