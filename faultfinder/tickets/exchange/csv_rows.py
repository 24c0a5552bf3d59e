"""Tickets as rows of a table: what was found before any repair, what was tried, how it ended.

In the complaints of our own tables a zero byte, half a character and a backslash are written
as escapes, since a table in UTF-8 cannot hold the first two.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import TypeVar

from faultfinder.consultation.bench import look_stage
from faultfinder.errors import MisuseError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import find_result, fold
from faultfinder.model.parts import FaultModel
from faultfinder.tickets import ticket as tickets
from faultfinder.tickets.as_typed import amount_of, minutes_of
from faultfinder.tickets.events import Closed, Entry, Found, Intake, Outcome, Tried, made_event
from faultfinder.tickets.exchange.arriving import (
    Arrival,
    BadRow,
    RowError,
    check_ending,
    check_key,
    check_moment,
    check_stamp,
)
from faultfinder.tickets.exchange.column_map import (
    COULD_NOT_TELL,
    OWN,
    ColumnMap,
    Dates,
    Words,
    askable,
    causes_of,
    known_name,
    repairs_of,
)
from faultfinder.tickets.exchange.csv_cells import to_row
from faultfinder.tickets.kept_models import version_of
from faultfinder.tickets.kept_text import keep, unkeep
from faultfinder.tickets.limits import NAME_LIMIT, SEVERAL, STAMP, BadValue, quoted, text
from faultfinder.tickets.ticket import Ticket

T = TypeVar("T")

REMEMBERED = 10_000
"""Words of a column whose meaning is remembered."""


def header_row(model: FaultModel, complaint: bool) -> str:
    """The first line of a table of `model`."""
    own = [name for name in OWN if complaint or name != "complaint"]
    return to_row([*own, *(variable.name for variable in askable(model))])


def ticket_row(ticket: Ticket, model: FaultModel, complaint: bool) -> tuple[str, int]:
    """A ticket's line, and how many of its results have no column in this model."""
    names = [variable.name for variable in askable(model)]
    cells = [
        ticket.key,
        ticket.model,
        ticket.opened_at,
        ticket.closed_at or "",
        ticket.outcome,
        ";".join(ticket.causes),
        *("" if said is None else f"{said:.15g}" for said in (ticket.bench_minutes, ticket.billed)),
        *([keep(ticket.complaint)] if complaint else []),
        ";".join(step.repair for step in ticket.tried),
    ]
    for name in names:
        made = name in ticket.findings
        cells.append((ticket.findings[name] or COULD_NOT_TELL) if made else "")
    return to_row(cells), len(set(ticket.findings) - set(names))


class RowReader:
    """Rows of one table -> tickets. `own`: the table is one that this program wrote; amounts in
    others are in `currency`."""

    def __init__(
        self,
        columns: ColumnMap,
        header: Sequence[str],
        compiled: CompiledModel,
        who: str,
        now: datetime,
        own: bool,
        currency: str = "",
    ) -> None:
        self.columns = columns
        self.own = own
        self.currency = currency
        self._width = len(header)
        self._place = {name: place for place, name in reversed(list(enumerate(header)))}
        self.findings = [
            (name, words, self._place[words.column]) for name, words in columns.findings
        ]
        self._compiled = compiled
        self.who, self.version = who, version_of(compiled.model)
        self._now = now
        self._variables = {one.name: one for one in askable(compiled.model)}
        self._causes = causes_of(compiled.model)
        self._repairs = repairs_of(compiled.model)
        self._outcomes = {str(outcome): str(outcome) for outcome in Outcome}
        self._meant: dict[tuple[str, str], str | None] = {}
        self._stages: dict[str, str] = {}

    def read(
        self, rows: Iterator[tuple[int, Sequence[str]]]
    ) -> Iterator[Arrival | tuple[BadRow, ...]]:
        """Each row as a ticket, or as all that is wrong with it."""
        for line, cells in rows:
            yield self.arrival(line, cells)

    def arrival(self, line: int, cells: Sequence[str]) -> Arrival | tuple[BadRow, ...]:
        """The ticket of a row that begins on `line`, or all that is wrong with it."""
        if len(cells) < self._width or any(cells[self._width :]):
            reason = f"has {len(cells)} cells; the first line has {self._width}."
            return (BadRow(line, "the row", reason),)
        row = _Row(self, cells)
        ticket = row.ticket()
        if ticket is None:
            return tuple(BadRow(line, error.column, error.reason) for error in row.errors)
        told = {
            "complaint": self.columns.complaint,
            "bench time": self.columns.bench_minutes,
            "what was billed": self.columns.billed,
        }
        untold = frozenset(fact for fact, column in told.items() if column is None)
        return Arrival(line, ticket, None, False, untold)

    def cell(self, cells: Sequence[str], column: str) -> str:
        return cells[self._place[column]]

    def stage_after(self, repair: str) -> str:
        if repair not in self._stages:
            made = self._compiled.model.repairs_by_name[repair]
            self._stages[repair] = look_stage(self._compiled, made)
        return self._stages[repair]

    def moment(self, dates: Dates, cell: str) -> str:
        """The time of a cell as logs carry it. Raises RowError."""
        text = cell.strip()
        if dates.form == STAMP:
            return check_stamp(text, dates.column, self._now)
        try:
            if dates.form is None:
                read = datetime.fromisoformat(text)
            else:
                read = datetime.strptime(text, dates.form)
        except ValueError:
            looks = dates.form or "2026-01-31T09:30:00Z"
            raise RowError(dates.column, f"is {quoted(text)}. A time looks like {looks}.") from None
        exact = check_moment(read, dates.column, self._now)
        return exact.replace(microsecond=0, tzinfo=None).isoformat() + "Z"

    def meaning(self, name: str, words: Words, word: str) -> str | None:
        """The result, cause, repair or outcome that a word means. Raises RowError."""
        known = self._meant.get((name, word), "")
        if known != "":
            return known
        if len(word) > NAME_LIMIT:
            raise RowError(words.column, f"holds {len(word):,} characters, no word of the model.")
        try:
            found = self._look_up(name, words, word)
        except MisuseError as error:
            raise RowError(words.column, str(error)) from None
        if len(self._meant) >= REMEMBERED:
            self._meant.clear()
        self._meant[name, word] = found
        return found

    def _look_up(self, name: str, words: Words, word: str) -> str | None:
        key = fold(word)
        if key in words.results:
            return words.results[key]
        if name in self._variables:
            return find_result(self._variables[name], word)
        tables = {":causes": self._causes, ":tried": self._repairs, ":outcome": self._outcomes}
        return known_name(word, tables[name])


class _Row:
    """One row being read; `errors` are all that is wrong with it."""

    def __init__(self, reader: RowReader, cells: Sequence[str]) -> None:
        self.reader = reader
        self.cells = cells
        self.errors: list[RowError] = []

    def ticket(self) -> Ticket | None:
        columns = self.reader.columns
        key = self._key()
        opened = self._time(columns.opened, needed=True)
        closed = self._time(columns.closed, needed=False)
        outcome = self._one(":outcome", columns.outcome)
        causes = self._several(":causes", columns.causes)
        tried = self._several(":tried", columns.tried)
        findings = self._findings()
        complaint = self._complaint()
        took = self._figure(columns.bench_minutes, minutes_of, "time in minutes")
        billed = self._figure(
            columns.billed, lambda cell: amount_of(cell, self.reader.currency), "amount"
        )
        if columns.outcome is None and closed and causes:
            outcome = str(Outcome.REPAIRED)
        if not self.errors:
            self._check_end(closed, outcome, causes)
        if not self.errors and not outcome:
            self._check_no_end({columns.bench_minutes: took, columns.billed: billed})
        if self.errors or key is None or opened is None:
            return None
        who, version = self.reader.who, self.reader.version
        try:
            entries: list[tuple[str, Entry]] = [
                (opened, Intake(columns.model, complaint=complaint)),
                *((opened, Found(name, result, version)) for name, result in findings.items()),
                *((opened, Tried(one, self.reader.stage_after(one), version)) for one in tried),
            ]
            if closed and outcome:
                entries.append(
                    (closed, Closed(outcome, tuple(causes), version, False, took, billed))
                )
            events = [
                made_event(number, at, who, entry)
                for number, (at, entry) in enumerate(entries, start=1)
            ]
        except BadValue as bad:
            words = {"causes": columns.causes, "outcome": columns.outcome}.get(bad.field)
            column = words.column if words else bad.field
            self.errors.append(RowError(column, bad.reason))
            return None
        made = tickets.fold(0, events, key)
        try:
            check_ending(made)
        except RowError as error:
            column = columns.closed.column if columns.closed else error.column
            self.errors.append(RowError(column, error.reason))
            return None
        return made

    def _key(self) -> str | None:
        columns = self.reader.columns
        own = self.reader.cell(self.cells, "model") if self.reader.own else columns.model
        if own != columns.model:
            reason = f"is {quoted(own)}; this table is of {columns.model}."
            self.errors.append(RowError("model", reason))
            return None
        return self._taken(check_key, self.reader.cell(self.cells, columns.key), columns.key)

    def _taken(self, read: Callable[..., T], *cell: object) -> T | None:
        """What is read of a cell; None, with the error kept, where it cannot be."""
        try:
            return read(*cell)
        except RowError as error:
            self.errors.append(error)
            return None

    def _time(self, dates: Dates | None, needed: bool) -> str | None:
        if dates is None:
            return None
        cell = self.reader.cell(self.cells, dates.column)
        if not cell.strip():
            if needed:
                self.errors.append(RowError(dates.column, "is empty. Say when it came in."))
            return None
        return self._taken(self.reader.moment, dates, cell)

    def _one(self, name: str, words: Words | None) -> str | None:
        if words is None:
            return None
        return self._word(name, words, self.reader.cell(self.cells, words.column).strip())

    def _word(self, name: str, words: Words, word: str) -> str | None:
        return self._taken(self.reader.meaning, name, words, word) if word else None

    def _several(self, name: str, words: Words | None) -> list[str]:
        if words is None:
            return []
        cell = self.reader.cell(self.cells, words.column)
        if cell.count(words.split) >= SEVERAL:
            reason = f"holds more than {SEVERAL} words. Is {quoted(words.split)} between them?"
            self.errors.append(RowError(words.column, reason))
            return []
        parts = (part.strip() for part in cell.split(words.split))
        meant = (self._word(name, words, part) for part in parts)
        known = [one for one in meant if one is not None]
        # Two words of a shop may mean one of the model's; our own rows stay as they were.
        return known if self.reader.own else list(dict.fromkeys(known))

    def _findings(self) -> dict[str, str | None]:
        made: dict[str, str | None] = {}
        for name, words, place in self.reader.findings:
            # Most cells are blank.
            if self.cells[place] and (word := self.cells[place].strip()):
                made[name] = self._word(name, words, word)
        return made

    def _complaint(self) -> str:
        column = self.reader.columns.complaint
        if column is None:
            return ""
        cell = self.reader.cell(self.cells, column)
        try:
            return text(unkeep(cell) if self.reader.own else cell)
        except ValueError as error:
            self.errors.append(RowError(column, str(error)))
            return ""

    def _figure(self, column: str | None, typed: Callable[[str], float], what: str) -> float | None:
        cell = "" if column is None else self.reader.cell(self.cells, column).strip()
        if column is None or not cell:
            return None
        try:
            return float(cell) if self.reader.own else typed(cell)
        except MisuseError as error:
            self.errors.append(RowError(column, str(error)))
        except ValueError:
            self.errors.append(RowError(column, f"is {quoted(cell)}, which is no {what}."))
        return None

    def _check_end(self, closed: str | None, outcome: str | None, causes: list[str]) -> None:
        columns = self.reader.columns
        if closed and not outcome:
            column = columns.outcome.column if columns.outcome else "outcome"
            self.errors.append(RowError(column, "is empty, though the ticket is closed."))
        elif outcome and not closed and columns.closed is not None:
            self.errors.append(
                RowError(columns.closed.column, f"is empty, though it ended: {outcome}.")
            )
        elif causes and not outcome:
            column = columns.causes.column if columns.causes else "causes"
            self.errors.append(RowError(column, "names a cause, though the ticket is open."))

    def _check_no_end(self, said: Mapping[str | None, float | None]) -> None:
        for column, figure in said.items():
            if column is not None and figure is not None:
                reason = f"is {figure:g}, though the ticket is open."
                self.errors.append(RowError(column, reason))
