"""The kind "agreed"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets.events.entry import ERASED_TEXT
from faultfinder.tickets.events.intake import Desk
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Agreed(Desk, kind="agreed"):
    """What the customer said or agreed to after the ticket was opened; it takes the place of what
    the intake says of the same thing."""

    @property
    def words(self) -> str:
        said = [f"{name} {one}" for name, one in self.as_data().items() if name != "consent"]
        if self.consent:
            said.append(f"consent to {', '.join(self.consent)}")
        if self.complaint:
            said.append(self.complaint)
        said += [f"{name} {one}" for name, one in self.as_texts().items() if name != "complaint"]
        return f"the customer says: {', '.join(said) or ERASED_TEXT}".replace(
            "data_copy", "data copy"
        )

    def change(self, state: State, number: int, at: str) -> None:
        said = {**self.as_data(), **self.as_texts()}
        state.agreed |= {**said, "consent": self.consent} if self.consent else said
