"""Taking the keys of one mapping: present, of the right type, and spelt right.

A misspelt key is reported and then read as the one that was meant, so that one slip
does not hide what else is wrong.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from faultfinder.errors import did_you_mean, nearest
from faultfinder.model.reading.faults import Faults, figure, shown
from faultfinder.model.reading.yaml_nodes import Items, Node, Pairs, Text

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\Z")
_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_STATE = re.compile(r"[a-z][a-z0-9_-]*\Z")
NAME_LENGTH = 60
_JOINERS = "\u200c\u200d"  # invisible, yet part of proper spelling in some scripts


def described(node: Node) -> str:
    """What a node is, for 'expected ..., found ...'."""
    if isinstance(node, Items):
        return "a list" if node.items else "an empty list"
    if isinstance(node, Pairs):
        first = f" ({shown(node.pairs[0][0].value)}: ...)" if node.pairs else ""
        return f"a set of keys{first}"
    return "nothing" if is_empty(node) else shown(node.value)


def is_empty(node: Node) -> bool:
    """Whether nothing stands here: `key:` with nothing after it, or YAML's ~ and null."""
    if isinstance(node, Text):
        return not node.value.strip() or (node.plain and node.value in ("~", "null"))
    return False


def colon_hint(node: Node) -> str:
    """An added sentence for text that YAML took for keys because it holds ': '."""
    return ' Text that holds ": " needs quotes around it.' if isinstance(node, Pairs) else ""


LARGEST = 1e9
"""Minutes, money, days and readings beyond this are slips; sums of them stay finite."""


def read_number(
    faults: Faults,
    node: Node,
    label: str,
    low: float | None = None,
    high: float | None = None,
    above: bool = False,
) -> float | None:
    """A finite number in [low, high] ((low, high] with `above`); else a problem and None."""
    what = _range(low, high, above)
    if not isinstance(node, Text) or is_empty(node):
        faults.add(node.line, f"{label} is {described(node)}.", f"It must be {what}.")
        return None
    text = node.value.strip()
    if not _NUMBER.match(text):
        faults.add(
            node.line, f"{label} is {shown(text)}.", f"It must be {what}{_number_hint(text)}."
        )
        return None
    value = float(text)
    if not math.isfinite(value):
        faults.add(
            node.line, f"{label} is {shown(text)}, beyond any number.", f"It must be {what}."
        )
        return None
    if high is None and abs(value) > LARGEST:
        faults.add(
            node.line, f"{label} is {shown(text)}.", f"It must be {what}, up to {LARGEST:,.0f}."
        )
        return None
    too_low = low is not None and (value <= low if above else value < low)
    if too_low or (high is not None and value > high):
        faults.add(
            node.line,
            f"{label} is {text if len(text) < 25 else figure(value)}.",
            f"It must be {what}.",
        )
        return None
    return value + 0.0  # no negative zero


def _range(low: float | None, high: float | None, above: bool) -> str:
    if low is None:
        return "a number"
    if high is None:
        return f"a number above {low:g}" if above else f"a number, {low:g} or more"
    start = "above" if above else "from"
    return f"a number {start} {low:g} {'and at most' if above else 'to'} {high:g}"


def _number_hint(text: str) -> str:
    if text.endswith("%") and _NUMBER.match(text[:-1].strip()):
        return f": write {float(text[:-1]) / 100:g}"
    if text.count(",") == 1 and _NUMBER.match(text.replace(",", ".")):
        return f": write {text.replace(',', '.')}, with a point"
    return ""


def clean_text(faults: Faults, node: Text, label: str) -> str:
    """Text on one line; a character that cannot be printed is a problem."""
    text = " ".join(node.value.split())
    if not all(c.isprintable() or c in _JOINERS for c in text):
        bad = next(c for c in text if not (c.isprintable() or c in _JOINERS))
        faults.add(
            node.line,
            f"{label} holds the character U+{ord(bad):04X}, which cannot be printed.",
            "Take it out.",
        )
        return ""
    return text


def good_name(faults: Faults, word: Text, label: str) -> bool:
    """Whether a name is well formed; else a problem."""
    return _well_formed(faults, word, label, _NAME, "digits and underscores")


def good_state(faults: Faults, word: Text, label: str) -> bool:
    """Whether a state's name is well formed; else a problem."""
    if word.value == "basis":
        faults.add(word.line, f'{label} is called "basis".', "That key has a meaning of its own.")
        return False
    return _well_formed(faults, word, label, _STATE, "digits, underscores and hyphens")


def _well_formed(
    faults: Faults, word: Text, label: str, pattern: re.Pattern[str], others: str
) -> bool:
    if len(word.value) > NAME_LENGTH:
        faults.add(
            word.line,
            f"{label} is called {shown(word.value)}, {len(word.value)} characters long.",
            f"A name has at most {NAME_LENGTH}.",
        )
        return False
    if pattern.match(word.value):
        return True
    better = re.sub(r"[^a-z0-9_]+", "_", word.value.lower()).strip("_")
    hint = f", such as {better}" if _NAME.match(better) else ""
    faults.add(
        word.line,
        f"{label} is called {shown(word.value)}.",
        f"A name holds small letters, {others}, and begins with a letter{hint}.",
    )
    return False


class Fields:
    """The keys of one mapping. `label` says what it is: 'cause corroded'."""

    def __init__(
        self, faults: Faults, node: Node, line: int, label: str, known: Iterable[str]
    ) -> None:
        known = tuple(known)
        self.faults = faults
        self.line = line
        self.label = label
        self.usable = isinstance(node, Pairs)
        self._values: dict[str, tuple[Text, Node]] = {}
        if isinstance(node, Pairs):
            self._sort(node.pairs, known)
        else:
            shape = ", ".join(f"{key}: ..." for key in known[:3])
            faults.add(
                node.line if not is_empty(node) else line,
                f"{label} is {described(node)}.",
                f"It must be a set of keys ({shape}).",
            )

    def _sort(self, pairs: Sequence[tuple[Text, Node]], known: Sequence[str]) -> None:
        self._values = {key.value: (key, value) for key, value in pairs if key.value in known}
        for key, value in pairs:
            if key.value in known:
                continue
            missing = [name for name in known if name not in self._values]
            meant = nearest(key.value, missing)
            self.faults.add(
                key.line,
                f"{shown(key.value)} is not a key of {self.label}.",
                f"Did you mean {meant}?" if meant else did_you_mean(key.value, known),
            )
            if meant:
                self._values[meant] = (key, value)

    def __contains__(self, key: str) -> bool:
        return key in self._values

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys that are there, in the order of the file."""
        return tuple(sorted(self._values, key=lambda key: self._values[key][0].line))

    def line_of(self, key: str) -> int:
        """The line of a key, or of the whole when it is not there."""
        return self._values[key][0].line if key in self._values else self.line

    def node(self, key: str, needed: str = "") -> Node | None:
        """The value of `key`; when it is missing, a problem if `needed` says what to write."""
        if key not in self._values:
            if needed and self.usable:
                self.faults.add(self.line, f"{self.label} has no {key}.", needed)
            return None
        word, value = self._values[key]
        if is_empty(value):
            self.faults.add(
                word.line,
                f"{key} of {self.label} is empty.",
                needed or "Give it a value, or leave the key out.",
            )
            return None
        return value

    def inner(
        self, key: str, known: Iterable[str], label: str = "", needed: str = ""
    ) -> Fields | None:
        """The keys under `key`, called `label`; None where it is not there."""
        node = self.node(key, needed)
        if node is None:
            return None
        label = label or f"the {key} of {self.label}"
        return Fields(self.faults, node, self.line_of(key), label, known)

    def version(self, key: str, number: int, right: str) -> None:
        """A problem where the file does not say that it is of this version."""
        word = self.word(key, right)
        if word is not None and word.value.strip() != str(number):
            self.faults.add(word.line, f"{key} is {shown(word.value)}.", right)

    def pick(
        self, key: str, allowed: Mapping[str, object] | Sequence[str], kind: str, needed: str = ""
    ) -> str | None:
        """The word under a key when it is among `allowed`; see `pick`."""
        word = self.word(key, needed)
        return None if word is None else pick(self.faults, word, allowed, self.label, kind)

    def picked(
        self, key: str, allowed: Mapping[str, object] | Sequence[str], kind: str
    ) -> tuple[str, ...]:
        """The words under a key that are among `allowed`."""
        found = [pick(self.faults, word, allowed, self.label, kind) for word in self.words(key)]
        return tuple(name for name in found if name is not None)

    def word(self, key: str, needed: str = "") -> Text | None:
        """A single word as written."""
        node = self.node(key, needed)
        if node is None or isinstance(node, Text):
            return node
        self.faults.add(
            self.line_of(key),
            f"{key} of {self.label} is {described(node)}.",
            f"It must be a single word or text.{colon_hint(node)}",
        )
        return None

    def text(self, key: str, needed: str = "") -> str:
        """Text on one line; '' when it is not there."""
        word = self.word(key, needed)
        return "" if word is None else clean_text(self.faults, word, f"{key} of {self.label}")

    def words(self, key: str, needed: str = "") -> tuple[Text, ...]:
        """A list of words (a single word counts as a list of one), without repeats."""
        node = self.node(key, needed)
        if node is None:
            return ()
        return read_words(self.faults, node, f"{key} of {self.label}", self.line_of(key), needed)

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of lines of text; a single text counts as a list of one."""
        found = (
            clean_text(self.faults, word, f"{key} of {self.label}") for word in self.words(key)
        )
        return tuple(text for text in found if text)

    def number(
        self,
        key: str,
        needed: str = "",
        low: float | None = 0.0,
        high: float | None = None,
        above: bool = False,
    ) -> float | None:
        """A number in range, or None with a problem when it is missing or wrong."""
        node = self.node(key, needed)
        if node is None:
            return None
        return read_number(self.faults, node, f"{key} of {self.label}", low, high, above)

    def yes_no(self, key: str, default: bool, needed: str = "") -> bool:
        """`yes` or `no`."""
        word = self.word(key, needed)
        if word is None:
            return default
        if word.value not in ("yes", "no"):
            self.faults.add(
                word.line,
                f"{key} of {self.label} is {shown(word.value)}.",
                "It must be yes or no.",
            )
            return default
        return word.value == "yes"

    def entries(self, key: str, needed: str = "") -> tuple[tuple[Text, Node], ...]:
        """The entries of a key that holds names with something under each."""
        node = self.node(key, needed)
        if node is None:
            return ()
        if isinstance(node, Pairs):
            if not node.pairs and needed:
                self.faults.add(self.line_of(key), f"{key} of {self.label} is empty.", needed)
            return node.pairs
        self.faults.add(
            self.line_of(key),
            f"{key} of {self.label} is {described(node)}.",
            "It must be names, each with its own entry under it (name: ...).",
        )
        return ()

    def each(
        self, key: str, kind: str, known: Iterable[str], needed: str = ""
    ) -> Iterator[tuple[str, Fields]]:
        """The same, each entry's name with its keys; `kind` says what an entry is. A badly formed
        name is a problem."""
        for word, node in self.entries(key, needed):
            good_name(self.faults, word, f"A {kind}")
            yield word.value, Fields(self.faults, node, word.line, f"{kind} {word.value}", known)

    def numbered(self, key: str, kind: str, known: Iterable[str]) -> Iterator[Fields]:
        """The keys of each item of a list, which is called by its kind and number."""
        for number, node in enumerate(self.items(key), 1):
            yield Fields(self.faults, node, node.line, f"{kind} {number}", known)

    def items(self, key: str, needed: str = "") -> tuple[Node, ...]:
        """The items of a key that holds a list."""
        node = self.node(key, needed)
        if node is None:
            return ()
        if isinstance(node, Items):
            if not node.items and needed:
                self.faults.add(self.line_of(key), f"{key} of {self.label} is empty.", needed)
            return node.items
        self.faults.add(
            self.line_of(key),
            f"{key} of {self.label} is {described(node)}.",
            "It must be a list, each item on a line that begins with a dash.",
        )
        return ()


def read_words(
    faults: Faults, node: Node, label: str, line: int, needed: str = ""
) -> tuple[Text, ...]:
    """The words of a list, or a single one; each only once."""
    if isinstance(node, Text) and not is_empty(node):
        return (node,)
    if not isinstance(node, Items):
        faults.add(line, f"{label} is {described(node)}.", f"It must be a list.{colon_hint(node)}")
        return ()
    if not node.items and needed:
        faults.add(line, f"{label} is an empty list.", needed)
    words: dict[str, Text] = {}
    for item in node.items:
        if not isinstance(item, Text) or is_empty(item):
            faults.add(
                item.line,
                f"One item of {label} is {described(item)}.",
                f"It must be a word or text.{colon_hint(item)}",
            )
        elif item.value in words:
            faults.add(item.line, f"{label} lists {shown(item.value)} twice.", "Once is enough.")
        else:
            words[item.value] = item
    return tuple(words.values())


def pick(
    faults: Faults,
    word: Text,
    allowed: Mapping[str, object] | Sequence[str],
    label: str,
    kind: str,
) -> str | None:
    """`word` when it is among `allowed`; else a problem, and what was probably meant.

    Going on with the one that was meant keeps one slip from bringing up others.
    """
    if word.value in allowed:
        return word.value
    faults.add(
        word.line,
        f"{label} names the {kind} {shown(word.value)}, which is not there.",
        did_you_mean(word.value, list(allowed)),
    )
    return nearest(word.value, list(allowed))


def picked_states(
    faults: Faults, words: Iterable[Text], states: Sequence[str], label: str, kind: str = "state"
) -> tuple[str, ...]:
    """The words that are among the states of something; nothing is said where none of those could
    be read, which is told elsewhere."""
    found = [pick(faults, word, states, label, kind) for word in words] if states else []
    return tuple(state for state in found if state is not None)
