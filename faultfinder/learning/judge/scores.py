"""How good forecasts of causes were: log loss, Brier score, the place of the named cause.

A forecast is P(cause present | findings) for each cause; several causes can be present
at once, so each cause is a yes/no event of its own, and a ticket's score is the mean
over its causes. Lower is better, but for the shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faultfinder.model.network import Array, Flags, Ints

FLOOR = 1e-12
"""Log losses take a probability as at least this, so that one forecast held impossible
costs 27.6 and not infinity."""

TIE = 1e-12
"""Forecasts closer than this count as equal when causes are placed."""


@dataclass(frozen=True, eq=False)
class TicketScores:
    """Scores of each ticket; every array has shape (tickets,).

    With forecast p and y = 1 where a cause is present, else 0:
    `log_loss` is the mean over causes of -ln(p if y else 1 - p), in nats;
    `brier` the mean over causes of (p - y)^2 (Brier, Monthly Weather Rev. 78
    (1950) 1; halved form: 0 to 1).
    `place` is where the best-placed present cause stands when causes are sorted by forecast, 1
    for the top; a tie with an absent cause counts against it; 0 where no cause is present.
    """

    log_loss: Array
    brier: Array
    place: Ints


def ticket_scores(forecasts: Array, present: Flags) -> TicketScores:
    """Scores of forecasts, shape (tickets, causes), where `present` tells which causes were."""
    given = np.where(present, forecasts, 1.0 - forecasts)
    best = np.where(present, forecasts, -np.inf).max(axis=1)
    ahead = (~present & (forecasts >= best[:, None] - TIE)).sum(axis=1)
    return TicketScores(
        # -ln(1) is -0.0, which prints oddly.
        log_loss=-np.log(np.maximum(given, FLOOR)).mean(axis=1) + 0.0,
        brier=((forecasts - present) ** 2).mean(axis=1),
        place=np.where(present.any(axis=1), 1 + ahead, 0).astype(np.int64),
    )


def in_top(scores: TicketScores, most: int) -> Array:
    """1 where a present cause is among the first `most`, else 0; NaN where none is present."""
    hit = (scores.place <= most).astype(np.float64)
    result: Array = np.where(scores.place > 0, hit, np.nan)
    return result
