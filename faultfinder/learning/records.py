"""What learning takes in: closed tickets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

T = TypeVar("T")


@dataclass(frozen=True)
class ClosedTicket:
    """One closed ticket, as far as it tells about the model's figures.

    `closed_at` is an ISO date or date-time (without a zone it is taken as UTC).
    `findings` are histories and findings made before any repair, name -> result; what
    is missing is not known. `causes` are the causes that were confirmed faulty (all
    others were not); None when that was not established. `key` is the ticket's, the same in
    every store. A ticket that can mean several things today, since an entry of the model was
    split, comes once for each with its `share`; all but the first are marked `again`. `unclear`
    findings were tried and could not be told.
    """

    number: int
    closed_at: str
    findings: Mapping[str, str]
    causes: tuple[str, ...] | None
    key: str = ""
    share: float = 1.0
    again: bool = False
    unclear: frozenset[str] = frozenset()


def drawn(items: Sequence[T], most: int, seed: int = 0) -> list[T]:
    """At most so many of them, in their order."""
    if len(items) <= most:
        return list(items)
    places = np.random.default_rng(seed).choice(len(items), size=most, replace=False)
    return [items[place] for place in np.sort(places).tolist()]
