"""Where a ticket stands, in a few words: a row of a list."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from faultfinder.report.consultation.view import View
from faultfinder.report.wording import joined, money
from faultfinder.tickets.ticket import Ticket

COPIES = {"yes": "the customer has one", "no": "there is none", "unknown": "not known"}
"""What is said of a copy of the customer's data."""


CONSENT = {
    "opening": "opening the machine",
    "data-loss": "losing data",
    "contact-kept": "keeping name and contact",
}
"""What is said of what a customer can agree to."""


def desk_rows(ticket: Ticket, currency: str) -> list[tuple[str, str]]:
    """What was taken down at the desk, each with its head; "" for what was not said."""
    desk = ticket.intake
    return [
        ("Complaint", desk.complaint),
        ("Visible condition", desk.condition),
        ("Left at the desk", desk.left),
        ("Copy of the data", COPIES.get(desk.data_copy or "", "")),
        ("Agreed to", joined(CONSENT.get(one, one) for one in desk.consent)),
        ("Limit without asking", "" if desk.limit is None else money(desk.limit, currency)),
    ]


@dataclass(frozen=True)
class Standing:
    """What the diagnosis says of a ticket; `trouble` is the sentence why there is none."""

    cause: str = ""
    title: str = ""
    probability: float = 0.0
    causes: dict[str, float] = field(default_factory=dict)
    next_kind: str = ""
    next_name: str = ""
    next_check: str = ""
    step: str = ""
    advice: str = ""
    stop: str = ""
    trouble: str = ""

    def as_row(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


Row = tuple[Ticket, Standing | None]
"""A ticket with its diagnosis; closed ones have none."""


def standing_of(view: View) -> Standing:
    """A diagnosis as a row of a list."""
    cause, chance = next(iter(view.told.causes.items()))
    step = view.told.next_step
    return Standing(
        cause=cause,
        title=view.cause(cause),
        probability=chance,
        causes=dict(view.told.causes),
        next_kind="" if step is None else step.kind,
        next_name="" if step is None else step.name,
        next_check=step.name if step is not None and step.kind == "check" else "",
        step=next_words(view),
        advice="" if view.advice is None else view.advice.kind,
        stop=view.told.stop_said,
    )


def next_words(view: View) -> str:
    """What comes next on a ticket, in one sentence."""
    step = view.told.next_step
    if step is not None and step.kind == "check":
        return f"{view.model.checks_by_name[step.name].title} ({step.name})"
    advice = view.advice
    if advice is None or not advice.name:
        return "no check is worth its cost; hand over, or repair on what is known"
    repair = view.model.repairs_by_name[advice.name]
    verb = "hand over for" if repair.hand_over else "repair"
    return f"{verb}: {repair.title} ({repair.name})"


def blocked_by(ticket: Ticket, stop: str = "") -> tuple[str, ...]:
    """What keeps a ticket from going on, each in a few words."""
    return tuple(said for said, _ in blocks_of(ticket, stop))


def waits(ticket: Ticket) -> bool:
    """Whether nothing is left to decide on a ticket now: it is repaired, or blocked."""
    return ticket.repaired is not None or bool(blocked_by(ticket))


def blocks_of(ticket: Ticket, stop: str = "") -> tuple[tuple[str, str], ...]:
    """The same, each with the command that lifts it; "" where there is none."""
    blocks = []
    if stop:
        blocks.append((f"safety: {stop}", ""))
    if ticket.hold is not None:
        why = f": {ticket.hold.why}" if ticket.hold.why else ""
        said = f"waits for {ticket.hold.waiting_for} since {ticket.hold.since[:10]}{why}"
        blocks.append((said, f"faultfinder resume {ticket.number}"))
    several = len(ticket.awaited) > 1
    for part in ticket.awaited:
        due = f", due {part.due}" if part.due else ""
        here = f"faultfinder arrived {ticket.number}{f' {part.entry}' * several}"
        blocks.append((f"part on order: {part.what or '(erased)'}{due}", here))
    blocks += [(f"its log is damaged, {flaw}", "") for flaw in ticket.damage]
    return tuple(blocks)
