"""What learning takes in: closed tickets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


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
