"""The kind "intake"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets import limits
from faultfinder.tickets.events.entry import Entry, text, value
from faultfinder.tickets.state import State

PERSONAL = ("customer", "contact", "serial")
"""Texts about a person or one machine: erasable, and never in an export unless asked for."""

CONSENTS = ("opening", "data-loss", "contact-kept")
"""What a customer can agree to: opening the machine, losing data, keeping name and contact."""


@dataclass(frozen=True, kw_only=True)
class Desk(Entry):
    """What is said at the desk, at intake or later. `limit` is what the customer has agreed to
    spend, `worth` what the owner loses if it goes back unrepaired; None and () say nothing."""

    consent: tuple[str, ...] = value(limits.several(limits.one_of(CONSENTS)), ())
    data_copy: str | None = value(limits.maybe(limits.one_of(("yes", "no", "unknown"))), None)
    limit: float | None = value(limits.maybe(limits.amount), None)
    worth: float | None = value(limits.maybe(limits.amount), None)
    complaint: str = text()
    condition: str = text()
    left: str = text()


@dataclass(frozen=True)
class Intake(Desk, kind="intake"):
    """What was taken down at the desk."""

    model: str = value(limits.model)
    version: str = value(limits.version, "")
    comeback_of: int | None = value(limits.maybe(limits.count), None)
    customer: str = text()
    contact: str = text()
    serial: str = text()

    why_it_stays = "The intake itself cannot be taken back. Close the ticket instead."

    @property
    def words(self) -> str:
        said = f": {self.complaint}" if self.complaint else ""
        return f"intake, model {self.model}{said}"

    def change(self, state: State, number: int, at: str) -> None:
        state.version = self.version
        state.person = {name: text for name in PERSONAL if (text := getattr(self, name))}
