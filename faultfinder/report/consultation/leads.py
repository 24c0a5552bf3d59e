"""Where a round leads, in words."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.leads import Lead
from faultfinder.model.parts import FaultModel
from faultfinder.report.consultation.repair import repair_verb
from faultfinder.report.wording import percent


def leads_words(model: FaultModel, leads: Sequence[Lead], figures: bool = True) -> list[str]:
    """A sentence for all results that lead to the same, as in "External monitor good 46 %:
    display cable 22 % or lamp 12 %; then Look at the plug, likely New panel.".

    The check is named in the first. Without `figures` one cause is named and no chances.
    """
    alike: dict[tuple[str, str, str, str], list[Lead]] = {}
    for lead in leads:
        alike.setdefault((next(iter(lead.causes)), lead.kind, lead.name, lead.repair), []).append(
            lead
        )
    said = [_sentence(model, group, figures) for group in alike.values()]
    title = model.checks_by_name[leads[0].check].title if leads else ""
    return (
        [f"{title} {said[0]}", *(f"{one[0].upper()}{one[1:]}" for one in said[1:])] if said else []
    )


def _sentence(model: FaultModel, group: Sequence[Lead], figures: bool) -> str:
    lead = group[0]
    results = " or ".join(one.result.split("=", 1)[-1].replace("_", " ") for one in group)
    whole = sum(one.chance for one in group)
    held = {
        cause: sum(one.chance * one.causes.get(cause, 0.0) for one in group) / whole
        for cause in lead.causes
    }
    causes = [
        cause.replace("_", " ") + (f" {percent(chance)}" if figures else "")
        for cause, chance in held.items()
    ]
    said = results + (f" {percent(whole)}" if figures else "")
    said = f"{said}: {' or '.join(causes if figures else causes[:1])}; then {_step(model, lead)}"
    if lead.kind == "check" and lead.repair:
        said += f", likely {model.repairs_by_name[lead.repair].title}"
    return f"{said}."


def _step(model: FaultModel, lead: Lead) -> str:
    if not lead.name:
        return "hand over unrepaired"
    if lead.kind == "check":
        return model.checks_by_name[lead.name].title
    repair = model.repairs_by_name[lead.name]
    return f"{repair_verb(repair).lower()}: {repair.title}"
