"""What the data of each kind of event holds; for logs from files and from the store."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from faultfinder.tickets.events import Happened
from faultfinder.tickets.exchange.arriving import quoted

AMOUNT = 1e12
"""An amount of money beyond this is none."""

_TEXT, _NONE = (str,), type(None)
_DATA: Mapping[Happened, Mapping[str, tuple[type, ...]]] = {
    Happened.INTAKE: {"model": _TEXT},
    Happened.FOUND: {"finding": _TEXT, "result": (str, _NONE)},
    Happened.MOVED: {"stage": _TEXT},
    Happened.TRIED: {"repair": _TEXT, "stage": _TEXT},
    Happened.REPAIRED: {"repair": _TEXT, "stage": _TEXT},
    Happened.PROVED: {"test": _TEXT, "passed": (bool,)},
    Happened.ARRIVED: {"order": (int,)},
    Happened.HELD: {"for": _TEXT},
    Happened.REMODELLED: {"model": _TEXT},
    Happened.CLOSED: {"outcome": _TEXT, "causes": (list,)},
    Happened.TAKEN_BACK: {"event": (int,)},
}
_OPTIONAL: Mapping[Happened, Mapping[str, tuple[type, ...]]] = {
    Happened.INTAKE: {
        "version": _TEXT,
        "consent": (list,),
        "data_copy": (str, _NONE),
        "limit": (int, float, _NONE),
    },
    Happened.ORDERED: {
        "repair": (str, _NONE),
        "price": (int, float, _NONE),
        "due": (str, _NONE),
    },
}


def check_data(kind: Happened, data: Any, number: int) -> None:
    """Raise ValueError, with the reason, unless the data of event `number` has the fields of its
    kind."""
    if not isinstance(data, dict):
        raise ValueError("is no set of fields.")
    for name, types in _DATA.get(kind, {}).items():
        if name not in data:
            raise ValueError(f"has no {name}.")
        _check_type(name, data[name], types)
    for name, types in _OPTIONAL.get(kind, {}).items():
        if name in data:
            _check_type(name, data[name], types)
    for name in ("causes", "consent"):
        if not all(isinstance(one, str) for one in data.get(name) or ()):
            raise ValueError(f"has {name} that are no words.")
    if kind is Happened.TAKEN_BACK and not 1 < data["event"] < number:
        raise ValueError(f"takes back entry {data['event']}, which cannot be.")


def _check_type(name: str, value: object, types: tuple[type, ...]) -> None:
    amount = float in types and isinstance(value, int | float) and abs(value) > AMOUNT
    if type(value) not in types or amount:
        raise ValueError(f"has {quoted(value)} for {name}.")
