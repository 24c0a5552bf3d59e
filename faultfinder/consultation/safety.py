"""What ends the work for safety, and what must be said or looked at on the way."""

from __future__ import annotations

from collections.abc import Mapping

from faultfinder.model.parts import Check, FaultModel, StopRule
from faultfinder.model.routes import Route


def stop_sentence(model: FaultModel, known: Mapping[str, str]) -> str:
    """What to do instead, when a finding ends the diagnosis for safety; else ""."""
    return " ".join(
        rule.say for rule in model.stop_rules if known.get(rule.finding) in rule.results
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
