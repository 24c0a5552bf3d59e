"""The sentences of a model's texts."""

from __future__ import annotations

import re


def sentences(text: str) -> list[str]:
    """The sentences of a text.

    >>> sentences("Sleep it. Then look?  Yes.")
    ['Sleep it.', 'Then look?', 'Yes.']
    """
    return re.split(r"(?<=[.?]) +", text)


def begun(text: str) -> str:
    """The same text as a sentence begins.

    >>> begun("battery off, reseat")
    'Battery off, reseat'
    """
    return text[:1].upper() + text[1:]


def within(text: str) -> str:
    """The same text as it stands within a sentence.

    >>> within("Battery off, reseat")
    'battery off, reseat'
    """
    return text[:1].lower() + text[1:]
