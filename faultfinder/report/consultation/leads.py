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

    Without `figures` one cause is named and no chances.
    """
    alike: dict[tuple[str, str, str, str], list[Lead]] = {}
    for lead in leads:
        key = (next(iter(lead.causes)), lead.kind, lead.name, lead.repair)
        alike.setdefault(key, []).append(lead)
    return [_sentence(model, group, figures) for group in alike.values()]


def meanings_words(model: FaultModel, meanings: Sequence[Lead]) -> str:
    """What the results of one finding would mean, in a sentence: "External monitor: good 62 % -
    display cable 38 %; nothing 33 % - memory 31 %."; "" where all would mean the same."""
    alike: dict[tuple[str, str], list[Lead]] = {}
    for one in meanings:
        alike.setdefault((next(iter(one.causes)), one.repair), []).append(one)
    said = []
    for (cause, repair), group in alike.items():
        whole = sum(one.chance for one in group)
        held = sum(one.chance * one.causes[cause] for one in group) / whole
        words = f"{_results(group)} {percent(whole)} - {cause.replace('_', ' ')} {percent(held)}"
        title = model.repairs_by_name[repair].title if repair else ""
        if title and cause.replace("_", " ") not in title.lower():
            words += f", likely {title}"
        said.append(words)
    if len(said) < 2:
        return ""
    return f"{model.checks_by_name[meanings[0].check].title}: {'; '.join(said)}."


def _results(group: Sequence[Lead]) -> str:
    return " or ".join(one.result.split("=", 1)[-1].replace("_", " ") for one in group)


def _sentence(model: FaultModel, group: Sequence[Lead], figures: bool) -> str:
    lead = group[0]
    results = _results(group)
    whole = sum(one.chance for one in group)
    held = {
        cause: sum(one.chance * one.causes[cause] for one in group) / whole
        for cause in lead.causes
        if all(cause in one.causes for one in group)
    }
    causes = [
        cause.replace("_", " ") + (f" {percent(chance)}" if figures else "")
        for cause, chance in held.items()
    ]
    title = model.checks_by_name[lead.check].title
    said = f"{title} {results}" + (f" {percent(whole)}" if figures else "")
    said = f"{said}: {' or '.join(causes if figures else causes[:1])}; then {_step(model, lead)}"
    likely = model.repairs_by_name[lead.repair].title if lead.repair else ""
    if likely and not said.endswith(likely):
        said += f", likely {likely}"
    return f"{said}."


def _step(model: FaultModel, lead: Lead) -> str:
    if not lead.name:
        return "hand over unrepaired"
    if lead.kind == "check":
        return model.checks_by_name[lead.name].title
    repair = model.repairs_by_name[lead.name]
    return f"{repair_verb(repair).lower()}: {repair.title}"
