"""The shop's settings file: labour rate, currency, what mistakes cost, and the usual model.

A YAML file of the fields of `Shop`; part prices stand under `parts`, by family and repair. Only
read when there is one, since most shops start without.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faultfinder.decide.shop import PricedPart, Shop
from faultfinder.errors import MisuseError, ModelFileError, Problem
from faultfinder.files import read_some, refused
from faultfinder.folders import user_place
from faultfinder.model.parts import Price

if TYPE_CHECKING:
    from faultfinder.model.reading.fields import Fields

_WORDS = ("currency", "model")
FILE_LIMIT = 100_000
"""Bytes of the file at most."""

NO_MONEY = (*_WORDS, "guarantee_days", "handling_minutes", "usual_age", "parts")
"""Settings that are no amounts."""


def shop_path() -> Path:
    """FAULTFINDER_SHOP, or shop.yaml in the user's settings folder."""
    return user_place("FAULTFINDER_SHOP", "XDG_CONFIG_HOME", "~/.config", "shop.yaml")


def read_shop(path: Path | None = None) -> Shop:
    """The shop's settings: from `path`, or from `shop_path()` if that exists, else the defaults.

    Raises ModelFileError listing every fault of the file, MisuseError when a named
    file cannot be read.
    """
    named = path is not None or bool(os.environ.get("FAULTFINDER_SHOP"))
    place = path or shop_path()
    with refused(f"The shop settings {place} cannot be read", MisuseError):
        try:
            content = read_some(place, FILE_LIMIT + 1)
        except FileNotFoundError:
            if named:
                raise MisuseError(f"There is no shop settings file {place}.") from None
            return Shop()
    return parse_shop(content, str(place))


def parse_shop(content: bytes, file: str) -> Shop:
    """Settings from a file's content; see `read_shop` for what is raised."""
    from faultfinder.model.reading.faults import Faults, TooManyProblems
    from faultfinder.model.reading.fields import Fields
    from faultfinder.model.reading.yaml_nodes import read_nodes

    if len(content) > FILE_LIMIT:
        right = f"It holds at most {FILE_LIMIT:,}."
        raise ModelFileError([Problem(file, 1, "The file is far too long for settings.", right)])
    document = read_nodes(content, file)
    faults = Faults(file, document.problems)
    known = [field.name for field in dataclasses.fields(Shop)]
    values: dict[str, Any] = {}
    with contextlib.suppress(TooManyProblems):
        fields = Fields(faults, document.root, 1, "the shop settings", known)
        for key in fields.keys:
            if key == "parts":
                values[key] = _parts(fields)
            elif key in _WORDS:
                values[key] = fields.text(key)[: 8 if key == "currency" else None]
            elif (number := fields.number(key)) is not None:
                values[key] = number
        unset = [name for name in known if name not in values and name not in NO_MONEY]
        if "currency" in values and unset and not faults.problems:
            faults.add(
                fields.line_of("currency"),
                f"A currency is set, but not {', '.join(unset)}.",
                "Give them all in that currency; part prices in the model file must be in it too.",
            )
    if faults.problems:
        raise ModelFileError(faults.problems)
    return dataclasses.replace(Shop(), **values)


def _parts(root: Fields) -> tuple[PricedPart, ...]:
    """The prices under `parts`, by family and repair."""
    from faultfinder.model.locate import available_models
    from faultfinder.model.reading.fields import Fields
    from faultfinder.model.reading.keys import SHOP_PRICE

    found: list[PricedPart] = []
    families = root.inner("parts", available_models(), "parts")
    if families is None:
        return ()
    for family in families.keys:
        for repair, entry in families.entries(family):
            label = f"the price of {repair.value}"
            price = _price(Fields(root.faults, entry, repair.line, label, SHOP_PRICE))
            if price is not None:
                found.append(PricedPart(family, repair.value, price))
    return tuple(found)


def _price(fields: Fields) -> Price | None:
    from faultfinder.model.reading.faults import shown
    from faultfinder.model.reading.keys import PRICE
    from faultfinder.model.reading.read_repairs import read_range

    if "price" in fields:
        one = fields.number("price")
        price = None if one is None else Price(one, one, one)
        if any(key in fields for key in PRICE):
            right = "Give one price, or low, likely and high."
            fields.faults.add(fields.line, f"{fields.label} is given twice.", right)
    else:
        price = read_range(fields)
    on = fields.word("on", "Say when it was asked: on: 2026-10-14.")
    kind = fields.word("kind")
    if on is not None and not _ON.match(on.value):
        right = "Write the day, the month or the year: 2026-10-14."
        fields.faults.add(on.line, f"on of {fields.label} is {shown(on.value)}.", right)
        return None
    if kind is not None and kind.value not in ("new", "used"):
        right = "It can be new or used."
        fields.faults.add(kind.line, f"kind of {fields.label} is {shown(kind.value)}.", right)
        return None
    if price is None or on is None:
        return None
    return dataclasses.replace(price, on=on.value, kind="" if kind is None else kind.value)


_ON = re.compile(r"20\d\d(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?\Z")
