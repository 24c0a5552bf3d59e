"""How a job ends where no repair does: with a name for what is wrong.

The name is the set of causes present, "none of these" where none is. It is given when another
check costs more than it saves on wrong names, or when it is sure enough, as asked.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import field

import numpy as np

from faultfinder.errors import MisuseError
from faultfinder.frozen import frozen
from faultfinder.model.network import Array, Flags, Ints

NONE_OF_THESE = "none of these"
"""The name of a machine with none of the causes."""


@frozen
class Naming:
    """When to stop looking: by money, where `wrong` is what it costs to name anything but the
    truth (an amount, or amounts by the true name), or by probability, where a name is given once
    it is `sure` or no check tells anything more.

    Raises MisuseError unless exactly one is said, and is possible.
    """

    wrong: float | Mapping[str, float] | None = None
    sure: float | None = None

    def __post_init__(self) -> None:
        if (self.wrong is None) == (self.sure is None):
            raise MisuseError("Say what a wrong name costs or how sure one has to be, one of them.")
        prices = self.wrong.values() if isinstance(self.wrong, Mapping) else [self.wrong or 0.0]
        if not all(math.isfinite(price) and price >= 0.0 for price in prices):
            raise MisuseError("A wrong name costs an amount from 0.")
        if self.sure is not None and not 0.0 < self.sure <= 1.0:
            raise MisuseError(f"{self.sure:g} is no probability to be sure by: it lies in (0, 1].")


@frozen(eq=False)
class Names:
    """The names that a job can end with; `of` (scenarios,) is the number of each one's true name.

    `wrong` (names,) is what another name costs where this is the true one; with `sure` a name
    that is not sure costs `unsure` and one that is nothing.
    """

    names: tuple[str, ...]
    of: Ints = field(repr=False)
    wrong: Array = field(repr=False)
    sure: float | None = None
    unsure: float = 0.0

    def best(self, weights: Array) -> tuple[int, float]:
        """The name to give for a belief, and what it is expected to cost."""
        chances = np.bincount(self.of, weights, len(self.names))
        losses = chances * self.wrong
        name = int(losses.argmax())
        if self.sure is None:
            return name, float(losses.sum() - losses[name])
        return name, self.unsure if chances[name] < self.sure - 1e-12 else 0.0


def names_for(asked: Naming, causes: Sequence[str], present: Flags, unsure: float) -> Names:
    """The names for joint states of the causes; `present` tells which causes each holds, shape
    (joint states, causes). Raises MisuseError for a price of what is no name."""
    found: dict[str, int] = {}
    of = [
        found.setdefault(
            "+".join(c for c, held in zip(causes, row, strict=True) if held) or NONE_OF_THESE,
            len(found),
        )
        for row in present.tolist()
    ]
    wrong = np.ones(len(found))
    if isinstance(asked.wrong, Mapping):
        for name in asked.wrong:
            if name not in (*causes, NONE_OF_THESE) and name not in found:
                raise MisuseError(f'There is a price for "{name}", which is no name to give.')
        prices = asked.wrong
        for name, number in found.items():
            # What several causes at once cost: the dearest of them.
            own = [prices.get(part, 0.0) for part in name.split("+")]
            wrong[number] = prices.get(name, max(own))
    elif asked.wrong is not None:
        wrong[:] = asked.wrong
    return Names(tuple(found), np.array(of, dtype=np.int64), wrong, asked.sure, unsure)
