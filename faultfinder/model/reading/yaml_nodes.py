"""Text -> a tree of words, lists and keyed values, each with its line.

We read YAML's nodes and not its types: `no`, `on` or `1.0` stay as they are written
(Loading them would turn a state called `no` into False). What cannot be a model file
at all - not YAML, not UTF-8, endless or exploding aliases - is refused here.
"""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass
from typing import Any

import yaml

from faultfinder.errors import ModelFileError, Problem
from faultfinder.model.reading.faults import PROBLEM_LIMIT, Line, printable, shown

SIZE_LIMIT = 1_000_000
"""Bytes above which a file is not read."""

NODE_LIMIT = 30_000
"""Words, lists and key sets in a file, with every alias written out."""

KEY_LENGTH = 1000
"""Characters of a key at most: a row of figures may name many causes."""

DEPTH_LIMIT = 40
"""Levels of nesting; a model file needs about eight."""


@dataclass(frozen=True)
class Text:
    """A word or text as written; `plain` when it stands without quotes."""

    value: str
    line: int
    plain: bool = True


@dataclass(frozen=True)
class Items:
    """A list."""

    items: tuple[Node, ...]
    line: int


@dataclass(frozen=True)
class Pairs:
    """Keys with values, in the order of the file; no key comes twice."""

    pairs: tuple[tuple[Text, Node], ...]
    line: int


Node = Text | Items | Pairs

_DIFFERS = re.compile(r"[\t\x85\u2028\u2029]|\r(?!\n)|^[ -]*\?\s", re.MULTILINE)
"""Where libyaml takes what PyYAML refuses, or counts lines otherwise: tabs, rare ends of lines,
question marks before a key."""


@dataclass(frozen=True)
class Document:
    """What a file holds, and what was wrong in it that did not stop the reading."""

    root: Node
    problems: tuple[Problem, ...]
    nodes: int = 0


def read_nodes(content: bytes, file: str, included: bool = False) -> Document:
    """The tree of a file's content; with `included` its lines bring the file's name along.

    Raises ModelFileError when it is too long, not UTF-8, not YAML, empty, holds several
    documents, is nested too deep, or its aliases never end or grow beyond NODE_LIMIT.
    """
    if len(content) > SIZE_LIMIT:
        raise _refusal(
            file,
            1,
            f"The file holds {len(content):,} bytes.",
            f"A model file holds at most {SIZE_LIMIT:,}.",
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _refusal(
            file,
            content.count(b"\n", 0, error.start) + 1,
            f"The byte 0x{content[error.start]:02x} here is not UTF-8.",
            "Save the file as plain text in UTF-8.",
        ) from None
    return _compose(text, file, included)


def _compose(text: str, file: str, included: bool) -> Document:
    if yaml.__with_libyaml__ and not _DIFFERS.search(text):
        # A third of the time. What is wrong is told in the words of the slower reader.
        with contextlib.suppress(Exception):
            return _read(_Quick(text, file, included))
    composer: _Plain | None = None
    try:
        composer = _Plain(text, file, included)
        return _read(composer)
    except yaml.YAMLError as error:
        raise _from_yaml(error, text, file) from None
    except RecursionError:
        raise _too_deep(file, _line_reached(composer)) from None
    except (ValueError, LookupError, ArithmeticError):
        # PyYAML lets these slip on escapes and directives with absurd numbers.
        raise _refusal(
            file,
            _line_reached(composer),
            "This cannot be read as YAML: an escape or directive in it makes no sense.",
            "Write the text plainly, without escapes or directives.",
        ) from None
    finally:
        if composer is not None:
            composer.dispose()


def _read(composer: _Composer) -> Document:
    root = composer.get_single_node()
    if root is None:
        raise _refusal(
            composer.file, 1, "The file is empty.", "A model file begins with faultfinder_model: 1."
        )
    return Document(composer.built[id(root)], tuple(composer.problems), composer.total)


class _Composer(yaml.composer.Composer):
    """PyYAML's composer, with our nodes built as it goes and its aliases counted; a parser
    beside it brings the events."""

    def _begin(self, file: str, included: bool) -> None:
        self.anchors: dict[str, Any] = {}
        self._included = included
        self.file = file
        self.problems: list[Problem] = []
        self.built: dict[int, Node] = {}
        self._sizes: dict[int, tuple[int, int]] = {}
        self.total = 0
        self._characters = 0
        self._depth = 0

    def resolve(self, *_: Any) -> str:
        """No types are read."""
        return ""

    def descend_resolver(self, *_: Any) -> None: ...

    def ascend_resolver(self) -> None: ...

    def compose_node(self, parent: Any, index: Any) -> Any:
        event: Any = self.peek_event()  # type: ignore[attr-defined]
        line = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent):
            node: Any = super().compose_node(parent, index)
            if id(node) not in self._sizes:
                raise _refusal(
                    self.file,
                    line,
                    f"The alias *{event.anchor} stands inside what it stands for, without end.",
                    "Write the values out.",
                )
            self._count(*self._sizes[id(node)], line)
            return node
        tag = getattr(event, "tag", None)
        if tag not in (None, "!"):
            written = str(tag).replace("tag:yaml.org,2002:", "!!")
            self._problem(
                line,
                f"The tag {shown(written)} has no meaning in a model file.",
                "Leave it out.",
            )
        self._depth += 1
        if self._depth > DEPTH_LIMIT:
            raise _too_deep(self.file, line)
        before = self.total, self._characters
        self._count(1, len(getattr(event, "value", "") or ""), line)
        node = super().compose_node(parent, index)
        self._depth -= 1
        self._sizes[id(node)] = self.total - before[0], self._characters - before[1]
        self.built[id(node)] = self._build(node)
        return node

    def _count(self, nodes: int, characters: int, line: int) -> None:
        self.total += nodes
        self._characters += characters
        if self._characters > SIZE_LIMIT:
            raise _refusal(
                self.file,
                line,
                f"Up to here the file holds more than {SIZE_LIMIT:,} characters, with its "
                "aliases written out.",
                "Use fewer aliases of long texts.",
            )
        if self.total > NODE_LIMIT:
            raise _refusal(
                self.file,
                line,
                f"Up to here the file holds more than {NODE_LIMIT:,} values, with its aliases "
                "written out.",
                "Use fewer aliases, or a smaller model.",
            )

    def _build(self, node: Any) -> Node:
        line = node.start_mark.line + 1
        if self._included:
            line = Line(line, self.file)
        if isinstance(node, yaml.ScalarNode):
            return Text(str(node.value), line, not node.style)
        if isinstance(node, yaml.SequenceNode):
            return Items(tuple(self.built[id(item)] for item in node.value), line)
        pairs: dict[str, tuple[Text, Node]] = {}
        for key_node, value_node in node.value:
            key_line = key_node.start_mark.line + 1
            key = self.built[id(key_node)]
            if not isinstance(key, Text):
                self._problem(
                    key_line,
                    "A key must be a single word, and this one is a list or a set of keys.",
                    "Write word: value.",
                )
            elif len(key.value) > KEY_LENGTH:
                self._problem(
                    key_line,
                    f"The key {shown(key.value)} is {len(key.value):,} characters long.",
                    f"A key has at most {KEY_LENGTH:,}.",
                )
            elif key.value in pairs:
                first = pairs[key.value][0].line
                self._problem(
                    key_line,
                    f"The key {shown(key.value)} stands here for the second time "
                    f"(first on line {first}).",
                    "Keep one of the two.",
                )
            else:
                # An aliased key keeps the line of its anchor; fine for a message.
                pairs[key.value] = (key, self.built[id(value_node)])
        return Pairs(tuple(pairs.values()), line)

    def _problem(self, line: int, found: str, right: str) -> None:
        if len(self.problems) < PROBLEM_LIMIT:
            self.problems.append(Problem(self.file, line, printable(found), printable(right)))


class _Plain(_Composer, yaml.reader.Reader, yaml.scanner.Scanner, yaml.parser.Parser):
    """With the parser that is written in Python."""

    def __init__(self, text: str, file: str, included: bool) -> None:
        yaml.reader.Reader.__init__(self, text)
        yaml.scanner.Scanner.__init__(self)
        yaml.parser.Parser.__init__(self)
        self._begin(file, included)


if yaml.__with_libyaml__:

    class _Quick(_Composer, yaml.CSafeLoader):
        """With libyaml's parser."""

        def __init__(self, text: str, file: str, included: bool) -> None:
            yaml.CSafeLoader.__init__(self, text)
            self._begin(file, included)


def _line_reached(composer: _Plain | None) -> int:
    return 1 if composer is None else composer.line + 1


def _refusal(file: str, line: int, found: str, right: str) -> ModelFileError:
    return ModelFileError([Problem(file, line, printable(found), printable(right))])


def _too_deep(file: str, line: int) -> ModelFileError:
    return _refusal(
        file,
        line,
        f"The nesting goes deeper than {DEPTH_LIMIT} levels here.",
        "A model file needs about eight: look for brackets that are not closed.",
    )


_HINTS = (
    ("mapping values are not allowed", 'Text that holds ": " needs quotes around it.'),
    ("'\\t'", "Indent with spaces, not with tabs."),
    ("could not find expected ':'", "Every line of a key reads key: value; look one line up too."),
    ("found undefined alias", "Name an anchor (&name) that stands further up."),
    ("found duplicate anchor", "Give every anchor a name of its own."),
    ("expected a single document", "Keep one model to a file, without a second ---."),
    ("cannot start any token", "Put quotes around text that begins with this character."),
    ("found unexpected end of stream", "Close the quotes."),
    (
        "expected <block end>",
        "Lines that belong together begin in the same column. "
        "Look also for quotes further up that are not closed.",
    ),
    ("',' or ']'", "Close the list with ], and put a comma between its items."),
    ("',' or '}'", "Close it with }, and put a comma between its entries."),
)


def _from_yaml(error: yaml.YAMLError, text: str, file: str) -> ModelFileError:
    """One sentence out of what PyYAML says."""
    if isinstance(error, yaml.reader.ReaderError):
        line = text.count("\n", 0, int(error.position)) + 1
        return _refusal(
            file,
            line,
            f"The character U+{ord(text[int(error.position)]):04X} here cannot be in a text file.",
            "Take it out; save the file as plain text in UTF-8.",
        )
    if not isinstance(error, yaml.MarkedYAMLError):
        return _refusal(file, 1, f"This is not YAML: {error}.", "")
    mark = error.problem_mark or error.context_mark
    line = 1 if mark is None else mark.line + 1
    column = "" if mark is None else f" (column {mark.column + 1})"
    said = str(error.problem or error.context or "it cannot be read")
    # The composer names the second document, or the alias, in `problem` or `context`.
    whole = f"{error.context or ''} {said}"
    began = ""
    if error.context_mark is not None and error.context_mark.line + 1 != line:
        began = f", in what begins on line {error.context_mark.line + 1}"
    right = next(
        (hint for key, hint in _HINTS if key in whole), "Mend this line, or the one above."
    )
    if "expected a single document" in whole:
        return _refusal(file, line, "A second document (---) begins here.", right)
    return _refusal(file, line, f"This is not YAML: {said}{column}{began}.", right)
