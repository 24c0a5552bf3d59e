"""Lists of spoken words that are written once: `words: {no: [never, {list: no}]}`.

A list stands under `word_lists`; in the words of a history or finding, `{list: NAME}`
stands for all its words.
"""

from __future__ import annotations

from collections.abc import Callable

from faultfinder.errors import did_you_mean
from faultfinder.model.reading.faults import Faults, Line, shown
from faultfinder.model.reading.fields import Fields, described, good_name, is_empty, read_words
from faultfinder.model.reading.yaml_nodes import Items, Node, Pairs, Text

WORD_LIMIT = 30_000
"""Words of lists that name others, all written out."""


def with_words_written_out(root: Node, faults: Faults) -> tuple[Node, tuple[int, ...]]:
    """`root` with every `{list: NAME}` replaced by the words of that list.

    Gives also the lines of the lists that are used. A list of the model file itself that
    nobody uses is a problem; included ones may lie ready.
    """
    if not isinstance(root, Pairs):
        return root, ()
    section = next((pair for pair in root.pairs if pair[0].value == "word_lists"), None)
    lists = _read_lists(section, faults)
    used: dict[str, None] = {}

    room = WORD_LIMIT

    def written_out(node: Node) -> Node:
        nonlocal room
        if isinstance(node, Pairs):
            node = Items((node,), node.line)
        if not isinstance(node, Items) or not any(isinstance(i, Pairs) for i in node.items):
            return node
        words: list[Node] = []
        for item in node.items:
            named = _named(item, lists, used, faults) if isinstance(item, Pairs) else [item]
            room -= len(named)
            if room < 0:
                faults.add(
                    item.line,
                    f"Up to here more than {WORD_LIMIT:,} spoken words are written out.",
                    "Use shorter word lists.",
                )
                break
            words += named
        return Items(tuple(words), node.line)

    def variables(node: Node) -> Node:
        return _mapped(node, lambda _, variable: _mapped(variable, words_of))

    def words_of(key: str, node: Node) -> Node:
        return _mapped(node, lambda _, words: written_out(words)) if key == "words" else node

    whole = _mapped(root, lambda k, v: variables(v) if k in ("histories", "findings") else v)
    for word, _ in lists.values():
        if word.value not in used and not isinstance(word.line, Line):
            faults.add(
                word.line,
                f"No words name the word list {shown(word.value)}.",
                f"Leave it out, or use it: {{list: {word.value}}}.",
            )
    return whole, tuple(lists[name][0].line for name in used)


def _mapped(node: Node, change: Callable[[str, Node], Node]) -> Node:
    if not isinstance(node, Pairs):
        return node
    return Pairs(tuple((key, change(key.value, value)) for key, value in node.pairs), node.line)


Lists = dict[str, tuple[Text, tuple[Text, ...]]]


def _read_lists(section: tuple[Text, Node] | None, faults: Faults) -> Lists:
    if section is None:
        return {}
    line = section[0].line
    fields = Fields(faults, Pairs((section,), line), line, "the model file", ["word_lists"])
    lists: Lists = {}
    for word, words in fields.entries("word_lists", "Give a list: word_lists: {no: [never]}."):
        good_name(faults, word, "A word list")
        label = f"The word list {word.value}"
        lists[word.value] = word, read_words(faults, words, label, word.line, "Give its words.")
    return lists


def _named(node: Pairs, lists: Lists, used: dict[str, None], faults: Faults) -> list[Node]:
    """The words that `{list: NAME}` stands for, as if they stood in its place."""
    value = node.pairs[0][1] if len(node.pairs) == 1 else None
    if value is None or node.pairs[0][0].value != "list" or not isinstance(value, Text):
        faults.add(
            node.line,
            f"Among words stands {described(node)}.",
            'Write words, or {list: NAME} for a word list; text that holds ": " needs quotes.',
        )
        return []
    if value.value not in lists or is_empty(value):
        faults.add(
            value.line,
            f"The word list {shown(value.value)} is not there.",
            did_you_mean(value.value, list(lists)),
        )
        return []
    used[value.value] = None
    return [Text(word.value, value.line, word.plain) for word in lists[value.value][1]]
