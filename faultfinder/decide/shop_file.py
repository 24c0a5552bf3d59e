"""The shop's settings file: labour rate, currency, what mistakes cost, and the usual model.

A YAML file of the fields of `Shop`; part prices stand under `parts`, by family and repair. Only
read when there is one, since most shops start without.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faultfinder.decide.shop import PricedPart, Shop
from faultfinder.errors import MisuseError, ModelFileError, Problem, did_you_mean
from faultfinder.files import open_plain
from faultfinder.folders import user_place
from faultfinder.model.parts import Price

if TYPE_CHECKING:
    from faultfinder.model.reading.faults import Faults
    from faultfinder.model.reading.fields import Fields
    from faultfinder.model.reading.yaml_nodes import Node, Text

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
    try:
        with open_plain(place) as opened:
            content = opened.read(FILE_LIMIT + 1)
    except FileNotFoundError:
        if named:
            raise MisuseError(f"There is no shop settings file {place}.") from None
        return Shop()
    except OSError as error:
        raise MisuseError(f"The shop settings {place} cannot be read: {error.strerror}.") from error
    return parse_shop(content, str(place))


def parse_shop(content: bytes, file: str) -> Shop:
    """Settings from a file's content; see `read_shop` for what is raised."""
    from faultfinder.model.reading.faults import PROBLEM_LIMIT, printable, shown
    from faultfinder.model.reading.yaml_nodes import Pairs, Text, read_nodes

    if len(content) > FILE_LIMIT:
        right = f"It holds at most {FILE_LIMIT:,}."
        raise ModelFileError([Problem(file, 1, "The file is far too long for settings.", right)])
    document = read_nodes(content, file)
    problems = list(document.problems)
    kinds = {field.name: field.type for field in dataclasses.fields(Shop)}
    values: dict[str, Any] = {}
    if not isinstance(document.root, Pairs):
        raise ModelFileError(
            [Problem(file, 1, "This is no list of settings.", "Write labour_per_hour: 60.")]
        )
    for key, node in document.root.pairs:
        line = key.line
        if len(problems) >= PROBLEM_LIMIT:
            break
        if key.value not in kinds:
            hint = did_you_mean(key.value, kinds)
            problems.append(Problem(file, line, f"There is no setting {shown(key.value)}.", hint))
        elif key.value == "parts":
            values["parts"], wrong = _parts(file, key, node)
            problems += wrong
        elif not isinstance(node, Text):
            problems.append(Problem(file, line, f"{key.value} is no single value.", "Give one."))
        elif key.value == "currency":
            values[key.value] = printable(node.value[:8])
        elif key.value == "model":
            values[key.value] = printable(node.value.strip())
        else:
            number = _number(node.value)
            if number is None or not 0.0 <= number <= LARGEST:
                problems.append(
                    Problem(
                        file,
                        line,
                        f"{key.value} is {shown(node.value)}.",
                        f"It must be a number of at least 0, up to {LARGEST:,.0f}.",
                    )
                )
            else:
                values[key.value] = number
    unset = [name for name in kinds if name not in values and name not in NO_MONEY]
    if "currency" in values and unset and not problems:
        lines = {key.value: key.line for key, _ in document.root.pairs}
        problems.append(
            Problem(
                file,
                lines["currency"],
                f"A currency is set, but not {', '.join(unset)}.",
                "Give them all in that currency; part prices in the model file must be in it too.",
            )
        )
    if problems:
        raise ModelFileError(problems)
    return dataclasses.replace(Shop(), **values)


def _parts(file: str, key: Text, node: Node) -> tuple[tuple[PricedPart, ...], tuple[Problem, ...]]:
    """The prices under `parts`, by family and repair, and what is wrong with them."""
    from faultfinder.model.locate import available_models
    from faultfinder.model.reading.faults import Faults, TooManyProblems
    from faultfinder.model.reading.fields import Fields
    from faultfinder.model.reading.keys import SHOP_PRICE

    faults = Faults(file)
    found: list[PricedPart] = []
    with contextlib.suppress(TooManyProblems):
        root = Fields(faults, node, key.line, "parts", available_models())
        for family in root.keys:
            for repair, entry in root.entries(family):
                label = f"the price of {repair.value}"
                fields = Fields(faults, entry, repair.line, label, SHOP_PRICE)
                price = _price(faults, fields)
                if price is not None:
                    found.append(PricedPart(family, repair.value, price))
    return tuple(found), faults.problems


def _price(faults: Faults, fields: Fields) -> Price | None:
    from faultfinder.model.reading.faults import shown
    from faultfinder.model.reading.keys import PRICE
    from faultfinder.model.reading.read_repairs import read_range

    if "price" in fields:
        one = fields.number("price")
        price = None if one is None else Price(one, one, one)
        if any(key in fields for key in PRICE):
            right = "Give one price, or low, likely and high."
            faults.add(fields.line, f"{fields.label} is given twice.", right)
    else:
        price = read_range(faults, fields)
    on = fields.word("on", "Say when it was asked: on: 2026-10-14.")
    kind = fields.word("kind")
    if on is not None and not _ON.match(on.value):
        right = "Write the day, the month or the year: 2026-10-14."
        faults.add(on.line, f"on of {fields.label} is {shown(on.value)}.", right)
        return None
    if kind is not None and kind.value not in ("new", "used"):
        right = "It can be new or used."
        faults.add(kind.line, f"kind of {fields.label} is {shown(kind.value)}.", right)
        return None
    if price is None or on is None:
        return None
    return dataclasses.replace(price, on=on.value, kind="" if kind is None else kind.value)


_ON = re.compile(r"20\d\d(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?\Z")

LARGEST = 1e9
"""A rate or cost beyond this is a slip; sums of them stay finite."""


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
