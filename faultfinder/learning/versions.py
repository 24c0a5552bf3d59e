"""The line of a shop's versions of a model: proposals, adopting one, and going back.

The first version is the model as shipped; each later one has a parent, what was learnt and from
which tickets, and who decided it. The last one is in force. They lie on the shop's shelf
(`tickets.shelf`), never beside the shipped file.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from faultfinder.errors import FaultfinderError
from faultfinder.inference.loading import load_model, model_files, read_kept
from faultfinder.learning.beliefs import Learnt, believed, same_but_figures, sound_spot
from faultfinder.learning.bench.figures import bench_values, with_values
from faultfinder.learning.former import merged
from faultfinder.learning.proposal import states_named
from faultfinder.model.parts import FaultModel
from faultfinder.plain import read_plain
from faultfinder.tickets.kept_models import Files
from faultfinder.tickets.shelf import PROPOSAL, Shelf

_KEY = re.compile(r"(.*):([0-9]+)")
_SPANS = re.compile(r"(\d{1,15}(-\d{1,15})?(,\d{1,15}(-\d{1,15})?)*)?", re.ASCII)


@dataclass(frozen=True)
class Evidence:
    """What figures were counted from: tickets by key (`packed`), how many, closed up to which
    day, and how they were counted (the options of `tune`)."""

    tickets: Mapping[str, str] = field(default_factory=dict)
    count: int = 0
    until: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Version:
    """One version. `files` are as they were put in force, the model's own first; `shipped` is the
    number of the version that holds the shipped files it comes from, in `shipped_files` (None:
    its own). A proposal has number 0, `base` is the digest of the files it was made from,
    `verdict` what a replay made of it ("" before one) and `judged` all that it found (as
    `judge.kept.Judgement`)."""

    number: int
    parent: int
    what: str
    by: str
    at: str
    files: Files
    learnt: tuple[Learnt, ...] = ()
    evidence: Evidence = Evidence()
    shipped: int = 1
    shipped_files: Files | None = None
    base: str = ""
    verdict: str = ""
    judged: Mapping[str, Any] = field(default_factory=dict)

    def as_plain(self) -> dict[str, Any]:
        return asdict(self)

    @property
    def words(self) -> str:
        """One line for a list."""
        who = f" {self.by}:" if self.by else ""
        said = f"{self.number}  {self.at}{who} {self.what}"
        if self.parent:
            said += f", from version {self.parent}"
        if self.evidence.count:
            said += f"; {self.evidence.count} tickets up to {self.evidence.until}"
        return said

    @staticmethod
    def read(told: Mapping[str, Any]) -> Version:
        """Raises FaultfinderError when it is damaged."""
        try:
            version = read_plain(Version, told)
            if not _sound(version):
                raise ValueError("a value in it is none that a version has")
            return version
        except (TypeError, KeyError, ValueError, AttributeError) as error:
            raise FaultfinderError(
                f"A kept version of a model is damaged ({error}). Restore a backup."
            ) from error


@dataclass(frozen=True)
class Base:
    """What the next tuning starts from: `files` to write new numbers into, the model they say,
    and the same with its author's beliefs. `upgrade` says that the files are newly shipped
    ones; in `both` are the variables in which the shop's own belief stays against them."""

    files: Files
    model: FaultModel
    believed: FaultModel
    upgrade: bool = False
    both: Sequence[str] = ()

    @property
    def text(self) -> str:
        return self.files[0][1]

    @property
    def parts(self) -> dict[str, str]:
        return dict(self.files[1:])


class Line:
    """The versions of the model `name`, which begin with the shipped file `origin`."""

    def __init__(self, shelf: Shelf, name: str, origin: Path) -> None:
        self.name, self.origin = name, origin
        self._shelf = shelf

    def versions(self) -> tuple[Version, ...]:
        """The oldest first."""
        numbers = self._shelf.numbers(self.name)
        return tuple(self._version(number) for number in numbers)

    def _version(self, number: int) -> Version:
        told = self._shelf.read(self.name, number)
        version = None if told is None else Version.read(told)
        # One that says another number of itself is not the one that was added here.
        if version is None or version.number != number:
            raise FaultfinderError(f"There is no version {number} of {self.name}.")
        return version

    def in_force(self) -> Files:
        """The files in force, with what was edited in them by hand."""
        numbers = self._shelf.numbers(self.name)
        return self._shelf.files(self.name, numbers[-1]) if numbers else self._shipped()

    def _shipped(self) -> Files:
        return model_files(self.origin, load_model(self.origin))

    def base(self) -> Base:
        """What the next tuning starts from.

        Where another file is shipped than the one the line comes from, that is the new one, with
        the beliefs that the shop changed itself. Raises FaultfinderError where the shop changed
        more than figures, which nobody but a person can bring together.
        """
        versions = self.versions()
        files = self.in_force()
        model = read_kept(files)
        learnt = [one for version in reversed(versions) for one in version.learnt]
        own = believed(model, learnt, states_named([text for _, text in files]))
        if not versions:
            return Base(files, model, own)
        before = self._shipped_of(versions)
        shipped = self._shipped()
        if digest_of(shipped) == digest_of(before):
            return Base(files, model, own)
        old = read_kept(before)
        if not same_but_figures(old, with_values(model, bench_values(old))):
            raise FaultfinderError(
                f"Another {self.name} is shipped now ({self.origin}), and the shop's own has other "
                "changes than figures. Bring the two together in a copy of the shipped file, then "
                f'"faultfinder adopt -m {self.name} --file COPY".'
            )
        new = read_kept(shipped)
        wanted, both = merged(new, old, own)
        return Base(shipped, new, wanted, True, both)

    def _shipped_of(self, versions: Sequence[Version]) -> Files:
        home = self._version(versions[-1].shipped)
        return home.files if home.shipped_files is None else home.shipped_files

    def propose(
        self, base: Base, files: Files, learnt: Sequence[Learnt], evidence: Evidence, at: str
    ) -> str:
        """Keep a proposal, instead of an earlier one; returns where it lies."""
        numbers = self._shelf.numbers(self.name)
        parent = numbers[-1] if numbers else 1
        shipped = self._version(parent).shipped if numbers else 1
        proposal = Version(
            PROPOSAL, parent, "proposed", "", at, files, tuple(learnt), evidence, shipped,
            base.files if base.upgrade else None, digest_of(self.in_force()),
        )  # fmt: skip
        return self._shelf.propose(self.name, proposal.as_plain())

    def proposed(self) -> bool:
        """Whether a proposal is kept."""
        return self._shelf.read(self.name, PROPOSAL) is not None

    def proposal(self) -> Version:
        """The kept proposal; refused when the files in force have changed since."""
        told = self._shelf.read(self.name, PROPOSAL)
        if told is None:
            raise FaultfinderError(
                f'There is no proposal for {self.name}. "faultfinder tune" makes one.'
            )
        proposal = Version.read(told)
        if proposal.base != digest_of(self.in_force()):
            raise FaultfinderError(
                f"{self.name} was changed since the proposal was made. Tune again."
            )
        if digest_of(self._shelf.files(self.name, PROPOSAL)) != digest_of(proposal.files):
            raise FaultfinderError(f"The proposal for {self.name} was changed by hand. Tune again.")
        return proposal

    def judged(self, word: str, found: Mapping[str, Any]) -> None:
        """Keep the verdict of a replay, and all that it found, with the proposal."""
        judged = replace(self.proposal(), verdict=word, judged=found)
        self._shelf.propose(self.name, judged.as_plain())

    def adopt(self, by: str, at: str) -> Version:
        """Put the proposal in force. Raises FaultfinderError when somebody else put a version in
        force meanwhile."""
        proposal = self.proposal()
        parent = self._begun(at, by)
        number = parent.number + 1
        shipped = parent.shipped if proposal.shipped_files is None else number
        version = replace(proposal, number=number, parent=parent.number, what="adopted", by=by,
                          at=at, shipped=shipped, base="")  # fmt: skip
        self._add(version)
        self._shelf.drop_proposal(self.name)
        return version

    def take(self, path: Path, by: str, at: str) -> Version:
        """Put a file edited by hand in force: its changes are beliefs, what was counted stays.

        Raises ModelFileError for what is no model of that name.
        """
        compiled = load_model(path)
        if compiled.model.name != self.name:
            raise FaultfinderError(f"{path} is the model {compiled.model.name}, not {self.name}.")
        files = model_files(path, compiled)
        parent = self._begun(at, by)
        if digest_of(files) == digest_of(self.in_force()):
            raise FaultfinderError(f"{path} is what is in force already.")
        shipped = self._shipped()
        same = digest_of(shipped) == digest_of(self._shipped_of(self.versions()))
        number = parent.number + 1
        version = Version(
            number, parent.number, "edited", by, at, files, parent.learnt, parent.evidence,
            parent.shipped if same else number, None if same else shipped,
        )  # fmt: skip
        self._add(version)
        return version

    def roll_back(self, by: str, at: str, to: int | None = None) -> Version:
        """Put an earlier version in force again: `to`, or the parent of the one in force."""
        versions = self.versions()
        if to is None:
            if not versions:
                raise FaultfinderError(f"{self.name} was never changed by adopting.")
            to = versions[-1].parent
        earlier = self._version(to)
        if digest_of(earlier.files) == digest_of(self.in_force()):
            raise FaultfinderError(f"Version {to} is in force already.")
        parent = self._begun(at, by)
        number = parent.number + 1
        home = self._version(earlier.shipped)
        version = replace(
            earlier, number=number, parent=to, what="rolled back", by=by, at=at,
            shipped=home.number, shipped_files=None,
        )  # fmt: skip
        self._add(version)
        return version

    def _begun(self, at: str, by: str) -> Version:
        """The version in force, with what was edited in it by hand as a version of its own; the
        first one is the shipped file."""
        numbers = self._shelf.numbers(self.name)
        if not numbers:
            begun = Version(1, 0, "shipped", "", at, self._shipped())
            self._add(begun, self.origin)
            return begun
        last = self._version(numbers[-1])
        files = self.in_force()
        if digest_of(files) == digest_of(last.files):
            return last
        edited = replace(last, number=last.number + 1, parent=last.number, what="edited", by=by,
                         at=at, files=files, shipped_files=None)  # fmt: skip
        self._add(edited)
        return edited

    def _add(self, version: Version, like: Path | None = None) -> None:
        like = self._shelf.place(self.name) if like is None else like
        self._shelf.add(self.name, version.number, version.as_plain(), like)


def _sound(version: Version) -> bool:
    """Whether texts and options are such as a version has; it may come with a backup from
    anywhere."""
    told, options = version.evidence, version.evidence.options
    shares = [
        share
        for one in version.learnt
        for table in (one.written, one.believed, one.low, one.high)
        for share in table.values()
    ]
    return (
        all(map(math.isfinite, shares))
        and all(sound_spot(one) for one in version.learnt)
        and all(_SPANS.fullmatch(span) for span in told.tickets.values())
        and isinstance(options.get("label_error", 0.0), int | float)
        and isinstance(options.get("half_life", 1.0), int | float | None)
        and all(isinstance(options.get(day, ""), str | None) for day in ("since", "until"))
        and all(
            isinstance(name, str)
            for option in ("unwritten", "with")
            for name in options.get(option, ())
        )
    )


def digest_of(files: Files) -> str:
    """What identifies files."""
    return hashlib.sha256(json.dumps(files).encode("utf-8")).hexdigest()[:16]


def packed(keys: Iterable[str]) -> dict[str, str]:
    """Keys of tickets by store, numbers in ranges; other keys stand for themselves.

    >>> packed(["a:1", "a:2", "a:3", "a:7", "b:2"])
    {'a': '1-3,7', 'b': '2'}
    """
    by_store: dict[str, list[int]] = {}
    other: dict[str, str] = {}
    for key in keys:
        match = _KEY.fullmatch(key)
        if match:
            by_store.setdefault(match[1], []).append(int(match[2]))
        else:
            other[key] = ""
    return {store: _ranges(numbers) for store, numbers in by_store.items()} | other


def _ranges(numbers: Iterable[int]) -> str:
    spans: list[list[int]] = []
    for number in sorted(set(numbers)):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ",".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)


def counted_in(told: Mapping[str, str], key: str) -> bool:
    """Whether a ticket is among those kept as `packed`.

    >>> counted_in({"a": "1-3,7"}, "a:2"), counted_in({"a": "1-3,7"}, "a:4")
    (True, False)
    """
    match = _KEY.fullmatch(key)
    if match is None:
        return key in told
    spans = (span.partition("-") for span in told.get(match[1], "").split(",") if span)
    return any(int(first) <= int(match[2]) <= int(last or first) for first, _, last in spans)


def uncounted(told: Mapping[str, str], keys: Iterable[str]) -> int:
    """How many of the tickets kept as `packed` are not among `keys`."""
    have: dict[str, set[int]] = {}
    for key in keys:
        match = _KEY.fullmatch(key)
        have.setdefault(match[1] if match else key, set()).add(int(match[2]) if match else 0)
    missing = 0
    for store, ranges in told.items():
        there = sorted(have.get(store, ()))
        for span in ranges.split(",") if ranges else ():
            first, _, last = span.partition("-")
            begin, end = int(first), int(last or first)
            missing += end - begin + 1 - (bisect_right(there, end) - bisect_left(there, begin))
        missing += not ranges and not there
    return missing
