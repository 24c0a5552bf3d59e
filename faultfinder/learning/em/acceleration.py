"""Longer steps for EM where it creeps: squared extrapolation (Varadhan & Roland 2008, S3).

Three points x0, x1 = EM(x0), x2 = EM(x1) give x0 - 2 a r + a^2 v on the logs of the
figures, with r = x1 - x0, v = (x2 - x1) - r and a = -|r| / |v|. Whoever uses the point
must go back to x2 if the posterior there is lower than at x1.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from faultfinder.model.network import Array

LONGEST = 128.0
"""Largest step length; a step of 1 is EM's own."""

_SMALLEST = 1e-200

Figures = Mapping[int, Array]


def extrapolate(x0: Figures, x1: Figures, x2: Figures) -> dict[int, Array] | None:
    """The point reached by a long step; None when EM's own step is as long."""
    logs = {v: tuple(np.log(np.maximum(x[v], _SMALLEST)) for x in (x0, x1, x2)) for v in x0}
    first = {v: b - a for v, (a, b, _) in logs.items()}
    bend = {v: (c - b) - (b - a) for v, (a, b, c) in logs.items()}
    across = sum(float((part**2).sum()) for part in first.values())
    turned = sum(float((part**2).sum()) for part in bend.values())
    if turned == 0.0 or across == 0.0:
        return None
    step = min((across / turned) ** 0.5, LONGEST)
    if step <= 1.0:
        return None
    found = {}
    for v, (start, _, _) in logs.items():
        moved = start + 2.0 * step * first[v] + step * step * bend[v]
        raised = np.exp(moved - moved.max(axis=1, keepdims=True))
        # What has become zero, or nearly, stays as EM left it.
        alive = np.minimum(np.minimum(x0[v], x1[v]), x2[v]) > _SMALLEST
        raised = np.where(alive, np.maximum(raised, _SMALLEST), 0.0)
        sums = raised.sum(axis=1, keepdims=True)
        keep = (sums <= 0.0) | (np.count_nonzero(alive, axis=1) < 2)[:, None]
        found[v] = np.where(keep, x2[v], raised / np.where(sums > 0.0, sums, 1.0))
    return found
