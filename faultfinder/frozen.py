"""Frozen dataclasses that are quick to define, for what every command imports.

`dataclasses` writes and compiles up to seven methods for each class, which takes longer than the
whole advice where there are a hundred of them. Here all classes share one of each.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, TypeVar, dataclass_transform, overload

C = TypeVar("C", bound=type)


@overload
def frozen(cls: C) -> C: ...
@overload
def frozen(*, eq: bool = True) -> Callable[[C], C]: ...
@dataclass_transform(frozen_default=True, field_specifiers=(dataclasses.field,))
def frozen(cls: Any = None, *, eq: bool = True) -> Any:
    """What `dataclasses.dataclass(frozen=True, eq=eq)` makes of a class; fields by keyword only and
    initial values that are no fields are not provided for."""

    def made(cls: Any) -> Any:
        own = vars(cls)
        if "__init__" not in own:
            cls.__init__ = _init
        if "__repr__" not in own:
            cls.__repr__ = _repr
        if eq:
            if "__eq__" not in own:
                cls.__eq__ = _eq
            if own.get("__hash__") is None:
                cls.__hash__ = _hash
        cls.__setattr__, cls.__delattr__ = _no_set, _no_delete
        return dataclasses.dataclass(init=False, repr=False, eq=False)(cls)

    return made if cls is None else made(cls)


def _init(self: Any, *given: Any, **named: Any) -> None:
    fields = self.__dataclass_fields__
    if len(given) > len(fields):
        raise TypeError(f"{type(self).__name__} takes {len(fields)} values, not {len(given)}")
    values = dict(zip(fields, given, strict=False))
    for name, value in named.items():
        if name not in fields or name in values:
            raise TypeError(f"{type(self).__name__} takes no {name!r}, or takes it once")
        values[name] = value
    if len(values) < len(fields):
        for name, field in fields.items():
            if name in values or not field.init:
                continue
            if field.default is not dataclasses.MISSING:
                values[name] = field.default
            elif field.default_factory is not dataclasses.MISSING:
                values[name] = field.default_factory()
            else:
                raise TypeError(f"{type(self).__name__} lacks {name!r}")
    vars(self).update(values)
    after = getattr(self, "__post_init__", None)
    if after is not None:
        after()


def _values(one: Any, of: str) -> tuple[Any, ...]:
    return tuple(
        getattr(one, name) for name, field in one.__dataclass_fields__.items() if getattr(field, of)
    )


def _eq(self: Any, other: object) -> Any:
    if other.__class__ is not self.__class__:
        return NotImplemented
    return _values(self, "compare") == _values(other, "compare")


def _hash(self: Any) -> int:
    return hash(_values(self, "compare"))


def _repr(self: Any) -> str:
    shown = (
        f"{name}={getattr(self, name)!r}"
        for name, field in self.__dataclass_fields__.items()
        if field.repr
    )
    return f"{type(self).__qualname__}({', '.join(shown)})"


def _no_set(self: Any, name: str, value: object) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _no_delete(self: Any, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")
