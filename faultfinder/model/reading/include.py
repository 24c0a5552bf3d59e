"""What a model file includes, put together with what it says itself.

`include: [common/board.yaml]` takes in part files, whose paths are relative to the file
that names them. All sections of a part file count as if they stood in the model, after
the model's own entries. An entry of the model takes the place of an included one of the
same name: wholly, or with `extends: yes` only in the keys that it gives.
"""

from __future__ import annotations

import hashlib
import posixpath
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from faultfinder.errors import ModelFileError, did_you_mean
from faultfinder.model.reading.faults import Faults, Line, shown
from faultfinder.model.reading.fields import Fields
from faultfinder.model.reading.keys import PART_FILE
from faultfinder.model.reading.read_variables import FORMS
from faultfinder.model.reading.yaml_nodes import NODE_LIMIT, Items, Node, Pairs, Text, read_nodes

PARTS_VERSION = 1
"""The version of the form of part files that is read."""

PART_LIMIT = 50
"""Files that one model may include, over all levels."""

MARK = "faultfinder_parts"
NAMED = {
    "word_lists": "word list",
    "histories": "history",
    "causes": "cause",
    "conditions": "condition",
    "findings": "finding",
    "figures": "entry of figures",
    "stages": "stage",
    "checks": "check",
    "needs": "need",
    "kits": "kit",
    "suggestions": "suggestion",
    "phrases": "phrase",
    "proofs": "proof",
    "repairs": "repair",
}
"""Sections of named entries, with what one of them is called."""

LISTED = {
    "moves": ("move", ("from", "to")),
    "stops": ("stop rule", ("finding",)),
    "precautions": ("precaution", ("look",)),
}
"""Sections that are lists: what one entry is called, and the keys that tell it from others."""

SINGLE = ("silence", "unlisted")
"""Sections that are one entry as a whole; the model's own takes the place of an included one."""

ReadFile = Callable[[Path], bytes]
"""Gives a file's content; raises OSError or ValueError when it cannot be read."""

Key = tuple[str, ...]


@dataclass
class Part:
    """A part file: its path from the model's folder, its name in messages, the line that
    names it, and how many of its entries are in use."""

    path: str
    file: str
    named_at: int
    used: int = 0
    includes: list[Part] = field(default_factory=list)

    def in_use(self) -> bool:
        return self.used > 0 or any(part.in_use() for part in self.includes)


@dataclass(frozen=True)
class Entry:
    """One entry of a section; `word` is its name, None in a list."""

    word: Text | None
    node: Node
    part: Part | None = None

    @property
    def line(self) -> int:
        return self.node.line if self.word is None else self.word.line


@dataclass(frozen=True)
class Whole:
    """The root of a model file with all that it includes.

    `digests` holds path and SHA-256 of each part file, in order of reading. `complete` is
    False when one could not be read, so that judging the rest would mislead.
    """

    root: Node
    parts: tuple[Part, ...] = ()
    digests: tuple[tuple[str, str], ...] = ()
    complete: bool = True

    def tell_unused(self, faults: Faults, used_lists: Iterable[int]) -> None:
        """Add a problem for every part file that adds nothing.

        `used_lists` are the lines of the word lists that some words name.
        """
        files = [faults.file_of(line) for line in used_lists]
        for part in self.parts:
            part.used += files.count(part.file)
        for part in self.parts:
            if not part.in_use():
                faults.add(
                    part.named_at,
                    f"The included file {shown(part.path)} adds nothing: no entry of it is used.",
                    "Leave it out.",
                )


def with_included(root: Node, faults: Faults, read: ReadFile) -> Whole:
    """`root` of the model file `faults.file`, with the sections of all files it includes.

    Problems of the files and of the way they are put together go to `faults`.
    """
    if not isinstance(root, Pairs) or "include" not in {key.value for key, _ in root.pairs}:
        return Whole(root)
    gathered = _Gathered(faults, read)
    own = Pairs(tuple(pair for pair in root.pairs if pair[0].value == "include"), root.line)
    fields = Fields(faults, own, 1, "the model file", ["include"])
    path = Path(faults.file).name
    parts = gathered.take(fields, path, (path,))
    if not parts and gathered.complete and faults.told == 0:
        faults.add(
            fields.line_of("include"), "include names no file.", "Name one, or leave it out."
        )
    whole = Pairs(_merged(root, gathered, faults), root.line)
    return Whole(whole, tuple(gathered.parts.values()), tuple(gathered.digests), gathered.complete)


class _Gathered:
    """The part files read so far, and their entries by section."""

    def __init__(self, faults: Faults, read: ReadFile) -> None:
        self.faults = faults
        self.read = read
        self.parts: dict[str, Part] = {}
        self.digests: list[tuple[str, str]] = []
        self.entries: dict[str, dict[Key, Entry]] = {key: {} for key in (*NAMED, *LISTED)}
        self.single: dict[str, tuple[Text, Node, Part]] = {}
        self.complete = True
        self.nodes = 0

    def take(self, fields: Fields, includer: str, trail: tuple[str, ...]) -> list[Part]:
        """Read what `include` among `fields` names; `trail` leads from the model to here."""
        found: list[Part] = []
        for word in fields.words("include", "Name the files: include: [common/board.yaml]."):
            path = posixpath.normpath(posixpath.join(posixpath.dirname(includer), word.value))
            if posixpath.isabs(word.value):
                self._refuse(
                    word,
                    f"include names {shown(word.value)}, an absolute path.",
                    f"Give the path from the folder of {self.faults.file_of(word.line)}.",
                )
            elif path in trail:
                loop = " -> ".join([*trail[trail.index(path) :], path])
                self._refuse(
                    word, f"Files include each other in a loop: {loop}.", "Take one include out."
                )
            elif path in self.parts:
                found.append(self.parts[path])
            elif len(self.parts) >= PART_LIMIT:
                self._refuse(
                    word,
                    f"{shown(word.value)} would be included file number {PART_LIMIT + 1}.",
                    f"A model includes at most {PART_LIMIT}.",
                )
            else:
                part = Part(path, str(Path(self.faults.file).parent / path), word.line)
                self.parts[path] = part
                found.append(part)
                self._open(part, word, trail)
        return found

    def _refuse(self, word: Text, found: str, right: str) -> None:
        self.complete = False
        self.faults.add(word.line, found, right)

    def _open(self, part: Part, word: Text, trail: tuple[str, ...]) -> None:
        try:
            content = self.read(Path(part.file))
        except (OSError, ValueError) as error:
            missing = isinstance(error, FileNotFoundError)
            reason = error.strerror if isinstance(error, OSError) else error
            why = f"and there is no file {part.file}." if missing else f"and {part.file} cannot"
            why += "" if missing else f" be read: {reason}."
            right = f"Paths are counted from the folder of {self.faults.file_of(word.line)}."
            self._refuse(word, f"include names {shown(word.value)}, {why}", right)
            return
        self.digests.append((part.path, hashlib.sha256(content).hexdigest()))
        try:
            document = read_nodes(content, part.file, included=True)
        except ModelFileError as error:
            self.complete = False
            self.faults.extend(error.problems)
            return
        self.nodes += document.nodes
        if self.nodes > NODE_LIMIT:
            self._refuse(
                word,
                f"The included files hold more than {NODE_LIMIT:,} values together.",
                "Include less.",
            )
            return
        self.faults.extend(document.problems)
        top = Line(1, part.file)
        if isinstance(document.root, Pairs):
            keys = {key.value: key.line for key, _ in document.root.pairs}
            if "faultfinder_model" in keys:
                self.complete = False
                self.faults.add(
                    keys["faultfinder_model"],
                    "This is a model of its own, and it is included as a part file "
                    f"({self.faults.place(word.line, top)}).",
                    f"Include files that begin with {MARK}: {PARTS_VERSION}.",
                )
                return
        known = [*PART_FILE, *NAMED, *LISTED, *SINGLE]
        fields = Fields(self.faults, document.root, top, "the part file", known)
        if not fields.usable:
            self.complete = False
            return
        fields.version(MARK, PARTS_VERSION, f"A part file begins with {MARK}: {PARTS_VERSION}.")
        fields.text("about")
        if "include" in fields:
            part.includes += self.take(fields, part.path, (*trail, part.path))
        for section in self.entries:
            self._add(section, part, _entries(fields, section, part))
        for section in SINGLE:
            node = fields.node(section) if section in fields else None
            if node is not None:
                self._add_single(Text(section, fields.line_of(section)), node, part)

    def _add_single(self, word: Text, node: Node, part: Part) -> None:
        if word.value in self.single:
            other = self.faults.place(self.single[word.value][0].line, word.line)
            self.faults.add(
                word.line,
                f"{word.value} is included twice: also from {other}.",
                "Keep it in one of the two files.",
            )
        else:
            self.single[word.value] = (word, node, part)

    def _add(self, section: str, part: Part, entries: Mapping[Key, Entry]) -> None:
        kind = NAMED.get(section) or LISTED[section][0]
        there = self.entries[section]
        for key, entry in entries.items():
            if key in there:
                part.used += 1  # told here, so not again as a file that adds nothing
                other = self.faults.place(there[key].line, entry.line)
                self.faults.add(
                    entry.line,
                    f"The {kind} {shown(' to '.join(key))} is included twice: also from {other}.",
                    "Keep it in one of the two files.",
                )
            else:
                there[key] = entry


def _entries(fields: Fields, section: str, part: Part | None) -> dict[Key, Entry]:
    if section in NAMED:
        return {(w.value,): Entry(w, node, part) for w, node in fields.entries(section)}
    found: dict[Key, Entry] = {}
    for number, node in enumerate(fields.items(section)):
        found[_list_key(node, section, number, found)] = Entry(None, node, part)
    return found


def _list_key(node: Node, section: str, number: int, taken: Mapping[Key, Entry]) -> Key:
    """What tells an entry of a list from others; readers tell later what is wrong with it."""
    pairs = {key.value: value for key, value in node.pairs} if isinstance(node, Pairs) else {}
    words = [pairs.get(name) for name in LISTED[section][1]]
    key = tuple(word.value for word in words if isinstance(word, Text))
    if len(key) == len(words) and key not in taken:
        return key
    return (*key, f"entry {number + 1}", str(node.line))


def _merged(root: Pairs, gathered: _Gathered, faults: Faults) -> tuple[tuple[Text, Node], ...]:
    """The keys of the model, each section with its own entries first and the included after."""
    own = {key.value: (key, node) for key, node in root.pairs}
    for section, included in gathered.entries.items():
        if not included:
            continue
        first = next(iter(included.values()))
        key, node = own.get(section, (Text(section, first.line), None))
        entries: dict[Key, Entry] = {}
        shape = Pairs if section in NAMED else Items
        if isinstance(node, shape):
            silent = Fields(faults, Pairs(((key, node),), key.line), key.line, "", [section])
            for name, entry in _entries(silent, section, None).items():
                entries[name] = _extended(entry, included.get(name), faults, section, included)
        elif node is not None:
            continue  # of the wrong shape, which its reader tells
        for name, entry in included.items():
            if name not in entries:
                entries[name] = entry
                if entry.part is not None and section != "word_lists":
                    entry.part.used += 1
        own[section] = key, _section(entries.values(), key.line)
    for section, (key, node, part) in gathered.single.items():
        if section not in own:
            own[section] = key, node
            part.used += 1
    return tuple(own.values())


def _section(entries: Iterable[Entry], line: int) -> Node:
    named = [(entry.word, entry.node) for entry in entries if entry.word is not None]
    if named:
        return Pairs(tuple(named), line)
    return Items(tuple(entry.node for entry in entries), line)


def _extended(
    entry: Entry,
    base: Entry | None,
    faults: Faults,
    section: str,
    included: Mapping[Key, Entry],
) -> Entry:
    """An entry of the model; with `extends: yes` in it, what it leaves out is as included."""
    if not isinstance(entry.node, Pairs) or section == "word_lists":
        return entry
    given = {key.value: (key, value) for key, value in entry.node.pairs}
    if "extends" not in given:
        return entry
    word, value = given.pop("extends")
    kind = NAMED.get(section) or LISTED[section][0]
    if not isinstance(value, Text) or value.value != "yes":
        faults.add(
            word.line, f"extends of this {kind} is not yes.", "Write extends: yes, or leave it out."
        )
    if base is None or not isinstance(base.node, Pairs):
        names: Sequence[str] = [" to ".join(key) for key in included]
        name = "This" if entry.word is None else shown(entry.word.value)
        faults.add(
            word.line,
            f"{name} extends a {kind} that no included file defines.",
            did_you_mean("" if entry.word is None else entry.word.value, names),
        )
        return Entry(entry.word, Pairs(tuple(given.values()), entry.node.line))
    kept = {key.value: (key, value) for key, value in base.node.pairs}
    if any(form in given for form in FORMS):
        kept = {key: pair for key, pair in kept.items() if key not in FORMS}
    if base.part is not None:
        base.part.used += 1
    if section == "figures" and {"given"} <= given.keys() & kept.keys():
        given["given"] = given["given"][0], _rows_joined(given["given"][1], kept["given"][1])
    return Entry(entry.word, Pairs(tuple((kept | given).values()), entry.node.line))


def _rows_joined(own: Node, included: Node) -> Node:
    """The rows of the model's figures, then those included whose key it does not give."""
    if not isinstance(own, Pairs) or not isinstance(included, Pairs):
        return own
    keys = {key.value for key, _ in own.pairs}
    more = tuple(pair for pair in included.pairs if pair[0].value not in keys)
    return Pairs((*own.pairs, *more), own.line)
