"""What a technician's own judgement of a cause weighs, named without anything that proved it."""

from __future__ import annotations

import numpy as np

from faultfinder.model.network import Array

WEIGHT = 3.0
"""How many times likelier a cause gets by being named, against all else that may be wrong. A
guess: common practice, no source. Under ten, so that no judgement settles a case by itself, and
below what an earlier repair of the same thing counts (comeback.AGAIN). It does not add up: the
same cause named twice is named once."""

SAID = f"counts {WEIGHT:g} to 1, a guess"
"""The weight in words, wherever a judgement is shown."""


def likelihood(card: int, state: int) -> Array:
    """Of the states of a cause, given that `state` was named: shape (states,)."""
    vector = np.full(card, 1.0 / WEIGHT)
    vector[state] = 1.0
    return vector
