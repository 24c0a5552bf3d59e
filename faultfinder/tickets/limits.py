"""What a value in a ticket's log may be: each check gives the value back, or says what is wrong.

They stand at the events themselves, so a value is held to the same limits whether it was typed,
read from a file, or found in a database.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection
from datetime import datetime
from typing import TypeVar

from faultfinder.errors import MisuseError

TEXT_LIMIT = 1_000_000
"""Characters of one text in somebody's own words."""

NAME_LIMIT = 200
"""Characters of a name in a model, of a result, and of a ticket's key."""

MODEL_LIMIT = 4_096
"""Characters of a model's name, which may be the path of a file."""

AMOUNT_LIMIT = 1e9
"""The greatest amount of money: a barcode (13 digits) typed as a price is beyond it."""

MINUTES_LIMIT = 6_000
"""The longest time of work on one job, in minutes: 100 hours (a choice)."""

COUNT_LIMIT = 1_000_000_000
"""The greatest number of a ticket or entry."""

SEVERAL = 200
"""Causes of one ticket at most."""

STAMP = "%Y-%m-%dT%H:%M:%SZ"
"""Times in the log: UTC, to the second."""

_STAMPED = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
_USUAL = re.compile(
    r"(?!0000)\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|1\d|2[0-8])T(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\dZ",
    re.ASCII,
)
"""Times on days that every month has: there are such, without asking the calendar."""

_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)

Value = TypeVar("Value")
Check = Callable[[object], object]


class BadValue(MisuseError):
    """A value that an entry of a log cannot hold: `field` is where, `reason` follows its name."""

    def __init__(self, field: str, reason: str) -> None:
        self.field = field
        self.reason = reason
        super().__init__(f"The {field.replace('_', ' ')} {reason}")


def quoted(value: object) -> str:
    """A value in a sentence, short."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > 10**60:
        return '"a number of more than 60 digits"'
    text = value if isinstance(value, str) else repr(value)
    return f'"{text if len(text) <= 60 else text[:57] + "..."}"'


def text(value: object) -> str:
    """Words of somebody's own. Raises ValueError, with the reason, as all checks do."""
    if not isinstance(value, str):
        raise ValueError(f"is {quoted(value)}, which is no text.")
    if len(value) > TEXT_LIMIT:
        raise ValueError(f"holds {len(value):,} characters; the limit is {TEXT_LIMIT:,}.")
    return value


def name(value: object) -> str:
    """A name of the model's, or a result."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"is {quoted(value)}, which is no name.")
    if len(value) > NAME_LIMIT or not value.isprintable():
        raise ValueError(
            f"is no name: a name is at most {NAME_LIMIT} characters that can be printed."
        )
    return value


def model(value: object) -> str:
    """A model's name or file."""
    if not isinstance(value, str) or not value:
        raise ValueError(f"is {quoted(value)}, which names no model.")
    if len(value) > MODEL_LIMIT:
        raise ValueError(f"holds {len(value):,} characters; the limit is {MODEL_LIMIT:,}.")
    return value


def version(value: object) -> str:
    """The digest of a model, or "" where none is known."""
    return "" if value == "" else name(value)


def amount(value: object) -> float:
    """Money, from nothing to AMOUNT_LIMIT, in the shop's currency."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"is {quoted(value)}, which is no amount.")
    if not (0 <= value <= AMOUNT_LIMIT and math.isfinite(value)):
        raise ValueError(f"is {quoted(value)}. An amount is 0 to {AMOUNT_LIMIT:,.0f}.")
    return value


def minutes(value: object) -> float:
    """A time of work in minutes, above nothing to MINUTES_LIMIT."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"is {quoted(value)}, which is no time in minutes.")
    if not 0 < value <= MINUTES_LIMIT:
        raise ValueError(f"is {quoted(value)} min. It is above 0, {MINUTES_LIMIT:,} at most.")
    return value


def count(value: object) -> int:
    """The number of a ticket or entry."""
    if type(value) is not int or not 1 <= value <= COUNT_LIMIT:
        raise ValueError(f"is {quoted(value)}. It is a number from 1 to {COUNT_LIMIT:,}.")
    return value


def flag(value: object) -> bool:
    """Yes or no."""
    if not isinstance(value, bool):
        raise ValueError(f"is {quoted(value)}, which is neither true nor false.")
    return value


def day(value: object) -> str:
    """A day as YYYY-MM-DD."""
    return _dated(value, _DAY, "day", "2026-01-31")


def stamp(value: object) -> str:
    """A time as logs carry it."""
    if isinstance(value, str) and _USUAL.fullmatch(value):
        return value
    return _dated(value, _STAMPED, "time", "2026-01-31T09:30:00Z")


def _dated(value: object, form: re.Pattern[str], what: str, like: str) -> str:
    if not isinstance(value, str) or not form.fullmatch(value):
        raise ValueError(f"is {quoted(value)}. A {what} looks like {like}.")
    try:
        datetime.fromisoformat(value)
    except ValueError:
        raise ValueError(f"is {quoted(value)}, and there is no such {what}.") from None
    return value


def maybe(check: Callable[[object], Value]) -> Callable[[object], Value | None]:
    """What `check` takes, or nothing."""
    return lambda value: None if value is None else check(value)


def one_of(allowed: Collection[str]) -> Callable[[object], str]:
    """One of some words."""
    words = tuple(map(str, allowed))

    def check(value: object) -> str:
        if value not in words:
            raise ValueError(f"is {quoted(value)}. Known here: {', '.join(words)}.")
        return str(value)

    return check


def several(check: Callable[[object], str]) -> Callable[[object], tuple[str, ...]]:
    """A list of at most SEVERAL values."""

    def checked(value: object) -> tuple[str, ...]:
        if not isinstance(value, list | tuple):
            raise ValueError(f"is {quoted(value)}, which is no list.")
        if len(value) > SEVERAL:
            raise ValueError(f"holds {len(value):,} values; the limit is {SEVERAL}.")
        return tuple(map(check, value))

    return checked
