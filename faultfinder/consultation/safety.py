"""What ends the work for safety, and what must be said or looked at on the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.decide.belief import Tried
from faultfinder.model.parts import Check, FaultModel, Precaution, StopRule
from faultfinder.model.routes import Route


def stop_sentence(model: FaultModel, known: Mapping[str, str], tried: Sequence[Tried] = ()) -> str:
    """What to do instead, when a finding ends the diagnosis for safety; else ""."""
    return " ".join(
        rule.say
        for rule in model.stop_rules
        if known.get(rule.finding) in rule.results and not _lifted(rule, tried)
    )


def _lifted(rule: StopRule, tried: Sequence[Tried]) -> bool:
    """Whether a repair was made that ends the danger, and it was not found again since."""
    since = [number for number, one in enumerate(tried) if one.repair in rule.lifted_by]
    return bool(since) and not any(
        one.findings.get(rule.finding) in rule.results for one in tried[since[0] :]
    )


def can_be_made(model: FaultModel, known: Mapping[str, str | None]) -> frozenset[str]:
    """The checks whose needs are there, going by what is known of the machine as it is. While a
    precaution asks for a look at it without power, those with power are left."""
    unpowered = any(one.unpowered for one in called_for(model, known))
    return frozenset(
        check.name
        for check in model.checks
        if all(model.needs_by_name[need].there(known) for need in check.needs)
        and not (unpowered and _powered(model, check))
    )


def _powered(model: FaultModel, check: Check) -> bool:
    """Whether it is made with power on: neither asked nor seen on the machine switched off."""
    stage = model.stages_by_name.get(check.stage)
    return stage is not None and stage.powered and not check.off


def called_for(model: FaultModel, known: Mapping[str, str | None]) -> tuple[Precaution, ...]:
    """The precautions that what is known calls for and whose look is open."""
    return tuple(
        one
        for one in model.precautions
        if any(known.get(finding) in results for finding, results in one.when.items())
        and not any(model.needs_by_name[need].there(known) for need in one.unless)
        and any(f not in known for f in model.checks_by_name[one.look].observes)
    )


def looks_first(
    model: FaultModel,
    known: Mapping[str, str],
    stage: str,
    route: Route,
    but: str = "",
    always: bool = False,
) -> tuple[tuple[Check, StopRule], ...]:
    """Looks that can end the diagnosis for safety, not made yet and on the way (not `but`).

    Such a look tells little about the causes, so that it would never come up by itself.
    Those of the stage in which machines arrive come before the machine is opened; `always`
    also where it stays closed.
    """
    if route.moves:
        places = [route.moves[0].start, *(move.end for move in route.moves)]
    elif always or stage != model.start:
        places = [stage]
    else:
        places = []
    return tuple(
        (check, rule)
        for place in places
        for rule in model.stop_rules
        if rule.finding not in known
        for check in model.checks
        if check.stage == place and rule.finding in check.observes and check.name != but
    )


def cautions_of(model: FaultModel, route: Route, stage: str, own: str) -> tuple[str, ...]:
    """The cautions of a way and its stages, then that of what is done there, each once."""
    said = [text for move in route.moves for text in (move.caution,
            model.stages_by_name[move.end].caution)]  # fmt: skip
    if not route.moves:
        said = [model.stages_by_name[stage].caution]
    return tuple(dict.fromkeys(text.strip() for text in (*said, own) if text.strip()))
