"""Small wordings used on every page: percent, money, lists, and text made harmless."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable

from faultfinder.model.sentences import sentences

WIDTH = 80
"""Columns of a page; no line is longer, whatever the terminal."""

# Control characters, line and paragraph separators, marks that reorder text on
# screen, and half characters left over from undecodable bytes.
_HARMFUL = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb\ud800-\udfff]"
)


def harmless(text: str) -> str:
    """The text with everything that could move a cursor or reorder it shown as an escape."""
    return _HARMFUL.sub(_escaped, text)


_SHOWN = re.compile("\n|\x1b\\[[01]m")


def harmless_lines(text: str) -> str:
    """Text of several lines made harmless; bold, as our pages set it, stays."""
    if not _HARMFUL.search(text):
        return text
    parts = _SHOWN.split(text)
    signs = [*_SHOWN.findall(text), ""]
    return "".join(harmless(part) + sign for part, sign in zip(parts, signs, strict=True))


def _escaped(match: re.Match[str]) -> str:
    if match[0] == "\x7f":
        # Written so that it stays valid within JSON, the one such sign left there.
        return "\\u007f"
    return match[0].encode("unicode_escape", "surrogatepass").decode("ascii")


def percent(probability: float) -> str:
    """Whole percent; what is not quite 0 or 100 is never shown as such.

    >>> percent(0.414), percent(0.004), percent(0.998), percent(0.0), percent(1.0)
    ('41 %', '<1 %', '>99 %', '0 %', '100 %')
    """
    return f"{_figure(probability)} %"


def _figure(probability: float) -> str:
    if probability <= 1e-12:
        return "0"
    if probability >= 1.0 - 1e-12:
        return "100"
    if probability < 0.01:
        return "<1"
    if probability > 0.99:
        return ">99"
    return f"{probability * 100:.0f}"


def share_range(ends: Iterable[float]) -> str:
    """
    >>> share_range((0.123, 0.4))
    '12 to 40 %'
    """
    low, high = ends
    return f"{low * 100:.0f} to {high * 100:.0f} %"


def before_after(before: float, after: float) -> str:
    """How a probability moves.

    >>> before_after(0.41, 0.663)
    '41 -> 66 %'
    """
    return f"{_figure(before)} -> {_figure(after)} %"


def change(before: float, after: float) -> str:
    """Whole percent points gained or lost, or "" when it is less than one.

    >>> change(0.20, 0.32), change(0.5, 0.41), change(0.2, 0.201)
    ('+12', '-9', '')
    """
    points = round((after - before) * 100)
    return f"{points:+d}" if points else ""


def bits(amount: float) -> str:
    """
    >>> bits(0.5234), bits(0.0004), bits(0.0)
    ('0.52 bits', 'under 0.01 bits', 'nothing')
    """
    if amount <= 1e-9:
        return "nothing"
    return f"{amount:.2f} bits" if amount >= 0.01 else "under 0.01 bits"


def minutes(amount: float) -> str:
    """
    >>> minutes(1.0), minutes(7.5)
    ('1 min', '7.5 min')
    """
    return f"{amount:.3g} min" if amount < 100 else f"{amount:.0f} min"


def money(amount: float, currency: str) -> str:
    """
    >>> money(3.5, "EUR")
    '3.50 EUR'
    """
    return f"{amount:,.2f} {harmless(currency)}"


def joined(items: Iterable[str], last: str = "and") -> str:
    """
    >>> joined(["a", "b", "c"]), joined(["a"])
    ('a, b and c', 'a')
    """
    words = list(items)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def unbroken(text: str) -> str:
    """The text with spaces at which a page will not break its lines."""
    return text.replace(" ", "\N{NO-BREAK SPACE}")


def counted(number: int, one: str, many: str = "") -> str:
    """
    >>> counted(1, "cause"), counted(14, "cause")
    ('1 cause', '14 causes')
    """
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def opening(text: str, least: int = 5) -> str:
    """The first sentences of a text, as many as have so many words together.

    >>> opening("Torch first. Picture by it: the light. None: the cable.")
    'Torch first. Picture by it: the light.'
    """
    said: list[str] = []
    for sentence in sentences(text):
        said.append(sentence)
        if sum(len(one.split()) for one in said) >= least:
            break
    return " ".join(said)


def shortened(text: str, width: int) -> str:
    """The text, cut with ".." when it is wider than `width` columns."""
    return text if len(text) <= width else text[: width - 2].rstrip() + ".."


def wrapped(text: str, indent: int = 0, first: str = "", width: int = WIDTH) -> list[str]:
    """Lines of at most `width` columns: `first`, then the text, hanging below its start.

    The hanging indent is `indent`; `first` is padded to it. The text is made harmless.
    """
    begin = first if len(first) > indent else first.ljust(indent)
    shown = harmless(text)
    words = shown.split(" ")
    if all(map(str.strip, words)) and max(map(len, words)) <= width - len(begin):
        # As below, in a quarter of the time: long lists are mostly this.
        lines, line, hang = [], begin + words[0], " " * indent
        for word in words[1:]:
            if len(line) + 1 + len(word) <= width:
                line = f"{line} {word}"
            else:
                lines.append(line)
                line = hang + word
        return [*lines, line]
    return textwrap.wrap(
        shown,
        width,
        initial_indent=begin,
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    ) or [begin.rstrip()]
