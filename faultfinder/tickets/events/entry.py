"""What every kind of event can do, and how its fields are kept, read and limited."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields
from typing import Any, ClassVar, NamedTuple, Protocol, Self

from faultfinder.tickets import limits
from faultfinder.tickets.limits import BadValue
from faultfinder.tickets.state import State

ERASED_TEXT = "(erased)"


class Titles(Protocol):
    """How a page calls what a model names."""

    def finding(self, name: str) -> str: ...
    def result(self, finding: str, result: str | None) -> str: ...
    def repair(self, name: str) -> str: ...


class _Slot(NamedTuple):
    """One field of an event: its name in Python, its key in the log, its check."""

    name: str
    key: str
    check: limits.Check
    is_text: bool
    default: object


KINDS: dict[str, type[Entry]] = {}
"""The kinds of event by name; each class enters itself."""


@dataclass(frozen=True)
class Entry:
    """What happened, without when and by whom. Raises BadValue for a value beyond its limits."""

    kind: ClassVar[str] = ""
    slots: ClassVar[tuple[_Slot, ...] | None] = None

    def __init_subclass__(cls, kind: str = "") -> None:
        cls.kind = kind
        if kind:
            KINDS[kind] = cls

    def __post_init__(self) -> None:
        for slot in self._all_slots():
            value = getattr(self, slot.name)
            if value is slot.default:
                continue
            try:
                good = slot.check(value)
            except ValueError as error:
                raise BadValue(slot.key, str(error)) from None
            if good is not value:
                object.__setattr__(self, slot.name, good)

    @classmethod
    def _all_slots(cls) -> tuple[_Slot, ...]:
        if cls.slots is None:
            cls.slots = tuple(_slot(one) for one in fields(cls))
        return cls.slots

    @classmethod
    def from_data(cls, data: Mapping[str, object], texts: Mapping[str, str]) -> Self:
        """The entry that `as_data` and `as_texts` give. Raises BadValue."""
        given: dict[str, Any] = {}
        slots = cls._all_slots()
        for slot in slots:
            kept = texts if slot.is_text else data
            if slot.key in kept:
                given[slot.name] = kept[slot.key]
            elif slot.default is MISSING:
                raise BadValue(slot.key, "is missing.")
        if len(given) < len(data) + len(texts):
            known = {slot.key for slot in slots}
            for key in (*data, *texts):
                if key not in known:
                    raise BadValue(key[:60], f"is no part of an entry of the kind {cls.kind}.")
            raise BadValue(cls.kind, "has a text among its data.")
        return cls(**given)

    def as_data(self) -> dict[str, object]:
        """What the log keeps: plain values. What is as it is without being said is left out."""
        data: dict[str, object] = {}
        for slot in self._all_slots():
            value = getattr(self, slot.name)
            if not slot.is_text and value != slot.default:
                data[slot.key] = list(value) if isinstance(value, tuple) else value
        return data

    def as_texts(self) -> dict[str, str]:
        """What people wrote in their own words, by field; what was erased is not there."""
        return {
            slot.key: getattr(self, slot.name)
            for slot in self._all_slots()
            if slot.is_text and getattr(self, slot.name)
        }

    @property
    def words(self) -> str:
        """What it says, on one line."""
        raise NotImplementedError

    def change(self, state: State, number: int, at: str) -> None:
        """Bring the state up to this entry, which is number `number` and was made `at`."""

    def names(self) -> Iterator[tuple[str, str]]:
        """What it names of the model, as ("finding", name), ("result", name=result) ..."""
        return iter(())

    @property
    def read_by(self) -> str:
        """The model version by which it was written down, or "" where it does not say."""
        return str(getattr(self, "model_version", ""))

    def row(self, titles: Titles) -> tuple[str, str, str] | None:
        """For what was found and done: what it is of (of two alike the later one holds, "": both
        do), its title and what is said of it."""
        return None

    why_it_stays: ClassVar[str] = ""
    """Why it cannot be taken back, as a sentence; "" when it can."""


def _slot(one: Field[Any]) -> _Slot:
    told = one.metadata
    return _Slot(
        one.name, told.get("key", one.name), told["check"], told.get("text", False), one.default
    )


def value(check: Callable[[object], object], default: Any = MISSING, key: str = "") -> Any:
    """A field of the log's data: what it may be, what it is without being said, and its key there
    where that is another word than its name."""
    named = {"key": key} if key else {}
    return field(default=default, metadata={"check": check, **named})


def text() -> Any:
    """Somebody's own words: kept beside the log, "" once erased."""
    return field(default="", metadata={"check": limits.text, "text": True})


def version() -> Any:
    """The model version by which an entry was written down; "" where it is not known."""
    return value(limits.version, "", "model")
