"""Results that are written down only when they are bad.

What is missing then says something: P(a result is written down | the result) is a figure of its
own, one for the normal result and one for all others, estimated with the rest by EM (data
missing not at random: Little & Rubin, Statistical analysis with missing data).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from faultfinder.model.network import Array

BEFORE = (0.5, 0.9)
"""Shares taken to be written down of normal results and of others (a choice, no source)."""

WORTH = 4.0
"""Results that each of the two counts for (a choice, no source)."""


def shares(normal: float, other: float, states: int) -> Array:
    """By state: shape (states,)."""
    found = np.full(states, other)
    found[0] = normal
    return found


def most_probable(counts: Mapping[int, Array]) -> dict[int, Array]:
    """P(written | state) by variable from counts (2, states): written, and not."""
    found = {}
    for number, (written, not_written) in counts.items():
        both = []
        for part, before in zip((slice(0, 1), slice(1, None)), BEFORE, strict=True):
            down = float(written[part].sum()) + WORTH * before
            both.append(down / (float((written + not_written)[part].sum()) + WORTH))
        found[number] = shares(both[0], both[1], len(written))
    return found


def log_prior(written: Mapping[int, Array]) -> float:
    """Log density of the prior, without its constant."""
    return sum(
        WORTH * float(before * np.log(share) + (1.0 - before) * np.log1p(-share))
        for vector in written.values()
        for share, before in zip(vector[:2], BEFORE, strict=True)
    )
