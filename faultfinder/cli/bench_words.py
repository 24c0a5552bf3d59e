"""What is typed at the bench after `found`: findings or checks, results by word or number."""

from __future__ import annotations

import re
from collections.abc import Sequence

from faultfinder.cli.searching import search
from faultfinder.cli.typed import Typed, read_result
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation
from faultfinder.consultation.judgement import SAID
from faultfinder.errors import FaultfinderError, MisuseError, nearest
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import COULD_NOT_TELL, find_variable, fold
from faultfinder.model.parts import Check, FaultModel, Kind, Variable
from faultfinder.report.wording import joined

NORMAL = frozenset({"normal", "in order", "all in order", "ok"})
"""Words for "all that the check looks at is as it should be"."""

CURED = frozenset({"cured", "picture is back", "the picture is back", "picture back", "it works"})
"""Words for a picture that is back, which is no finding: some work brought it."""

LISTED = 8
_NEXT_PAIR = re.compile(r",(?=\s*[^\W\d][\w -]*=)")


def read_bench(compiled: CompiledModel, typed: Sequence[str]) -> list[Typed]:
    """Results in the order typed. A check stands for the finding it brings; for one that brings
    several, "normal" for all of them, else each is named. Raises MisuseError."""
    told: dict[str, str | None] = {}
    for words in typed:
        for one in _NEXT_PAIR.split(words):
            for name, result in _pair(compiled, one):
                if name in told and told[name] != result:
                    raise MisuseError(f"{name} is given twice. Keep the one that is right.")
                told[name] = result
    return list(told.items())


def _pair(compiled: CompiledModel, typed: str) -> list[Typed]:
    name, sign, said = typed.partition("=")
    if not sign or not name.strip() or not said.strip():
        raise MisuseError(
            f'"{typed.strip()}" is no finding with its result. Type it as NAME=RESULT, as in '
            "backlight=off; if it could not be told: NAME=unknown."
        )
    model = compiled.model
    meant = _meant(model, name)
    if isinstance(meant, Variable):
        return [(meant.name, read_result(meant, said.strip()))]
    observed = [model.by_name[finding] for finding in meant.observes]
    if len(observed) == 1:
        return [(observed[0].name, read_result(observed[0], said.strip()))]
    word = fold(said)
    if word in NORMAL:
        return [(one.name, one.states[0]) for one in observed]
    if word in COULD_NOT_TELL:
        return [(one.name, None) for one in observed]
    listed = ", ".join(f"{one.name} ({', '.join(one.states)})" for one in observed)
    raise MisuseError(
        f"{meant.name} brings several findings: {listed}. Type {meant.name}=normal when all is in "
        "order, else each as FINDING=RESULT, with a comma or a space between them."
    )


def _meant(model: FaultModel, typed: str) -> Variable | Check:
    """The finding or check of that name; a unique beginning of either is enough."""
    key = fold(typed)
    findings = {fold(v.name): v for v in model.variables if v.kind in (Kind.HISTORY, Kind.FINDING)}
    checks = {fold(check.name): check for check in model.checks}
    causes = {fold(v.name) for v in model.of_kind(Kind.CAUSE)}
    if key in findings:
        return findings[key]
    if key in checks:
        return checks[key]
    if key in causes:
        return find_variable(model, typed)
    begun: dict[str, Variable | Check] = {}
    for names in (findings, checks):
        for name, part in names.items():
            if key and name.startswith(key):
                begun.setdefault(_brings(part), part)
    if len(begun) == 1:
        return next(iter(begun.values()))
    if begun:
        parts = list(begun.values())
        listed = _titled(parts[:LISTED])
        more = f", and {len(parts) - LISTED} more" if len(parts) > LISTED else ""
        raise MisuseError(f'"{typed.strip()}" could be {listed}{more}. Type a little more of it.')
    near = by_own_words(model, typed)[:LISTED]
    if near:
        raise MisuseError(f'There is no finding "{typed.strip()}". It may be {_titled(near)}.')
    close = nearest(key, [*findings, *checks])
    raise MisuseError(
        f'There is no finding or check "{typed.strip()}". '
        + (f"Did you mean {close.replace(' ', '_')}? " if close else "")
        + "A word of its name or title, as in hinge=1, lists what there is."
    )


def _titled(parts: Sequence[Variable | Check]) -> str:
    return joined((f"{part.name} ({part.title})" for part in parts), "or")


def _brings(part: Variable | Check) -> str:
    """A check of one finding and that finding are the same thing to whoever types."""
    if isinstance(part, Check):
        return part.observes[0] if len(part.observes) == 1 else f"check {part.name}"
    return part.name


def by_own_words(model: FaultModel, typed: str) -> list[Variable]:
    """Findings that own words speak of, those that match most of them first."""
    return [model.by_name[hit.name] for hit in search(model, typed, ("finding",))]


def refuse_causes(case: Case, results: Sequence[Typed], ticket: int | None = None) -> None:
    """Raise MisuseError for a cause, which is not found: it asks for what proved it, and says what
    the judgement is worth where nothing did."""
    from faultfinder.consultation.consult import consult

    model = case.model.model
    for name, result in results:
        if model.by_name[name].kind is not Kind.CAUSE:
            continue
        said = f"{name} is a cause, not a finding. What proved it? Write that down."
        if not case.tried:
            asked = consult(case, target=[name]).most_telling[:3]
            listed = [model.checks_by_name[one.check] for one in asked]
            named = ", ".join(f"{check.title} ({check.name})" for check in listed)
            said += f" Most telling of it: {named}."
        if ticket is None:
            said += " On a ticket it can be written as your own judgement."
        else:
            said += (
                f" Nothing did? As your own judgement it {SAID}: "
                f'"faultfinder found {ticket} {name}={result or "STATE"} --judgement".'
            )
        raise MisuseError(said)


def stage_for(told: Consultation, names: Sequence[str]) -> str | None:
    """Where the machine must stand now that these findings were made; None when where it stands.

    Questions and looks from outside never move it, nor what can be seen as it stands.
    """
    compiled = told.case.model
    model, here = compiled.model, told.stage
    at = here
    for name in names:
        bringing = [check for check in model.checks if name in check.observes]
        if not bringing or any(c.intake or c.stage == at for c in bringing):
            continue
        ways = [
            (compiled.routes[at, check.stage].minutes, check.stage)
            for check in bringing
            if (at, check.stage) in compiled.routes
        ]
        if ways:
            at = min(ways)[1]
    return None if at == here else at


def refuse_corrections(
    told: Consultation, results: Sequence[Typed], entries: dict[str, int], ticket: int
) -> None:
    """Raise FaultfinderError where a result differs from the one on the ticket: that one is taken
    back first. What ended the work may be said anew: the battery was replaced. `entries` are the
    log's numbers by finding."""
    model = told.case.model.model
    ended = {(rule.finding, one) for rule in model.stop_rules for one in rule.results}
    for name, result in results:
        before = told.case.latest.get(name)
        lifted = (name, before) in ended and (name, result) not in ended
        if before is None or before == result or lifted:
            continue
        entry = entries.get(name)
        raise FaultfinderError(
            f"Entry {entry} says {name}={before}. If that was wrong, take it back first: "
            f'"faultfinder takeback {ticket} {entry}". If work changed it, write that first: '
            f'"faultfinder repaired {ticket} REPAIR", or tried where the picture is not back.'
        )
