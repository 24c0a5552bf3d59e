"""Parts put in that did not cure, by month."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from faultfinder.assess.intervals import wilson
from faultfinder.learning.steps import repairs_made
from faultfinder.model.parts import FaultModel
from faultfinder.tickets.ticket import Ticket


@dataclass(frozen=True)
class WrongParts:
    """Parts put in that did not cure, of all put in, on tickets closed in a month (YYYY-MM).

    `interval` is Wilson's 95 % interval of wrong / fitted.
    """

    month: str
    wrong: int
    fitted: int
    interval: tuple[float, float]


def wrong_parts(tickets: Iterable[Ticket], model: FaultModel) -> tuple[WrongParts, ...]:
    """Repairs with a part that did not cure, over all with a part, by month of closing (UTC).

    A repair has a part when its likely price is above zero and it is not handed to a
    specialist. One entered as made and then, with no other repair between, as not having
    cured is one part, and a wrong one. Months without a part are left out.
    """
    with_part = {
        repair.name for repair in model.repairs if repair.part.likely > 0.0 and not repair.hand_over
    }
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for ticket in tickets:
        if ticket.open or ticket.closed_at is None:
            continue
        for name, cured in repairs_made(ticket):
            if name in with_part:
                count = counts[ticket.closed_at[:7]]
                count[0] += not cured
                count[1] += 1
    return tuple(
        WrongParts(month, wrong, fitted, wilson(wrong, fitted))
        for month, (wrong, fitted) in sorted(counts.items())
    )
