"""Would other figures have done better: forecasts of two models on tickets held back.

Forecasts use the findings a ticket had. Those were chosen under the figures of then, so
this judges what is believed from findings, and not which findings would have been asked
for; `faultfinder.learning.judge.played` looks at that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.assess.calibration import (
    CalibrationBin,
    Murphy,
    calibration_table,
    decompose,
)
from faultfinder.assess.intervals import wilson
from faultfinder.errors import MisuseError
from faultfinder.learning.judge.forecasts import Forecasts
from faultfinder.learning.judge.paired import RESAMPLES, Difference, paired_difference
from faultfinder.learning.judge.scores import FLOOR, in_top, ticket_scores
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Array, Flags

Tickets = Sequence[ClosedTicket]
Fold = tuple[tuple[ClosedTicket, ...], tuple[ClosedTicket, ...]]
"""Tickets to learn from, and tickets held out."""


@dataclass(frozen=True)
class Share:
    """How many of how many, with the Wilson 95 % interval of the share."""

    hits: int
    count: int
    interval: tuple[float, float]

    @property
    def share(self) -> float:
        """hits / count; NaN without a count."""
        return self.hits / self.count if self.count else float("nan")


@dataclass(frozen=True)
class ModelScores:
    """Scores of one model: means over tickets (see `faultfinder.learning.judge.scores`).

    `label_log_loss` is the mean of -ln P(exactly the confirmed causes present | findings),
    in nats, at most -ln FLOOR a ticket. `binned` and `calibration` pool all causes of all tickets.
    """

    tickets: int
    log_loss: float
    brier: float
    label_log_loss: float
    top1: Share
    top3: Share
    binned: Murphy
    calibration: tuple[CalibrationBin, ...]


@dataclass(frozen=True)
class Comparison:
    """Two models on the same tickets.

    `differences` are new minus old: "log_loss", "brier", "label_log_loss" (below zero: new
    is better), and where tickets name causes "top1", "top3" (above zero: new is better).
    `numbers` are the tickets that were scored.
    Left out are `without_cause` tickets, and the tickets whose findings one of the models
    holds to be impossible: `impossible_old` and `impossible_new`, by number. A model that
    makes many findings impossible is worse than its scores.
    """

    old: ModelScores
    new: ModelScores
    differences: Mapping[str, Difference]
    numbers: tuple[int, ...]
    without_cause: int
    impossible_old: tuple[int, ...]
    impossible_new: tuple[int, ...]


def random_folds(tickets: Tickets, folds: int = 5, seed: int = 0) -> list[Fold]:
    """Random folds of nearly equal size; each ticket is held out exactly once.

    Raises MisuseError unless there are two folds or more, and a ticket for each.
    """
    if not 2 <= folds <= len(tickets):
        raise MisuseError(
            f"{len(tickets)} tickets cannot be split into {folds} folds: ask for 2 or more, and "
            "at most one per ticket."
        )
    fold_of = np.random.default_rng(seed).permutation(len(tickets)) % folds
    return [
        (
            tuple(t for t, at in zip(tickets, fold_of, strict=True) if at != fold),
            tuple(t for t, at in zip(tickets, fold_of, strict=True) if at == fold),
        )
        for fold in range(folds)
    ]


def compared(
    parts: Sequence[tuple[Forecasts, Forecasts]],
    tickets: Tickets,
    seed: int = 0,
    resamples: int = RESAMPLES,
) -> Comparison:
    """Old and new forecasts of parts of the tickets as one comparison, on tickets that neither
    model has learnt from. Raises MisuseError when fewer than two of them can be scored."""
    old, new = joined([a for a, _ in parts]), joined([b for _, b in parts])
    usable = old.possible & new.possible
    if usable.sum() < 2:
        raise MisuseError(
            f"Of {len(tickets)} tickets, {int(usable.sum())} can be scored; at least 2 are needed. "
            "A ticket can be scored when its cause was established and both models hold its "
            "findings possible."
        )
    before, after = _measures(old, usable), _measures(new, usable)
    differences = {
        name: paired_difference(before[name], after[name], seed=seed, resamples=resamples)
        for name in before
        if np.count_nonzero(~np.isnan(before[name])) >= 2
    }
    return Comparison(
        old=_model_scores(old, usable, before),
        new=_model_scores(new, usable, after),
        differences=differences,
        numbers=_numbers(old, usable),
        without_cause=sum(ticket.causes is None for ticket in tickets),
        impossible_old=_numbers(old, ~old.possible),
        impossible_new=_numbers(new, ~new.possible),
    )


def joined(parts: Sequence[Forecasts]) -> Forecasts:
    """Forecasts for several sets of tickets as one; the causes must be in one order."""
    return Forecasts(
        causes=parts[0].causes,
        numbers=tuple(number for part in parts for number in part.numbers),
        probabilities=np.concatenate([part.probabilities for part in parts]),
        present=np.concatenate([part.present for part in parts]),
        label_loss=np.concatenate([part.label_loss for part in parts]),
        possible=np.concatenate([part.possible for part in parts]),
    )


def _numbers(told: Forecasts, chosen: Flags) -> tuple[int, ...]:
    return tuple(n for n, take in zip(told.numbers, chosen.tolist(), strict=True) if take)


def _measures(told: Forecasts, usable: Flags) -> dict[str, Array]:
    """Every measure that is compared, one figure per ticket that can be scored."""
    scores = ticket_scores(told.probabilities[usable], told.present[usable])
    return {
        "log_loss": scores.log_loss,
        "brier": scores.brier,
        "label_log_loss": np.minimum(told.label_loss[usable], -np.log(FLOOR)),
        "top1": in_top(scores, 1),
        "top3": in_top(scores, 3),
    }


def _model_scores(
    told: Forecasts,
    usable: Flags,
    measures: Mapping[str, Array],
) -> ModelScores:
    values, present = told.probabilities[usable], told.present[usable]
    return ModelScores(
        tickets=int(usable.sum()),
        log_loss=float(measures["log_loss"].mean()),
        brier=float(measures["brier"].mean()),
        label_log_loss=float(measures["label_log_loss"].mean()),
        top1=_share(measures["top1"]),
        top3=_share(measures["top3"]),
        binned=decompose(values, present),
        calibration=calibration_table(values, present),
    )


def _share(hits: Array) -> Share:
    told = hits[~np.isnan(hits)]
    count, total = len(told), int(told.sum())
    return Share(total, count, wilson(total, count))
