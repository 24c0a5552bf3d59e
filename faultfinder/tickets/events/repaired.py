"""The kind "repaired"."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.tickets.events.tried import MadeRepair
from faultfinder.tickets.state import State


@dataclass(frozen=True)
class Repaired(MadeRepair, kind="repaired"):
    """A repair after which the picture is back."""

    said = "made; the picture came back"

    @property
    def words(self) -> str:
        return f"repaired: {self.repair}; the picture is back"

    def change(self, state: State, number: int, at: str) -> None:
        state.repaired, state.proofs = self.repair, {}
        state.stage = self.stage
