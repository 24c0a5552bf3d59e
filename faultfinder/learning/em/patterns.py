"""Tickets as patterns: equal findings and labels are kept once, with a weight.

Memory grows with the number of different patterns, not with the number of tickets (but with a
half-life all of them are read first).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.network import Array, Flags, Ints
from faultfinder.model.parts import Kind

Codes = NDArray[np.uint8]

UNKNOWN, NORMAL, FAULTY = 0, 1, 2
"""Codes of a cause column; a finding's column holds 0 for unknown, else state + 1."""

_KEPT = 10_000
"""Tickets whose rows are kept while reading: many say the same."""


class Codec:
    """Turns a ticket into a row of codes: a column per history, finding and cause.

    `columns` are variable numbers. The complaint's column has one more code, not seen: any state
    but the last. So have the columns of the findings `unwritten`: a ticket without their result
    has that code, unless it was tried and could not be told.
    """

    def __init__(self, compiled: CompiledModel, unwritten: Collection[str] = ()) -> None:
        model, network = compiled.model, compiled.network
        kinds = (Kind.HISTORY, Kind.FINDING, Kind.COMPLAINT)
        told = [n for n, v in enumerate(model.variables) if v.kind in kinds]
        self.compiled = compiled
        self.columns = (*told, *compiled.causes)
        self.findings = len(told)
        self.complaint: int | None = None
        self._place = {model.variables[n].name: place for place, n in enumerate(told)}
        self._code = {
            model.variables[n].name: {s: k + 1 for k, s in enumerate(model.variables[n].states)}
            for n in told
        }
        self._cause = {
            network.names[n]: self.findings + place for place, n in enumerate(compiled.causes)
        }
        blank = bytearray(len(self.columns))
        if model.complaint is not None:
            self.complaint = self._place[model.complaint]
            self._seen = network.cards[network.index[model.complaint]]
            blank[self.complaint] = self._seen
        self._kept: dict[object, bytes] = {}
        self.silent: dict[int, int] = {}
        for name in unwritten:
            self._check_unwritten(name)
            place = self._place[name]
            self.silent[place] = blank[place] = network.cards[told[place]] + 1
        self._blank = bytes(blank)
        big = [v.name for v in model.variables if len(v.states) > 250]
        if big:
            raise MisuseError(f"{big[0]} has more than 250 states; learning takes at most that.")

    def lookup(self, place: int) -> Array:
        """Likelihoods by code: shape (states, codes)."""
        number = self.columns[place]
        card = self.compiled.network.cards[number]
        if place >= self.findings:
            faulty = self.compiled.faulty[number]
            return np.stack([np.ones(card), ~faulty, faulty], axis=1).astype(np.float64)
        parts = [np.ones((card, 1)), np.eye(card)]
        if place == self.complaint:
            parts.append((np.arange(card) < card - 1).astype(np.float64)[:, None])
        if place in self.silent:
            parts.append(np.ones((card, 1)))
        return np.concatenate(parts, axis=1)

    def unseen(self) -> Codes:
        """The row of a machine that never came: nothing known but that nobody complained."""
        assert self.complaint is not None
        row = np.zeros((1, len(self.columns)), dtype=np.uint8)
        row[0, self.complaint] = self._seen + 1
        return row

    def encode(self, ticket: ClosedTicket) -> bytes:
        """The row of a ticket. Raises MisuseError, with its number, for unknown names."""
        said = (
            tuple(ticket.findings.items()),
            ticket.causes,
            ticket.unclear if self.silent else None,
        )
        row = self._kept.get(said)
        if row is None:
            row = self._encode(ticket)
            if len(self._kept) >= _KEPT:
                self._kept.clear()
            self._kept[said] = row
        return row

    def _encode(self, ticket: ClosedTicket) -> bytes:
        row = bytearray(self._blank)
        if self.silent:
            for name in ticket.unclear:
                if self._place.get(name) in self.silent:
                    row[self._place[name]] = UNKNOWN
        for name, result in ticket.findings.items():
            place = self._place.get(name)
            code = None if place is None else self._code[name].get(result)
            if place is None or code is None or place == self.complaint:
                self._refuse(ticket, name, result)
                continue
            row[place] = code
        if ticket.causes is not None:
            first = self.findings
            row[first:] = bytes([NORMAL]) * (len(row) - first)
            for cause in ticket.causes:
                at = self._cause.get(cause)
                if at is None:
                    raise MisuseError(
                        f'Ticket {ticket.number} names the cause "{cause}", which the model does '
                        f"not have. {did_you_mean(cause, self._cause)}"
                    )
                row[at] = FAULTY
        return bytes(row)

    def _check_unwritten(self, name: str) -> None:
        model = self.compiled.model
        findings = [variable.name for variable in model.of_kind(Kind.FINDING)]
        if name not in findings:
            raise MisuseError(f'The model has no finding "{name}". {did_you_mean(name, findings)}')
        below = [variable.name for variable in model.variables if name in variable.parents]
        if below:
            raise MisuseError(
                f"{below[0]} depends on {name} in this model, so that what was not written of "
                f"{name} cannot be told apart from what it does to {below[0]}. Leave {name} out."
            )

    def _refuse(self, ticket: ClosedTicket, name: str, result: str | None) -> None:
        """Says what is wrong with a finding; returns when there is nothing wrong."""
        if name not in self._place:
            raise MisuseError(
                f'Ticket {ticket.number} has the finding "{name}", which is no finding or history '
                f"of the model. {did_you_mean(name, self._place)}"
            )
        if result is None:
            return  # Looked for, and could not be told.
        if result not in self._code[name]:
            raise MisuseError(
                f'Ticket {ticket.number} has {name}="{result}". '
                f"{did_you_mean(result, self._code[name])}"
            )
        if self._code[name][result] != self._seen:
            raise MisuseError(
                f"Ticket {ticket.number} has {name}={result}: a machine without the complaint. "
                "Learning takes tickets of machines that had it; leave this ticket out."
            )


@dataclass(frozen=True, eq=False)
class Patterns:
    """Different rows of codes, in the order of their first ticket.

    `codes` has shape (patterns, columns of `codec`). `weights` are sums of ticket
    weights, `tickets` plain numbers of tickets, `first` the number of the first ticket
    of each pattern: all of shape (patterns,).
    """

    codec: Codec
    codes: Codes = field(repr=False)
    weights: Array = field(repr=False)
    tickets: Ints = field(repr=False)
    first: tuple[int, ...] = field(repr=False)

    @property
    def labelled(self) -> Flags:
        """Whether the causes of a pattern were established."""
        causes = self.codes[:, self.codec.findings :]
        known: Flags = np.asarray(causes.any(axis=1))
        return known

    @cached_property
    def by_label(self) -> tuple[tuple[bytes, Ints], ...]:
        """The rows of each label (codes of the causes), labels in ascending order."""
        causes = np.ascontiguousarray(self.codes[:, self.codec.findings :])
        if not causes.size:
            return ((b"", np.arange(len(self.codes))),)
        whole = causes.view(np.dtype((np.void, causes.shape[1]))).reshape(-1)
        labels, group = np.unique(whole, return_inverse=True)
        order = np.argsort(group, kind="stable")
        ends = np.cumsum(np.bincount(group, minlength=len(labels)))
        rows = np.split(order.astype(np.int64), ends[:-1])
        return tuple((label.tobytes(), part) for label, part in zip(labels, rows, strict=True))

    def without(self, rows: Flags) -> Patterns:
        """The patterns that are not marked."""
        kept = ~rows
        first = tuple(n for n, keep in zip(self.first, kept.tolist(), strict=True) if keep)
        return Patterns(
            self.codec,
            self.codes[kept],
            self.weights[kept],
            self.tickets[kept],
            first,
        )


def moment(text: str, what: str) -> float:
    """Days since 1970 of an ISO date or date-time; `what` names it in a refusal."""
    try:
        at = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        raise MisuseError(
            f'{what} is "{text}"; it must be a date such as 2024-05-31 or 2024-05-31T16:20.'
        ) from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return at.timestamp() / 86400.0


def gather(
    compiled: CompiledModel,
    tickets: Iterable[ClosedTicket],
    half_life_days: float | None = None,
    unwritten: Collection[str] = (),
) -> Patterns:
    """Read tickets one by one into patterns.

    With `half_life_days` a ticket weighs 0.5 ** (age / half life), its age counted back from the
    newest ticket.
    """
    if half_life_days is not None and not half_life_days > 0.0:
        raise MisuseError(f"The half-life is {half_life_days} days; it must be above 0.")
    codec = Codec(compiled, unwritten)
    ages: Iterable[float] = repeat(1.0)
    if half_life_days is not None:
        tickets = list(tickets)
        days = [moment(t.closed_at, f"The closing date of ticket {t.number}") for t in tickets]
        newest = max(days, default=0.0)
        ages = [0.5 ** ((newest - day) / half_life_days) for day in days]
    place: dict[bytes, int] = {}
    weights: list[float] = []
    numbers: list[int] = []
    first: list[int] = []
    for ticket, weight in zip(tickets, ages, strict=False):
        weight *= ticket.share
        key = codec.encode(ticket)
        where = place.get(key)
        if where is None:
            place[key] = len(weights)
            weights.append(weight)
            numbers.append(not ticket.again)
            first.append(ticket.number)
        else:
            weights[where] += weight
            numbers[where] += not ticket.again
    codes = np.frombuffer(b"".join(place), dtype=np.uint8)
    return Patterns(
        codec,
        codes.reshape(len(weights), len(codec.columns)),
        np.array(weights),
        np.array(numbers, dtype=np.int64),
        tuple(first),
    )
