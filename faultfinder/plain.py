"""Results as plain values, and read again: each form is declared once, with what its keys mean.

A form makes the plain values that `--json` prints, and its keys are what `--json --help`
prints, so that the two cannot part.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

T = TypeVar("T")
S = TypeVar("S")

SINGLE = {
    "word": "a name",
    "text": "for people to read",
    "time": "UTC in ISO 8601",
    "day": "YYYY-MM-DD",
    "count": "a whole number",
    "number": "",
    "probability": "from 0 to 1",
    "money": "in the currency of the shop",
    "minutes": "",
    "days": "",
    "bits": "of information",
    "nats": "of information; a bit is 0.693 of it",
    "true or false": "",
    "object": "keys of its own",
}
"""The kinds of value that stand at a key, and what is to be known of them.

A kind may end in "or null" or, where names stand under the key, in "for each ..."; a list is
"objects" or "list of ..." with the kind in the plural.
"""


@dataclass(frozen=True)
class Key(Generic[T]):
    """One key of a form: what stands there, with its unit, and what it says.

    `of` takes it from what the form is of; without it, it is the attribute of that name.
    `form` is the form of what stands there, of each item of a list, or of each value of a
    mapping; a function where it is declared only later. `when` says for what it is there.
    """

    name: str
    kind: str
    meaning: str
    of: Callable[[T], object] | None = None
    form: Form[Any] | Callable[[], Form[Any]] | None = None
    when: Callable[[T], bool] | None = None

    @property
    def inner(self) -> Form[Any] | None:
        return self.form if self.form is None or isinstance(self.form, Form) else self.form()

    def raw(self, value: T) -> object:
        """What stands at this key, as it is."""
        return getattr(value, self.name) if self.of is None else self.of(value)

    def take(self, value: T) -> object:
        """Plain values of this key."""
        taken = self.raw(value)
        inner = self.inner
        if inner is None or taken is None:
            return plain(taken)
        if self.kind.startswith("objects"):
            assert isinstance(taken, Iterable)
            return [inner.plain(item) for item in taken]
        if isinstance(taken, Mapping):
            return {str(name): inner.plain(item) for name, item in taken.items()}
        return inner.plain(taken)


class Form(Generic[T]):
    """The keys of an object in their order; `title` says what it is."""

    def __init__(self, title: str, *keys: Key[T]) -> None:
        self.title = title
        self.keys = keys

    def plain(self, value: T) -> dict[str, Any]:
        return {k.name: k.take(value) for k in self.keys if k.when is None or k.when(value)}

    def walk(
        self, depth: int = 0, above: tuple[Form[Any], ...] = ()
    ) -> Iterator[tuple[int, Key[Any], bool]]:
        """Every key with its depth, those of what it holds after it; and whether it holds one
        of the forms it stands in, whose keys are not said again."""
        above = (*above, self)
        for key in self.keys:
            again = key.inner in above
            yield depth, key, again
            if key.inner is not None and not again:
                yield from key.inner.walk(depth + 1, above)


def within(
    part: Callable[[T], S], *keys: Key[S], when: Callable[[T], bool] | None = None
) -> Iterator[Key[T]]:
    """Keys of a part of something as keys of the whole; `when` says for what they are there."""

    def whole(key: Key[S]) -> Key[T]:
        return Key(
            key.name, key.kind, key.meaning, lambda value: key.raw(part(value)), key.form, when
        )

    return map(whole, keys)


def plain(value: object) -> Any:
    """Values that JSON has; a number that is none (not finite) is None.

    Raises TypeError for what has no plain form.
    """
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no plain form.")


def read_plain(kind: type[T], told: Any) -> T:
    """A dataclass from its plain form; what is missing there and has a default is left to it.

    It may come from anywhere: raises TypeError, KeyError, ValueError or AttributeError for keys of
    something else, and for values of another type than the annotated one.
    """
    hints = typing.get_type_hints(kind)
    fields = dataclasses.fields(kind)  # type: ignore[arg-type]
    if unknown := told.keys() - {one.name for one in fields}:
        raise TypeError(f"{min(unknown):.40} is no key of it")
    given = [
        one.name
        for one in fields
        if one.name in told or one.default is one.default_factory is dataclasses.MISSING
    ]
    return kind(**{name: _typed(hints[name], told[name]) for name in given})


def _typed(hint: Any, told: Any) -> Any:
    """A value of the annotated type from its plain form."""
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        if told is None:
            return None
        return _typed(next(one for one in inside if one is not type(None)), told)
    if origin is not None and issubclass(origin, Sequence) and not isinstance(told, list | tuple):
        raise TypeError(f"{told!r:.40} is no list")
    if origin is tuple:
        if len(inside) == 2 and inside[1] is Ellipsis:
            return tuple(_typed(inside[0], one) for one in told)
        return tuple(_typed(one, value) for one, value in zip(inside, told, strict=True))
    if origin is not None and issubclass(origin, Mapping):
        return {key: _typed(inside[1], one) for key, one in told.items()}
    if origin is not None and issubclass(origin, Sequence):
        return tuple(_typed(inside[0], one) for one in told)
    if dataclasses.is_dataclass(hint):
        return read_plain(typing.cast(Any, hint), told)
    if hint is float and told is None:
        return math.nan
    if hint is Any:
        return told
    wanted = (int, float) if hint is float else hint
    # What is true or false passes for a number in Python.
    if not isinstance(told, wanted) or (isinstance(told, bool) and hint is not bool):
        raise TypeError(f"{told!r:.40} is no {hint.__name__}")
    return float(told) if hint is float else told


def json_text(value: object) -> str:
    """Plain values as JSON, ASCII only, with no control character but line ends."""
    # DEL is the one control character that JSON lets through.
    import json  # pages of text need none

    return json.dumps(value, indent=2, allow_nan=False).replace("\x7f", "\\u007f")
