"""The consultation of a few findings, as tests ask for it."""

from __future__ import annotations

from collections.abc import Mapping

from faultfinder import Case, Consultation, Shop, consult
from faultfinder.consultation.advice import Advice, advice_from
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.decide.policies import roll_out
from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import start
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.target import TargetSpec
from faultfinder.model.parts import FaultModel


def look_at(
    compiled: CompiledModel,
    findings: Mapping[str, str | None] | None = None,
    target: TargetSpec = "causes",
    *,
    stage: str | None = None,
    shop: Shop | None = None,
) -> Consultation:
    """What is believed of a machine with these findings and nothing tried."""
    return consult(Case(compiled, findings or {}, stage, shop=shop or Shop()), target=target)


def most_telling(found: Consultation) -> RankedCheck | None:
    """The check with most bits per cost, while they are worth it."""
    best = found.most_telling[0] if found.most_telling else None
    return best if best is not None and best.worth else None


def advised(problem: Problem, model: FaultModel, shop: Shop) -> Advice:
    """What the default policy advises on a problem."""
    return advice_from(problem, model, roll_out.make(problem, shop).decide(start(problem)))
