"""Amounts, times of work and ages as people write them: all that can be read in one way only."""

from __future__ import annotations

import re

from faultfinder.errors import MisuseError
from faultfinder.tickets.limits import AMOUNT_LIMIT, MINUTES_LIMIT

_SIGNS = {"€": ("EUR",), "EURO": ("EUR",), "EUROS": ("EUR",), "£": ("GBP",),
          "$": ("USD", "CAD", "AUD", "NZD", "SGD", "HKD")}  # fmt: skip
"""Signs and words of a currency, and the currencies that they may stand for."""

_NUMBER = r"[\d.,'’ \u00a0\u202f]*\d[.,]?-?"
_AMOUNT = rf"(?P<before>[^\d\s.,'’+-]*)\s*(?P<number>{_NUMBER})\s*(?P<after>\D*)"
_PLAIN = r"(?a)(\d+)(?:[.,](\d{1,2}|-))?"
_GROUPED = r"(?a)(\d{1,3}(?:([.,'’ \u00a0\u202f])\d{3})(?:\2\d{3})*)(?:([.,])(\d{1,2}|-))?"
# Patterns as text: most commands read none of them, and compiling them takes a while.


def amount_of(typed: str, currency: str) -> float:
    """An amount that a log could hold: 80, 12,50, 1.200,50, 80 EUR; `currency` is the shop's.

    Raises MisuseError, also where a sign may stand before the cents or between the thousands, and
    where another currency is named.
    """
    said = re.fullmatch(_AMOUNT, typed.strip())
    if said is None:
        raise MisuseError(f'"{typed}" is no amount. Type it as 80 or 12,50.')
    for word in (said["before"], said["after"]):
        key = word.strip().upper()
        if key and key != currency.upper() and currency.upper() not in _SIGNS.get(key, ()):
            raise MisuseError(
                f'"{typed}" is no amount in {currency}, which the shop reckons in. Type it as 80 '
                "or 12,50."
            )
    amount = _number_of(said["number"], typed)
    if amount > AMOUNT_LIMIT:
        raise MisuseError(f'"{typed}" is no amount from 0 to {AMOUNT_LIMIT:,.0f}.')
    return amount


def _number_of(number: str, typed: str) -> float:
    plain, grouped = re.fullmatch(_PLAIN, number), re.fullmatch(_GROUPED, number)
    if plain is not None:
        cents = "0" if plain[2] in (None, "-") else plain[2]
        return float(f"{plain[1]}.{cents}")
    if grouped is None or grouped[2] == grouped[3]:
        raise MisuseError(f'"{typed}" is no amount. Type it as 80 or 12,50.')
    whole = re.sub(r"\D", "", grouped[1])
    if grouped[3] is None and grouped[2] in ".," and grouped[1].count(grouped[2]) == 1:
        raise MisuseError(
            f'"{typed}" can be read in two ways. Type {whole}, or the cents with two digits.'
        )
    return float(f"{whole}.{grouped[4] if grouped[4] not in (None, '-') else 0}")


_MIN = r"(?:m|mins?|minutes?|minuten?)"
_HOURS = (
    rf"(?ai)(\d+)(?:[.,](\d+))?\s*(?:h|hrs?|hours?|std|stunden?)\.?"
    rf"(?:\s*(\d{{1,2}})\s*{_MIN}?\.?)?"
)
_CLOCK = r"(?ai)(\d+):(\d\d)(?:\s*h)?"
_MINUTES = rf"(?ai)(\d+(?:[.,]\d+)?)\s*{_MIN}\.?|(\d+)"
_TIME = "Type it as 45, 1h20, 1:20 or 1,5h."


def minutes_of(typed: str) -> float:
    """A time of work in minutes: 45, 45 min, 1h20, 0:45, 1,5h. Raises MisuseError."""
    text = typed.strip()
    if re.fullmatch(r"\d+[.,]\d+", text):
        raise MisuseError(f'"{typed}" may be hours or minutes. Type {text}h or {text} min.')
    hours, clock, alone = (re.fullmatch(form, text) for form in (_HOURS, _CLOCK, _MINUTES))
    whole, rest = 0.0, "0"
    if clock is not None:
        whole, rest = float(clock[1]), clock[2]
    elif hours is not None and not (hours[2] and hours[3]):
        whole, rest = float(f"{hours[1]}.{hours[2] or 0}"), hours[3] or "0"
    elif alone is not None:
        whole = float((alone[1] or alone[2]).replace(",", ".")) / 60.0
    else:
        raise MisuseError(f'"{typed}" is no time of work. {_TIME}')
    if float(rest) >= 60.0:
        raise MisuseError(f'"{typed}" has {rest} minutes beside its hours. {_TIME}')
    minutes = round(60.0 * whole + float(rest), 2)
    if not 0.0 < minutes <= MINUTES_LIMIT:
        raise MisuseError(
            f'"{typed}" is no time of work: more than 0 min, {MINUTES_LIMIT / 60.0:.0f} h at most.'
        )
    return minutes


_YEARS = r"(\d+(?:[.,]\d+)?)\s*"
_AGE = rf"(?i){_YEARS}(?:y|yrs?|years?)?|(?:{_YEARS}(?:y|yrs?|years?)\s*)?(\d+)\s*(?:m|months?)"


def is_age(typed: str) -> bool:
    """Whether it is an age rather than an amount: it names years or months."""
    return typed.strip()[-1:].isalpha() and re.fullmatch(_AGE, typed.strip()) is not None


def years_of(typed: str) -> float:
    """An age as people write it, in years: 3, 2,5, 3y, 18 months, 1y6m. Raises MisuseError."""
    said = re.fullmatch(_AGE, typed.strip())
    if said is None:
        raise MisuseError(f'"{typed}" is no age. Type it as 3, 2,5, 18 months or 1y6m.')
    years = float((said[1] or said[2] or "0").replace(",", ".")) + float(said[3] or 0) / 12.0
    if years > 100.0:
        raise MisuseError(f'"{typed}" is no age from 0 to 100 years.')
    return years
