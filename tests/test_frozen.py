"""`frozen` makes of a class what `dataclasses.dataclass(frozen=True)` makes of it."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import pytest

from faultfinder.frozen import frozen


def body(make: Callable[[type], type]) -> Any:
    class Some:
        name: str
        count: int = 2
        seen: tuple[int, ...] = field(default_factory=tuple, repr=False)
        note: str = field(default="", compare=False)

        def __post_init__(self) -> None:
            if self.count < 0:
                raise ValueError("below nothing")

        @cached_property
        def twice(self) -> int:
            return 2 * self.count

    Some.__qualname__ = "Some"
    return make(Some)


OURS, THEIRS = body(frozen), body(dataclass(frozen=True))
GIVEN = [
    (("a",), {}),
    (("a", 3), {}),
    ((), {"count": 3, "name": "a"}),
    (("a",), {"note": "x", "seen": (1, 2)}),
]
WRONG = [((), {}), (("a", 1, (), "", 5), {}), (("a",), {"name": "b"}), (("a",), {"other": 1})]


@pytest.mark.parametrize(("values", "named"), GIVEN)
def test_values_are_taken_shown_and_told_apart_as_in_a_dataclass(values: Any, named: Any) -> None:
    ours, theirs = OURS(*values, **named), THEIRS(*values, **named)
    assert asdict(ours) == asdict(theirs)
    assert repr(ours) == repr(theirs)
    assert hash(ours) == hash(theirs)
    assert [(f.name, f.repr, f.compare) for f in fields(ours)] == [
        (f.name, f.repr, f.compare) for f in fields(theirs)
    ]
    assert replace(ours, note="other") == ours
    assert replace(ours, count=9) != ours
    assert ours != theirs
    assert ours.twice == 2 * ours.count


@pytest.mark.parametrize(("values", "named"), WRONG)
def test_wrong_values_are_refused(values: Any, named: Any) -> None:
    for one in (OURS, THEIRS):
        with pytest.raises(TypeError):
            one(*values, **named)
        with pytest.raises(ValueError, match="below nothing"):
            one("a", -1)


def test_nothing_is_changed_afterwards() -> None:
    for one in (OURS("a"), THEIRS("a")):
        with pytest.raises(FrozenInstanceError):
            one.name = "b"
        with pytest.raises(FrozenInstanceError):
            del one.name


@frozen(eq=False)
class Alone:
    """Equal to itself only."""

    name: str


def test_without_eq_each_is_its_own() -> None:
    assert Alone("a") != Alone("a")
    assert len({Alone("a"), Alone("a")}) == 2
    assert pickle.loads(pickle.dumps(Alone("a"))).name == "a"
