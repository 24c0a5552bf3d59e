"""The shop's settings file: labour rate, currency, what mistakes cost, and the usual model.

A flat YAML file of the fields of `Shop`. Only read when there is one, since most
shops start without.
"""

from __future__ import annotations

import dataclasses
import math
import os
from pathlib import Path

from faultfinder.decide.shop import Shop
from faultfinder.errors import MisuseError, ModelFileError, Problem, did_you_mean
from faultfinder.files import open_plain
from faultfinder.folders import user_place

_WORDS = ("currency", "model")
FILE_LIMIT = 100_000
"""Bytes of the file at most."""

NO_MONEY = (*_WORDS, "guarantee_days", "handling_minutes", "usual_age")
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
    values: dict[str, float | str] = {}
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
    return dataclasses.replace(Shop(), **values)  # type: ignore[arg-type]


LARGEST = 1e9
"""A rate or cost beyond this is a slip; sums of them stay finite."""


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
