"""What entries were called before: `was` and `share`, and `states_were` of a variable."""

from __future__ import annotations

import math
from collections.abc import Sequence

from faultfinder.model.parts import Check, Former, Repair, Variable
from faultfinder.model.reading.faults import Faults, figure, shown
from faultfinder.model.reading.fields import (
    Fields,
    good_name,
    good_state,
    picked_states,
    read_words,
)

TOLERANCE = 1e-6
"""How far the shares of a split entry may miss one."""


def read_former(fields: Fields) -> Former:
    """`was` and `share` of an entry."""
    names = []
    for word in fields.words("was") if "was" in fields else ():
        if good_name(fields.faults, word, f"An earlier name of {fields.label}"):
            names.append(word.value)
    share: float | None = 1.0
    if "share" in fields:
        share = fields.number("share", low=0.0, high=1.0, above=True)
        if "was" not in fields:
            fields.faults.add(
                fields.line_of("share"),
                f"{fields.label} gives a share, and not of what.",
                "Name the entry that was split beside it: was: [old].",
            )
    return Former(tuple(names), 1.0 if share is None else share)


def read_states_were(fields: Fields, states: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """`states_were` of a variable: each earlier state stands for one state of today."""
    faults, found = fields.faults, dict[str, tuple[str, ...]]()
    taken: set[str] = set()
    for key, node in fields.entries("states_were") if "states_were" in fields else ():
        picked_states(faults, [key], states, f"states_were of {fields.label}")
        old = []
        for word in read_words(faults, node, f"The earlier names of {key.value}", key.line):
            if not good_state(faults, word, f"An earlier state of {fields.label}"):
                continue
            if word.value in states or word.value in taken:
                also = "still one of its states" if word.value in states else "said twice"
                faults.add(
                    word.line,
                    f"The earlier state {shown(word.value)} of {fields.label} is {also}.",
                    "A ticket that says it must mean one state.",
                )
                continue
            taken.add(word.value)
            old.append(word.value)
        found[key.value] = tuple(old)
    return found


def check_former(faults: Faults, entries: Sequence[Variable | Check | Repair]) -> None:
    """Tell of an earlier name that is still one, or whose shares do not add up to one."""
    present = {entry.name for entry in entries}
    heirs: dict[str, list[Variable | Check | Repair]] = {}
    for entry in entries:
        for name in entry.was.names:
            heirs.setdefault(name, []).append(entry)
            if name in present:
                faults.add(
                    entry.line,
                    f"{entry.name} says that it was {shown(name)}, which is still there.",
                    "Rename that one, or take it out of was.",
                )
    for name, some in heirs.items():
        total = math.fsum(entry.was.share for entry in some)
        if abs(total - 1.0) > TOLERANCE:
            listed = " and ".join(entry.name for entry in some)
            faults.add(
                some[-1].line,
                f"The shares of {listed} in what was {shown(name)} add up to {figure(total)}.",
                "Give each a share (share: 0.6); together they must be 1.",
            )
