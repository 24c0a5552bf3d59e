"""The M-step: the most probable figures given expected counts and the file's own.

The prior of each figure group is Dirichlet with alpha = 1 + worth * (file's figure), and what
other models that have the figure add to it (`pooling`);
its mode after counts N is (N + worth * file) / (sum of N + worth). Seen as a mean it
belongs to alpha = worth * file. A figure that the file does not hold impossible never
becomes zero; a zero in the file stays zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from faultfinder.learning.em.parameters import Family
from faultfinder.model.network import Array


def maximise(
    families: Sequence[Family], counts: Mapping[int, Array], figures: Mapping[int, Array]
) -> dict[int, Array]:
    """New figures; groups without counts and without prior keep theirs."""
    found = {}
    for family in families:
        added = family.prior + counts.get(family.number, np.zeros_like(family.file))
        total = added.sum(axis=1, keepdims=True)
        safe = np.where(total > 0.0, total, 1.0)
        found[family.number] = np.where(total > 0.0, added / safe, figures[family.number])
    return found


def log_prior(families: Sequence[Family], figures: Mapping[int, Array]) -> float:
    """Log density of the prior at these figures, less that at the file's (so at most 0)."""
    total = 0.0
    for family in families:
        weight = family.prior
        counts = weight > 0.0
        value = figures[family.number][counts]
        if np.any(value <= 0.0):
            return -np.inf
        total += float(weight[counts] @ np.log(value / family.file[counts]))
    return total
