"""Where a round leads, in words."""

from __future__ import annotations

from faultfinder.consultation.leads import Lead
from faultfinder.report.consultation.repair import repair_verb
from faultfinder.report.consultation.view import View
from faultfinder.report.wording import percent


def lead_words(view: View, lead: Lead) -> str:
    """As in "good (59 %): Display cable loose 22 %, then Look at the board plug"."""
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
    cause = model.by_name[lead.cause].title
    return f"{result} ({percent(lead.chance)}): {cause} {percent(lead.likely)}, then {then}"
