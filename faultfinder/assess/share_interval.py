"""How well a share is known from a count."""

from __future__ import annotations

import math

from faultfinder.errors import MisuseError


def wilson(hits: int, trials: int, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share (Wilson, J. Am. Stat. Assoc. 22 (1927) 209).

    All of 0 to 1 without a trial. Raises MisuseError unless 0 <= hits <= trials and
    0 < level < 1.
    """
    if not 0 <= hits <= trials or not 0.0 < level < 1.0:
        raise MisuseError("A share needs 0 <= hits <= trials, and a level between 0 and 1.")
    if trials == 0:
        return 0.0, 1.0
    # Imported here: no everyday command needs it.
    from statistics import NormalDist

    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    share, extra = hits / trials, z * z / trials
    middle = (share + extra / 2.0) / (1.0 + extra)
    half = math.sqrt(share * (1.0 - share) * extra + extra * extra / 4.0) / (1.0 + extra)
    # At the ends the formula gives 0 and 1 but for rounding.
    low = 0.0 if hits == 0 else max(0.0, middle - half)
    return low, 1.0 if hits == trials else min(1.0, middle + half)
