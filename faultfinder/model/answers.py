"""What people type, sorted into the results a model knows."""

from __future__ import annotations

import bisect
import math
import re
from collections.abc import Iterable, Sequence

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.model.parts import FaultModel, Kind, Variable

TYPED_LENGTH = 200
"""Characters of a name or result at most: none of a model is longer."""

COULD_NOT_TELL = frozenset(
    {"?", "unknown", "unclear", "dont know", "don't know", "do not know", "could not tell"}
    | {"cant tell", "can't tell", "not sure", "unsure", "dunno", "no idea", "weiss nicht"}
    | {"weiß nicht", "keine ahnung"}
)
"""Words for "no result"; as normal an answer as any."""

_PREFIX = {"": 1.0, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$", re.S)


def fold(text: str) -> str:
    """Lower case, with spaces, hyphens and underscores alike."""
    return re.sub(r"[\s_-]+", " ", text.lower()).strip()


_ASKABLE = (Kind.HISTORY, Kind.FINDING, Kind.CAUSE)


def find_variable(model: FaultModel, typed: str) -> Variable:
    """The history, finding or cause that was meant; a unique beginning is enough.

    Raises MisuseError with the nearest name when there is none.
    """
    exact = model.by_name.get(typed)
    if exact is not None and exact.kind in _ASKABLE:
        return exact
    _check_length(typed)
    askable = [v for v in model.variables if v.kind in _ASKABLE]
    key = fold(typed)
    by_key = {fold(v.name): v for v in askable}
    if key in by_key:
        return by_key[key]
    begun = [v for name, v in by_key.items() if key and name.startswith(key)]
    if len(begun) == 1:
        return begun[0]
    if begun:
        begun.sort(key=lambda v: v.kind is Kind.CAUSE)
        several = ", ".join(v.name for v in begun[:8]) + (" ..." if len(begun) > 8 else "")
        raise MisuseError(f'"{typed}" could be any of {several}. Type a little more of it.')
    names = [v.name for v in askable]
    raise MisuseError(f'This model has no finding "{typed}". {did_you_mean(typed, names)}')


def _check_length(typed: str) -> None:
    if len(typed) > TYPED_LENGTH:
        raise MisuseError(
            f'"{typed[:40]}..." is {len(typed):,} characters long. A finding or result has at '
            f"most {TYPED_LENGTH}."
        )


def find_stage(model: FaultModel, named: str | None) -> str:
    """The teardown stage that was meant; the one a machine arrives in when none is named.

    Raises MisuseError with the nearest name.
    """
    if named is None:
        return model.start
    if named in model.stages_by_name:
        return named
    hint = did_you_mean(named, model.stages_by_name)
    raise MisuseError(f'There is no teardown stage "{named}". {hint}')


def find_result(variable: Variable, typed: str) -> str | None:
    """The state that was meant, or None for "could not tell".

    A state name, one of its spoken words, or a unique beginning of either; for a
    meter reading a number with its unit ("3.1 V", "200 mV"). Raises MisuseError.
    """
    _check_length(typed)
    if typed in variable.states:
        return typed
    key = fold(typed)
    names = _spoken(variable)
    if key in names:
        return names[key]
    if key in COULD_NOT_TELL:
        return None
    if variable.reading is not None and _NUMBER.match(typed):
        return _read_meter(variable, typed)
    begun = {state for word, state in names.items() if key and word.startswith(key)}
    if len(begun) == 1:
        return begun.pop()
    if begun:
        raise MisuseError(
            f'"{typed}" could mean {" or ".join(sorted(begun))} for {variable.name}. '
            "Type a little more of it."
        )
    allowed = ", ".join(variable.states)
    meter = ""
    if variable.reading is not None:
        meter = f", or a reading in {variable.reading.unit}"
    hint = _nearest_state(names, key)
    raise MisuseError(
        f'"{typed}" is not a result of {variable.name}. {hint}'
        f"It can be {allowed}{meter}, or unknown."
    )


def _nearest_state(names: dict[str, str], key: str) -> str:
    from faultfinder.errors import nearest

    close = nearest(key, names)
    return f"Did you mean {names[fold(close)]}? " if close is not None else ""


def _spoken(variable: Variable) -> dict[str, str]:
    names = {fold(word): state for state, words in variable.words.items() for word in words}
    names.update({fold(state): state for state in variable.states})
    return names


def _read_meter(variable: Variable, typed: str) -> str:
    reading = variable.reading
    assert reading is not None
    match = _NUMBER.match(typed)
    assert match is not None
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", match[1]):
        raise MisuseError(
            f'"{typed}" can be read in two ways. Type the number without a sign between the '
            f"thousands ({re.sub('[.,]', '', match[1])}), or with other than three decimals."
        )
    number, unit = float(match[1].replace(",", ".")), match[2]
    example = f"{reading.cuts[0]:g} {reading.unit}"
    if not math.isfinite(number):
        raise MisuseError(f'"{typed}" is too large to be a reading of {variable.name}.')
    if not unit:
        raise MisuseError(
            f'The reading "{typed}" of {variable.name} has no unit. '
            f'Type it with its unit, as in "{example}".'
        )
    scale = unit_scale(unit, reading.unit)
    if scale is None:
        raise MisuseError(
            f'{variable.name} is read in {reading.unit}, not in "{unit}". '
            f'Type it as in "{example}".'
        )
    if number < 0.0 <= min(reading.cuts):
        raise MisuseError(
            f'"{typed}" is below zero: were the probes swapped? Type {variable.name} without the '
            "minus sign if so, or unknown."
        )
    return state_of_reading(variable, number * scale)


def unit_scale(typed: str, unit: str) -> float | None:
    """What a number in `typed` must be multiplied by to be in `unit`, or None."""
    sign = {"ohm": "Ω", "ohms": "Ω", "Ω": "Ω"}

    def split(word: str) -> Iterable[tuple[float, str]]:
        for prefix, factor in _PREFIX.items():
            if word.startswith(prefix) and len(word) > len(prefix):
                base = word[len(prefix) :]
                yield factor, sign.get(base.lower(), sign.get(base, base))

    for factor, base in split(typed):
        for wanted_factor, wanted in split(unit):
            if base == wanted or (base.lower() == wanted.lower() and len(base) > 1):
                return factor / wanted_factor
    lowered = {"v": "V", "a": "A", "w": "W"}
    last = typed[-1:]
    if last in lowered:
        return unit_scale(typed[:-1] + lowered[last], unit)
    return None


def state_of_reading(variable: Variable, value: float) -> str:
    """The state a reading falls into; at a cut point it belongs to the upper one."""
    reading = variable.reading
    assert reading is not None
    return reading.states[bisect.bisect_right(reading.cuts, value)]


def join_results(labels: Iterable[tuple[str, str]], single: bool) -> str:
    """The label of a joint result: "off", or "backlight=off, image=none" for several."""
    pairs = list(labels)
    if single:
        return pairs[0][1]
    return ", ".join(f"{name}={state}" for name, state in pairs)


def split_results(label: str, names: Sequence[str]) -> list[tuple[str, str]]:
    """The (finding, result) pairs of such a label; `names` are the findings that it joins."""
    if len(names) == 1:
        return [(names[0], label)]
    return [(name, state) for name, _, state in (p.partition("=") for p in label.split(", "))]
