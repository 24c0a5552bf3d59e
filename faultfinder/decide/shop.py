"""What the shop itself decides: labour, currency, and what knowing more is worth."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Shop:
    """Settings of the shop.

    `labour_per_hour` and `worth_per_bit` are money in `currency` (a code or sign,
    for print only). A check is worth its cost while its gain in bits times
    `worth_per_bit` is at least its cost.
    """

    labour_per_hour: float = 60.0
    currency: str = "EUR"
    worth_per_bit: float = 40.0

    def cost(self, minutes: float, consumables: float) -> float:
        """Money for `minutes` of work and the consumables."""
        return minutes * self.labour_per_hour / 60.0 + consumables
