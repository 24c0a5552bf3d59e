"""What an earlier job on a machine says of it when it comes back."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.model.parts import FaultModel

AGAIN, TOUCHED = 4.0, 2.0
"""How many times likelier a cause is that was repaired or confirmed, and one that sits where hands
were. Rules of thumb: common practice, no source."""


def likelier_after(
    model: FaultModel, repairs: Sequence[str], causes: Sequence[str]
) -> dict[str, float]:
    """Cause -> how many times likelier it is after these repairs and confirmed causes.

    What was repaired can fail again. What was touched can be off: that is what work without a
    part (reseating, cleaning) mends in the same stage.
    """
    made = [model.repairs_by_name[name] for name in repairs if name in model.repairs_by_name]
    stages = {repair.stage for repair in made if repair.stage != model.start}
    touched = [
        cause
        for repair in model.repairs
        if repair.stage in stages and repair.part.high == 0.0 and not repair.hand_over
        for cause, states in repair.mends.items()
        if max(states.values(), default=0.0) >= 0.5
    ]
    known = {variable.name for variable in model.variables}
    again = causes or [cause for repair in made for cause in repair.mends]
    return {
        **dict.fromkeys(touched, TOUCHED),
        **{cause: AGAIN for cause in again if cause in known},
    }
