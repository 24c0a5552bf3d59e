"""Texts as a database can hold them: no zero bytes, no half characters, and back again."""

from __future__ import annotations

import re

_UNKEPT = re.compile("[\x00\\\\\ud800-\udfff]")
_KEPT = re.compile(r"\\(\\|u[0-9a-f]{4})")


def keep(text: str) -> str:
    r"""The text with a backslash, zero byte or half character as an escape.

    >>> keep("a\x00b\\"), unkeep(keep("a\x00b\\")) == "a\x00b\\"
    ('a\\u0000b\\\\', True)
    """
    return _UNKEPT.sub(lambda m: "\\\\" if m[0] == "\\" else f"\\u{ord(m[0]):04x}", text)


def unkeep(kept: str) -> str:
    """What `keep` was given."""
    if "\\" not in kept:
        return kept
    return _KEPT.sub(lambda m: "\\" if m[1] == "\\" else chr(int(m[1][1:], 16)), kept)


def folded(text: str) -> str:
    """For finding by words: upper and lower case alike."""
    return keep(text).casefold()
