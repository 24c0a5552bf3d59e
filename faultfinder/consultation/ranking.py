"""Checks in the order of what they save on the whole job, where the model has repairs."""

from __future__ import annotations

from dataclasses import replace

from faultfinder.consultation.advice import Advice
from faultfinder.consultation.next_check import Diagnosis, RankedCheck
from faultfinder.model.parts import FaultModel, Kind


def rank_by_savings(model: FaultModel, diagnosis: Diagnosis, advice: Advice) -> Diagnosis:
    """The diagnosis with its checks ranked by what they save on the expected cost of the job.

    The advised check goes first. A check is worth its cost while it saves anything and
    checking is the advice. Checks the advice does not weigh (questions for the counter)
    keep their verdict by information, and follow; others not looked at count as not worth it.
    """
    histories = {variable.name for variable in model.of_kind(Kind.HISTORY)}
    weighed = {item.check: item for item in advice.checks}
    ranked: list[RankedCheck] = []
    for check in diagnosis.checks:
        item = weighed.get(check.check)
        if item is not None:
            check = replace(
                check,
                saves=item.saves,
                saves_alone=item.saves_alone,
                then=item.then,
                worth=advice.kind == "check" and item.saves > 1e-4 * advice.cost,
            )
        elif not histories.issuperset(model.checks_by_name[check.check].observes):
            check = replace(check, worth=False)
        ranked.append(check)
    first = advice.name if advice.kind == "check" else ""
    ranked.sort(
        key=lambda c: (
            c.check != first,
            c.saves is None,
            -(c.saves or 0.0),
            -c.gain_per_cost,
            c.check,
        )
    )
    return replace(diagnosis, checks=tuple(ranked))
