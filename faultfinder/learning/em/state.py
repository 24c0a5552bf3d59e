"""Where EM stands: enough to go on later as if it had never stopped."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.errors import MisuseError
from faultfinder.learning.em.parameters import Family
from faultfinder.model.network import Array

Lists = Mapping[str, Sequence[Sequence[float]]]
"""Figures by variable name: one list per group, one number per state."""


@dataclass(frozen=True)
class State:
    """A point of EM between two rounds; `to_json` and `from_json` keep every digit.

    `point` is what the next round starts from and `plain` what the last M-step gave;
    they differ after a long step (`jumped`). `cycle` are the points since the last one.
    `trace` holds the log posterior of each round.
    """

    point: Lists
    plain: Lists
    cycle: tuple[Lists, ...]
    jumped: bool
    rounds: int
    trace: tuple[float, ...]

    def to_json(self) -> str:
        return json.dumps(
            {
                "point": self.point,
                "plain": self.plain,
                "cycle": self.cycle,
                "jumped": self.jumped,
                "rounds": self.rounds,
                "trace": self.trace,
            }
        )

    @staticmethod
    def from_json(text: str) -> State:
        """Raises MisuseError when it is not a kept state."""
        try:
            data = json.loads(text)
            return State(
                data["point"],
                data["plain"],
                tuple(data["cycle"]),
                bool(data["jumped"]),
                int(data["rounds"]),
                tuple(float(value) for value in data["trace"]),
            )
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise MisuseError(
                "What was kept to go on from cannot be read. Start anew, without it."
            ) from error


def as_lists(families: Sequence[Family], figures: Mapping[int, Array]) -> Lists:
    return {f.places[0].variable: figures[f.number].tolist() for f in families}


def as_arrays(families: Sequence[Family], lists: Lists) -> dict[int, Array]:
    """Raises MisuseError when the figures are not those of this model."""
    names = {family.places[0].variable for family in families}
    if set(lists) != names:
        raise MisuseError("What was kept to go on from belongs to another model. Start anew.")
    found = {}
    for family in families:
        name = family.places[0].variable
        try:
            value = np.array(lists[name], dtype=np.float64)
        except (ValueError, TypeError):
            value = np.zeros(0)
        if (
            value.shape != family.file.shape
            or not np.all(np.isfinite(value))
            or value.min() < 0.0
            or np.abs(value.sum(axis=1) - 1.0).max() > 1e-9
            or np.any((family.file == 0.0) & (value != 0.0))
        ):
            raise MisuseError(
                f"What was kept for {name} does not fit the model: it has other states or figures. "
                "Start anew."
            )
        found[family.number] = value
    return found
