"""Where a round leads, in words."""

from __future__ import annotations

from faultfinder.consultation.leads import Lead
from faultfinder.report.consultation.repair import repair_verb
from faultfinder.report.consultation.view import View
from faultfinder.report.wording import percent


def lead_words(view: View, lead: Lead) -> str:
    """As in "good (59 %): Display cable worn 22 % or Panel cracked 16 %; then Look at the plug"."""
    model = view.model
    if not lead.name:
        then = "hand over unrepaired"
    elif lead.kind == "check":
        then = model.checks_by_name[lead.name].title
    else:
        repair = model.repairs_by_name[lead.name]
        then = f"{repair_verb(repair).lower()}: {repair.title}"
    pairs = [part.split("=", 1)[-1] for part in lead.result.split(", ")]
    result = ", ".join(pairs).replace("_", " ")
    causes = " or ".join(
        f"{model.by_name[cause].title} {percent(chance)}" for cause, chance in lead.causes.items()
    )
    return f"{result} ({percent(lead.chance)}): {causes}; then {then}"
