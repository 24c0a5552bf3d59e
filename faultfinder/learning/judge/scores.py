"""How good forecasts of causes were: log loss, Brier score, the place of the named cause.

A forecast is P(cause present | findings) for each cause; several causes can be present
at once, so each cause is a yes/no event of its own, and a ticket's score is the mean
over its causes. Lower is better, but for the shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faultfinder.errors import MisuseError
from faultfinder.model.network import Array

Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

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
    `named_log_loss` and `named_brier` are the means over the present causes alone, -ln p
    and (1 - p)^2; they are no proper scores (saying 1 of every cause would win), and only
    make sense beside the others. `place` is where the best-placed present cause stands
    when causes are sorted by forecast, 1 for the top; a tie with an absent cause counts
    against it. The last three are NaN, NaN and 0 for a ticket with no cause present.
    """

    log_loss: Array
    brier: Array
    named_log_loss: Array
    named_brier: Array
    place: Ints

    @property
    def named(self) -> Flags:
        """Which tickets have a cause present."""
        flags: Flags = self.place > 0
        return flags


def log_loss(forecasts: Array, happened: Flags) -> Array:
    """-ln of the probability given to what happened, in nats; any shape, kept.

    Probabilities below FLOOR count as FLOOR.
    """
    given = np.where(happened, forecasts, 1.0 - forecasts)
    result: Array = -np.log(np.maximum(given, FLOOR))
    # -ln(1) is -0.0, which prints oddly.
    return result + 0.0


def squared_error(forecasts: Array, happened: Flags) -> Array:
    """(forecast - outcome)^2, the Brier score of one yes/no event; any shape, kept."""
    result: Array = (forecasts - happened) ** 2
    return result


def ticket_scores(forecasts: Array, present: Flags) -> TicketScores:
    """Scores of forecasts, shape (tickets, causes), where `present` tells which causes were.

    Raises MisuseError when the shapes differ, there is no cause, or a forecast is no
    probability.
    """
    forecasts, present = checked(forecasts, present)
    if forecasts.ndim != 2 or forecasts.shape[1] == 0:
        raise MisuseError("Forecasts need one row per ticket and one column per cause.")
    count = present.sum(axis=1)
    some = count > 0
    loss, error = log_loss(forecasts, present), squared_error(forecasts, present)
    share = np.where(present, 1.0 / np.maximum(count, 1)[:, None], 0.0)
    best = np.where(present, forecasts, -np.inf).max(axis=1)
    ahead = (~present & (forecasts >= best[:, None] - TIE)).sum(axis=1)
    return TicketScores(
        log_loss=loss.mean(axis=1),
        brier=error.mean(axis=1),
        named_log_loss=np.where(some, (loss * share).sum(axis=1), np.nan),
        named_brier=np.where(some, (error * share).sum(axis=1), np.nan),
        place=np.where(some, 1 + ahead, 0).astype(np.int64),
    )


def in_top(scores: TicketScores, most: int) -> Array:
    """1 where a present cause is among the first `most`, else 0; NaN where none is present."""
    hit = (scores.place <= most).astype(np.float64)
    result: Array = np.where(scores.named, hit, np.nan)
    return result


def checked(forecasts: Array, happened: Flags) -> tuple[Array, Flags]:
    """Forecasts and outcomes as arrays of one shape, rounding outside 0 to 1 cut off.

    Raises MisuseError when the shapes differ or a forecast is no probability.
    """
    values, flags = np.asarray(forecasts, dtype=np.float64), np.asarray(happened)
    if values.shape != flags.shape:
        raise MisuseError(
            f"There are forecasts of shape {values.shape} for outcomes of shape {flags.shape}; "
            "each forecast needs its own outcome."
        )
    if flags.dtype != np.bool_:
        if not np.isin(flags, (0, 1)).all():
            raise MisuseError("An outcome is 1 (present) or 0 (absent), and nothing else.")
        flags = flags.astype(np.bool_)
    if not ((values >= -1e-9) & (values <= 1.0 + 1e-9)).all():
        raise MisuseError("A forecast is a probability: a number from 0 to 1.")
    return np.clip(values, 0.0, 1.0), flags
