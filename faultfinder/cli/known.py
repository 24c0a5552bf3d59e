"""What was worked out of tickets' states, kept so that lists need not work it out again.

A file of lines beside the compiled models, one for each database: a state's standing, or the
minutes until it is decided. It is derived: whoever deletes it loses time only. What is kept is
found by all that it follows from, so that it can be missing but never out of date: the model's
text, the shop's settings, everything known of the machine, and the program itself.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

import faultfinder
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation
from faultfinder.consultation.triage import minutes_to_decision
from faultfinder.errors import FaultfinderError
from faultfinder.files import open_plain, private_folder, whole_file
from faultfinder.inference.cache import cache_folder
from faultfinder.report.consultation.view import View
from faultfinder.report.ticket.standing import Standing, standing_of, waits
from faultfinder.tickets.ticket import Ticket

KEPT = 5_000
"""States above which only those of the tickets at hand are kept."""

AT_MOST = 32_000_000
"""Bytes above which it begins anew."""


def key_of(case: Case) -> str:
    """What a case is known by: all that its advice follows from."""
    told = [f"{f.name}={getattr(case, f.name)!r}" for f in fields(case) if f.name != "model"]
    return _hash("|".join([_program(), case.model.model.digest, *told]))


def key_with(key: str, without: Sequence[str]) -> str:
    """The key of a state's minutes where tools are missing."""
    return f"{key} {_hash(repr(tuple(without)))}"


@cache
def _program() -> str:
    """Which program this is: a file of it that has changed makes it another one, told as Python
    tells whether a module has."""
    root = Path(faultfinder.__file__).parent
    found = [f"{sys.version} {np.__version__}"]
    for place, _, names in os.walk(root):
        for name in names:
            if name.endswith(".py"):
                of = os.stat(os.path.join(place, name))
                found.append(f"{place}/{name} {of.st_size} {of.st_mtime_ns}")
    return _hash("\n".join(sorted(found)))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:24]


@dataclass(frozen=True)
class Known:
    """Standings (as rows) and minutes by key, as read from `place`."""

    place: Path
    rows: dict[str, dict[str, Any]]
    minutes: dict[str, float]

    @classmethod
    def of(cls, database: str) -> Known:
        """What is kept for a database. What cannot be read is not known."""
        place = place_of(database)
        known = cls(place, {}, {})
        with contextlib.suppress(OSError), open_plain(place) as stream:
            for line in stream:
                known._read(line)
        return known

    def _read(self, line: bytes) -> None:
        # A line may be cut short, or written by another version.
        with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError):
            told = json.loads(line)
            if "row" in told:
                if set(told["row"]) == _FIELDS:
                    self.rows[told["key"]] = told["row"]
            else:
                self.minutes[told["key"]] = float(told["minutes"])

    def write(self, states: Collection[str], timed: Collection[str]) -> None:
        """Keep it all; of very much only what is named. What cannot be written is not kept."""
        few = len(self.rows) < KEPT
        with contextlib.suppress(OSError):
            private_folder(self.place.parent)
            with whole_file(self.place, private=True) as stream:
                for key in self.rows if few else states:
                    stream.write(_line(key, row=self.rows[key]))
                for key in self.minutes if few else timed:
                    stream.write(_line(key, minutes=self.minutes[key]))


_FIELDS = set(Standing().as_row())


def place_of(database: str) -> Path:
    """Where it is kept for a database."""
    return cache_folder() / f"standings-{_hash(database)}.jsonl"


def minutes_left(told: Consultation, without: Sequence[str]) -> float:
    """The expected minutes until it is decided what to do, without some tools."""
    if told.stop or not told.case.model.model.repairs:
        return 0.0
    return minutes_to_decision(told, without)


def remember(database: str, ticket: Ticket, told: Consultation) -> None:
    """Keep where a ticket stands, once its page is shown: lists of the morning then read it."""
    with contextlib.suppress(FaultfinderError):
        key = key_of(told.case)
        lines = _line(key, row=standing_of(View(told)).as_row())
        if not waits(ticket):
            lines += _line(key_with(key, ()), minutes=minutes_left(told, ()))
        _add(place_of(database), lines)


def _add(place: Path, lines: bytes) -> None:
    with contextlib.suppress(OSError):
        private_folder(place.parent)
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC | os.O_NONBLOCK
        handle = os.open(place, flags, 0o600)
        try:
            if os.fstat(handle).st_size > AT_MOST:
                os.ftruncate(handle, 0)
            # In one go, so that two commands at once do not mix their lines.
            os.write(handle, lines)
        finally:
            os.close(handle)


def _line(key: str, **told: Any) -> bytes:
    return f"{json.dumps({'key': key, **told})}\n".encode("ascii")
