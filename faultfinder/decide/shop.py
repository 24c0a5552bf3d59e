"""What the shop itself decides: labour, currency, and what a mistake costs it."""

from __future__ import annotations

from faultfinder.frozen import frozen
from faultfinder.model.parts import Price

UNKNOWN_WORTH = 400.0
"""What a machine is taken to be worth where nobody says anything of it: a guess, no source."""


@frozen
class PricedPart:
    """What the shop pays for the part of a repair of a machine family."""

    family: str
    repair: str
    price: Price


@frozen
class Shop:
    """Settings of the shop; money in `currency` (a code or sign, for print only).

    `labour_per_hour`; `comeback`: what a machine costs that comes back within the
    guarantee; `hand_over`: what is lost when a machine is handed over unrepaired (about what
    it is worth repaired: a dearer job is uneconomic); None: what the model says such machines are
    worth at `usual_age` years (a guess, no source), UNKNOWN_WORTH where it says nothing;
    `waiting_per_day`: what a day of waiting for a part costs; `dear_part`: the price
    from which a part ordered for nothing hurts; `worth_per_bit`: for ranking by
    information alone, a check is worth it while its bits times this reach its cost;
    `handling_minutes`: what each step takes besides its work (turning to the machine, asking,
    writing down), which orders checks and makes rounds of them;
    `guarantee_days`: how long after closing a comeback is the shop's (common practice, no
    source: look at your own terms and the law where you are); `model`: the model
    used when a command names none, "" for none; `parts`: prices that take the place of a
    model's.
    """

    labour_per_hour: float = 60.0
    currency: str = "EUR"
    comeback: float = 90.0
    hand_over: float | None = None
    usual_age: float = 3.0
    waiting_per_day: float = 4.0
    dear_part: float = 100.0
    worth_per_bit: float = 40.0
    handling_minutes: float = 4.0
    guarantee_days: float = 90.0
    model: str = ""
    parts: tuple[PricedPart, ...] = ()

    def cost(self, minutes: float, consumables: float) -> float:
        """Money for `minutes` of work and the consumables."""
        return minutes * self.labour_per_hour / 60.0 + consumables

    @property
    def lost_unrepaired(self) -> float:
        """What handing over unrepaired loses, in money."""
        return UNKNOWN_WORTH if self.hand_over is None else self.hand_over
