"""Checks in the order of what they save on the whole job, where the model has repairs."""

from __future__ import annotations

from dataclasses import replace

from faultfinder.decide.advice import Advice
from faultfinder.decide.next_check import Diagnosis, RankedCheck


def rank_by_savings(diagnosis: Diagnosis, advice: Advice) -> Diagnosis:
    """The diagnosis with its checks ranked by what they save on the expected cost of the job.

    The advised check goes first. A check is worth its cost while it saves anything and
    checking is the advice. Checks the advice does not weigh (questions for the counter)
    keep their verdict by information, and follow.
    """
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
                worth=advice.kind == "check" and item.saves > 0.005,
            )
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
