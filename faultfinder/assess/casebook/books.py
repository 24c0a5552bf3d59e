"""The files of a casebook: vocabulary, cases, situations, advisers' rounds and the mapping.

Scalars are read as words: `yes`, `no`, `on` and `off` are never booleans.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from faultfinder.errors import MisuseError, ModelFileError, Problem
from faultfinder.files import read_some, refused
from faultfinder.model.locate import model_folders
from faultfinder.model.reading.yaml_nodes import Items, Node, Text, read_nodes

FOLDER = "casebook"
"""The folder beside the models in which the book lies."""

READ_AT_MOST = 4_000_000
"""Bytes of a file that are read; a longer one is refused."""

Told = tuple[tuple[str, tuple[str, ...]], ...]
"""Facts in the order told: (fact word, its value, or several that may be meant)."""


@dataclass(frozen=True)
class Vocabulary:
    """The words of a casebook: `facts` maps each to its values (none where it is a number or a
    text), `groups` maps a group to the at_fault words that count as the same answer."""

    facts: Mapping[str, tuple[str, ...]]
    at_fault: tuple[str, ...]
    actions: tuple[str, ...]
    groups: Mapping[str, tuple[str, ...]]
    builds: tuple[str, ...] = ()

    def groups_of(self, words: Sequence[str]) -> frozenset[str]:
        """The groups in which any of the words stands."""
        return frozenset(g for g, held in self.groups.items() if set(held) & set(words))


@dataclass(frozen=True)
class RealCase:
    """A real machine: what was told at the counter and found after it, and what it was.

    `settled_by` is the fact that settled it in truth, or "none".
    """

    id: str
    build: str
    intake: Told
    checks: Told = ()
    at_fault: tuple[str, ...] = ()
    settled_by: str = "none"
    targeted: bool = False

    def told(self, moment: str) -> dict[str, tuple[str, ...]]:
        """Fact -> values at a moment, "intake" or "all"; a later result replaces an earlier one."""
        facts = dict(self.intake)
        if moment == "all":
            for fact, values in self.checks:
                facts.pop(fact, None)
                facts[fact] = values
        return facts


@dataclass(frozen=True)
class Situation:
    """Facts of a machine and what must follow; `builds` is empty for all of them."""

    id: str
    builds: tuple[str, ...]
    facts: Told
    then: tuple[tuple[str, Any], ...]
    """(clause, its body) in the order of the file."""


Advised = tuple[str, ...]
"""What an adviser would do next: checks by the fact that each brings, in order."""


@dataclass(frozen=True)
class FamilyWords:
    """Where a family's names differ from the words; see models/casebook/mapping.yaml."""

    facts: Mapping[str, tuple[str, Mapping[str, str]]] = field(default_factory=dict)
    at_fault: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    actions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    cannot_say: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Mapped:
    """A mapping file: words per family, and what the scores and situations go by."""

    common: FamilyWords
    families: Mapping[str, FamilyWords]
    models: Mapping[str, str]
    unscored: frozenset[str]
    outside_screen: str
    runs: Mapping[str, tuple[str, ...]]
    without: Mapping[str, tuple[Mapping[str, tuple[str, ...]], tuple[str, ...]]]
    """What is scored apart -> (facts, at_fault words) of which a case left out holds one."""
    hand_over: str
    skipped_first: frozenset[str]
    asks: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]
    """What is asked -> (facts of which one is brought, words of which a caution holds one)."""
    stages: Mapping[str, str]
    """A stage as situations call it -> its name in the models."""

    def model_of(self, build: str) -> str:
        """The name of the model of a build."""
        return self.models.get(build, build)

    def family(self, model: str) -> FamilyWords:
        """The words of a model: its own before those of all."""
        own = self.families.get(model, FamilyWords())
        return FamilyWords(
            {**self.common.facts, **own.facts},
            {**self.common.at_fault, **own.at_fault},
            {**self.common.actions, **own.actions},
            self.common.cannot_say | own.cannot_say,
        )


# Where the files lie


def book_file(name: str) -> Path:
    """A file of the book beside the models; a folder of models of one's own goes first.

    Raises MisuseError when there is none.
    """
    for folder in model_folders():
        place = folder / FOLDER / name
        if place.is_file():
            return place
    raise MisuseError(f"There is no {FOLDER}/{name} beside the models. Name a file.")


def content_of(place: Path, most: int = READ_AT_MOST) -> bytes:
    """A file's content, of so many bytes at most. Raises MisuseError where it cannot be read."""
    with refused(f"{place} cannot be read", MisuseError):
        try:
            return read_some(place, most)
        except FileNotFoundError:
            raise MisuseError(f"There is no file {place}.") from None


def _read(place: Path) -> Any:
    """A file's content as words, lists and dictionaries; all its faults at once."""
    document = read_nodes(content_of(place), str(place))
    if document.problems:
        raise ModelFileError(document.problems)
    return _plain(document.root)


def _plain(node: Node) -> Any:
    if isinstance(node, Text):
        return node.value
    if isinstance(node, Items):
        return [_plain(item) for item in node.items]
    return {key.value: _plain(value) for key, value in node.pairs}


def _wrong(place: Path, found: str, right: str) -> ModelFileError:
    return ModelFileError([Problem(str(place), 1, found, right)])


def _words(value: Any) -> tuple[str, ...]:
    """A word or a list of words, as a tuple; nothing for an empty text."""
    if isinstance(value, list):
        return tuple(str(item) for item in value)
    return (str(value),) if value not in ("", None) else ()


def _pairs(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


# Reading each kind


def read_vocabulary(place: Path) -> Vocabulary:
    """The words of a vocabulary file. Raises ModelFileError and MisuseError."""
    said = _pairs(_read(place))
    facts, groups = _pairs(said.get("facts")), _pairs(said.get("groups"))
    if not facts or not groups or not said.get("at_fault"):
        raise _wrong(place, "This is no vocabulary.", "It names facts, at_fault and groups.")
    return Vocabulary(
        {word: _words(v) if isinstance(v, list) else () for word, v in facts.items()},
        _words(said["at_fault"]),
        _words(said.get("actions", [])),
        {group: _words(words) for group, words in groups.items()},
        _words(_pairs(said.get("machine")).get("build", [])),
    )


def read_cases(place: Path) -> tuple[RealCase, ...]:
    """The cases of a file, in order. Raises ModelFileError and MisuseError."""
    said = _read(place)
    if not isinstance(said, list):
        raise _wrong(place, "This is no list of cases.", "Begin each with - id: NAME.")
    cases = []
    for number, one in enumerate(said, 1):
        if not isinstance(one, dict) or not one.get("id") or not one.get("build"):
            raise _wrong(place, f"Case {number} has no id or no build.", "Name both.")
        checks = one.get("checks") or []
        cases.append(
            RealCase(
                id=str(one["id"]),
                build=str(one["build"]),
                intake=_facts(place, one["id"], [one.get("intake") or {}]),
                checks=_facts(place, one["id"], checks if isinstance(checks, list) else [checks]),
                at_fault=_words(one.get("at_fault", [])),
                settled_by=str(one.get("settled_by") or "none"),
                targeted=one.get("targeted") == "yes",
            )
        )
    return tuple(cases)


def _facts(place: Path, name: Any, lists: Sequence[Any]) -> Told:
    if not all(isinstance(one, dict) for one in lists):
        raise _wrong(place, f"A fact of {name} is not written as word: value.", "Write it so.")
    return tuple((fact, _words(v)) for one in lists for fact, v in one.items() if _words(v))


def read_situations(place: Path) -> tuple[Situation, ...]:
    """The situations of a file, in order. Raises ModelFileError and MisuseError."""
    said = _read(place)
    if not isinstance(said, list):
        raise _wrong(place, "This is no list of situations.", "Begin each with - id: NAME.")
    situations = []
    for number, one in enumerate(said, 1):
        if not isinstance(one, dict) or not one.get("id"):
            raise _wrong(place, f"Situation {number} has no id.", "Name it.")
        then = one.get("then") or []
        if not isinstance(then, list) or not all(isinstance(c, dict) and c for c in then):
            raise _wrong(place, f"What follows from {one['id']} is no list of clauses.", "")
        builds = _words(one.get("builds", "all"))
        situations.append(
            Situation(
                str(one["id"]),
                () if builds == ("all",) else builds,
                _facts(place, one["id"], [one.get("facts") or {}]),
                tuple(next(iter(clause.items())) for clause in then),
            )
        )
    return tuple(situations)


def read_rounds(place: Path) -> dict[str, tuple[Advised, ...]]:
    """Case -> what each adviser would do. Raises ModelFileError and MisuseError."""
    return {
        case: tuple(
            _words(one.get("round", []))
            for one in _pairs(advisers).values()
            if isinstance(one, dict)
        )
        for case, advisers in _pairs(_read(place)).items()
    }


def read_mapping(place: Path) -> Mapped:
    """A mapping file. Raises ModelFileError and MisuseError."""
    said = _pairs(_read(place))
    if said.get("faultfinder_mapping") != "1":
        raise _wrong(place, "This is no mapping.", "It begins with faultfinder_mapping: 1.")
    scores = _pairs(said.get("scores"))
    return Mapped(
        common=_family(_pairs(said.get("common"))),
        families={
            name: _family(_pairs(words)) for name, words in _pairs(said.get("families")).items()
        },
        models=_pairs(said.get("models")),
        unscored=frozenset(_words(scores.get("unscored", []))),
        outside_screen=str(scores.get("outside_screen", "")),
        runs={fact: _words(v) for fact, v in _pairs(scores.get("runs")).items()},
        without={
            name: (
                {f: _words(v) for f, v in _pairs(_pairs(one).get("facts")).items()},
                _words(_pairs(one).get("at_fault", [])),
            )
            for name, one in _pairs(scores.get("without")).items()
        },
        hand_over=str(scores.get("hand_over", "")),
        skipped_first=frozenset(_words(scores.get("skipped_first", []))),
        asks={
            name: (_words(_pairs(one).get("facts", [])), _words(_pairs(one).get("says", [])))
            for name, one in _pairs(said.get("asks")).items()
        },
        stages=_pairs(said.get("stages")),
    )


def _family(said: dict[str, Any]) -> FamilyWords:
    return FamilyWords(
        {
            word: (str(_pairs(one).get("finding", word)), _pairs(_pairs(one).get("values")))
            for word, one in _pairs(said.get("facts")).items()
        },
        {
            word: {
                cause: () if states == "any" else _words(states)
                for cause, states in _pairs(one).items()
            }
            for word, one in _pairs(said.get("at_fault")).items()
        },
        {word: _words(repairs) for word, repairs in _pairs(said.get("actions")).items()},
        frozenset(_words(said.get("cannot_say", []))),
    )
