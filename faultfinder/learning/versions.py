"""Versions of a model file: proposals, adopting one, and going back.

Beside MODEL.yaml lies a folder MODEL.versions with every earlier file (1.yaml, 2.yaml,
...), the proposal not adopted yet, and log.jsonl: who put which in force when. The
model file is replaced whole (written aside and moved), never edited.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from faultfinder.errors import FaultfinderError
from faultfinder.files import write_text


@dataclass(frozen=True)
class Change:
    """One entry of the log. `kept` is the number of the file that was in force before,
    `digest` that of the file in force since, `prior` the number of the kept file whose
    figures the tuning took as prior (None: the file was not tuned)."""

    what: str
    at: str
    by: str
    kept: int
    digest: str
    prior: int | None = None
    tickets: int = 0


def digest_of(text: str) -> str:
    """What identifies a file's text."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


class Versions:
    """The versions of one model file. Raises FaultfinderError when the folder refuses."""

    def __init__(self, model: Path) -> None:
        self.model = model
        self.folder = model.with_name(f"{model.stem}.versions")

    def text(self) -> str:
        """The file in force."""
        return self.model.read_text(encoding="utf-8")

    def log(self) -> tuple[Change, ...]:
        """What was put in force, the oldest first."""
        place = self.folder / "log.jsonl"
        if not place.exists():
            return ()
        try:
            lines = place.read_text(encoding="utf-8").splitlines()
            return tuple(Change(**json.loads(line)) for line in lines if line.strip())
        except (OSError, ValueError, TypeError) as error:
            raise FaultfinderError(f"{place} cannot be read: {error}.") from error

    def kept(self, number: int) -> str:
        """An earlier file."""
        place = self.folder / f"{number}.yaml"
        if not place.exists():
            raise FaultfinderError(f"There is no version {number} of {self.model.stem}.")
        return place.read_text(encoding="utf-8")

    def prior(self) -> str:
        """The text whose figures are the prior of the next tuning.

        After an adopted tuning that is the file it started from, since all tickets are
        counted anew: its own figures hold the tickets already.
        """
        log = self.log()
        if log and log[-1].prior is not None and log[-1].digest == digest_of(self.text()):
            return self.kept(log[-1].prior)
        return self.text()

    def propose(self, text: str, facts: Mapping[str, Any]) -> Path:
        """Keep a proposal, instead of an earlier one."""
        told = {**facts, "base": digest_of(self.text()), "digest": digest_of(text)}
        self._write("proposal.json", json.dumps(told, indent=1))
        self._write("proposal.yaml", text)
        return self.folder / "proposal.yaml"

    def proposal(self) -> tuple[str, dict[str, Any]]:
        """The kept proposal and its facts; refused when the file in force has changed since."""
        place = self.folder / "proposal.yaml"
        if not place.exists():
            raise FaultfinderError(
                f'There is no proposal for {self.model.stem}. "faultfinder tune" makes one.'
            )
        text = place.read_text(encoding="utf-8")
        facts = json.loads((self.folder / "proposal.json").read_text(encoding="utf-8"))
        if facts["base"] != digest_of(self.text()):
            raise FaultfinderError(
                f"{self.model.name} was changed since the proposal was made. Tune again."
            )
        if facts["digest"] != digest_of(text):
            raise FaultfinderError(f"{place} was changed by hand. Tune again.")
        return text, facts

    def adopt(self, by: str, at: str) -> Change:
        """Put the proposal in force; the file before it is kept."""
        text, facts = self.proposal()
        log = self.log()
        kept = self._keep()
        again = log and log[-1].prior is not None and log[-1].digest == digest_of(self.text())
        change = Change(
            "adopted",
            at,
            by,
            kept,
            digest_of(text),
            prior=log[-1].prior if again else kept,
            tickets=int(facts.get("tickets", 0)),
        )
        self._put_in_force(text, change)
        (self.folder / "proposal.yaml").unlink()
        return change

    def roll_back(self, by: str, at: str, to: int | None = None) -> Change:
        """Put an earlier file in force again: `to`, or the one before the last change."""
        log = self.log()
        if to is None:
            if not log:
                raise FaultfinderError(f"{self.model.stem} was never changed by adopting.")
            to = log[-1].kept
        text = self.kept(to)
        if digest_of(text) == digest_of(self.text()):
            raise FaultfinderError(f"Version {to} is in force already.")
        change = Change("rolled back", at, by, self._keep(), digest_of(text), self._prior_of(text))
        self._put_in_force(text, change)
        return change

    def _prior_of(self, text: str) -> int | None:
        """The prior that a text was tuned from, when it was ever in force as tuned."""
        for change in reversed(self.log()):
            if change.digest == digest_of(text):
                return change.prior
        return None

    def _keep(self) -> int:
        numbers = [int(p.stem) for p in self.folder.glob("*.yaml") if p.stem.isdigit()]
        number = max(numbers, default=0) + 1
        self._write(f"{number}.yaml", self.text())
        return number

    def _put_in_force(self, text: str, change: Change) -> None:
        # Logged first: a file without an entry would be taken for one changed by hand.
        line = json.dumps(asdict(change))
        try:
            with open(self.folder / "log.jsonl", "a", encoding="utf-8") as stream:
                stream.write(line + "\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise FaultfinderError(f"{self.folder} cannot be written: {error.strerror}.") from error
        write_text(self.model, text, replace=True)

    def _write(self, name: str, text: str) -> None:
        try:
            self.folder.mkdir(exist_ok=True)
        except OSError as error:
            raise FaultfinderError(
                f"{self.folder} cannot be made: {error.strerror}. Copy the models to a folder of "
                "your own and name it with FAULTFINDER_MODELS."
            ) from error
        write_text(self.folder / name, text, replace=True)
