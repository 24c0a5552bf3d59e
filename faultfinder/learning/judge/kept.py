"""A judgement of a proposal as it is kept with it, so that nobody works it out twice."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from faultfinder.errors import FaultfinderError
from faultfinder.learning.judge.changed_advice import ChangedAdvice
from faultfinder.learning.judge.judging import Judged
from faultfinder.plain import plain, read_plain


@dataclass(frozen=True)
class Judgement:
    """What a replay made of a proposal: `against` each rival, the `advice` that would change, and
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
            return read_plain(Judgement, told)
        except (TypeError, KeyError, ValueError, AttributeError) as error:
            raise FaultfinderError(
                f"A kept judgement is damaged ({error}). Tune and judge again."
            ) from error
