"""A case played: the tool's own policy asks, and each step is answered by what the case tells.

A round is made whole before the tool is asked again, and ends where the check that settled the
case comes; each of its checks counts as a step. A fact that the case does not
tell is answered by "could not tell". A repair that mends what was at fault ends the play; any
other counts as a step and is passed over, since no case tells what it would have shown, and
then the best open check is made.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.assess.casebook.books import RealCase
from faultfinder.assess.casebook.judging import Judge, joined
from faultfinder.assess.casebook.scores import settles_later
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.decide.policies import DEFAULT, PolicyMaker
from faultfinder.errors import ImpossibleEvidence

MOST = 40
"""Steps after which a play ends."""


@dataclass(frozen=True)
class Played:
    """How a play went: `end` is "settled", "mended", "stopped", "contradiction", "nothing left"
    or "given up"; only the first two count `steps`, the others as MOST."""

    case: RealCase
    made: tuple[str, ...]
    end: str

    @property
    def steps(self) -> int:
        return len(self.made) if self.end in ("settled", "mended") else MOST


def play(case: RealCase, judge: Judge, policy: str | PolicyMaker = DEFAULT) -> Played | None:
    """The case played until the check that settled it is made; None where none did, or the
    model cannot say it."""
    wording = judge.wording
    target = wording.finding(case.settled_by) if settles_later(case) else None
    if target is None:
        return None
    told = wording.results(case.told("all"))[0]
    mended = set(joined(case.at_fault, wording.causes))
    findings, _ = wording.results(case.told("intake"))
    at = Case(judge.compiled, judge.settled(findings), shop=judge.shop)
    made: list[str] = []
    passed: set[str] = set()
    while len(made) < MOST:
        try:
            told_now = consult(at, policy=policy)
        except ImpossibleEvidence:
            return Played(case, tuple(made), "contradiction")
        if told_now.stop:
            return Played(case, tuple(made), "stopped")
        names = _checks(told_now, passed, made)
        if not names:
            return Played(case, tuple(made), "nothing left")
        if passed & set(made[-1:]) and mended & _mends(judge, made[-1]):
            return Played(case, tuple(made), "mended")
        for name in names:
            made.append(name)
            observed = judge.compiled.model.checks_by_name[name].observes
            if target.name in observed:
                return Played(case, tuple(made), "settled")
            for finding in observed:
                if at.results.get(finding) is None:
                    at = at.with_result(finding, told.get(finding))
    return Played(case, tuple(made), "given up")


def _checks(told: Consultation, passed: set[str], made: list[str]) -> tuple[str, ...]:
    """The checks to make; a repair advised for the first time is written down as made before."""
    step = told.next_step
    if step is not None and step.kind == "check":
        return told.round or (step.name,)
    if step is not None and step.kind == "repair" and step.name not in passed:
        if told.round:
            return told.round
        passed.add(step.name)
        made.append(step.name)
    rest = told.order_at_bench or told.order
    return (rest[0].check,) if rest else ()


def _mends(judge: Judge, repair: str) -> set[str]:
    """The causes that a repair mends more often than not."""
    mends = judge.compiled.model.repairs_by_name[repair].mends
    return {cause for cause, states in mends.items() if max(states.values(), default=0.0) >= 0.5}
