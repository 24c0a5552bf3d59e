"""A judgement of a proposal as it is kept with it, so that nobody works it out twice."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from faultfinder.errors import FaultfinderError
from faultfinder.learning.judge.changed_advice import ChangedAdvice
from faultfinder.learning.judge.judging import Judged
from faultfinder.plain import plain

T = TypeVar("T")


@dataclass(frozen=True)
class Judgement:
    """What a replay made of a proposal: `against` each rival, the advice that would `change`, and
    what it goes by: the tickets (as `versions.packed`) and the options."""

    against: tuple[Judged, ...]
    advice: ChangedAdvice
    tickets: Mapping[str, str] = field(default_factory=dict)
    options: Mapping[str, Any] = field(default_factory=dict)

    @property
    def word(self) -> str:
        """The verdict against the figures in force, in a word."""
        return self.against[0].verdict.word if self.against else "cannot tell yet"

    def as_plain(self) -> dict[str, Any]:
        told: dict[str, Any] = plain(dataclasses.asdict(self))
        return told

    @staticmethod
    def read(told: Mapping[str, Any]) -> Judgement:
        """Raises FaultfinderError when it is damaged."""
        try:
            return _made(Judgement, told)
        except (TypeError, KeyError, ValueError, AttributeError) as error:
            raise FaultfinderError(
                f"A kept judgement is damaged ({error}). Tune and judge again."
            ) from error


def _made(kind: type[T], told: Any) -> T:
    hints = typing.get_type_hints(kind)
    fields = dataclasses.fields(kind)  # type: ignore[arg-type]
    # One kept by an earlier version lacks what is told by now.
    given = [one for one in fields if one.name in told or not _may_lack(one)]
    return kind(**{one.name: _as(hints[one.name], told[one.name]) for one in given})


def _may_lack(one: dataclasses.Field[Any]) -> bool:
    missing = dataclasses.MISSING
    return one.default is not missing or one.default_factory is not missing


def _as(hint: Any, told: Any) -> Any:
    """A value of the annotated type from its plain form."""
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        if told is None:
            return None
        return _as(next(one for one in inside if one is not type(None)), told)
    if origin is tuple:
        if len(inside) == 2 and inside[1] is Ellipsis:
            return tuple(_as(inside[0], one) for one in told)
        return tuple(_as(one, value) for one, value in zip(inside, told, strict=True))
    if origin is not None and issubclass(origin, Mapping):
        return {key: _as(inside[1], one) for key, one in told.items()}
    if origin is not None and issubclass(origin, Sequence):
        return tuple(_as(inside[0], one) for one in told)
    if dataclasses.is_dataclass(hint):
        return _made(typing.cast(Any, hint), told)
    if hint is float:
        return float("nan") if told is None else float(told)
    # It may come with a backup from anywhere.
    if hint is not Any and not isinstance(told, hint):
        raise TypeError(f"{told!r:.40} is no {hint.__name__}")
    return told
