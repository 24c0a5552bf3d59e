"""What HTML pages have in common: text made safe, a policy that runs nothing, times."""

from __future__ import annotations

import re
from html import escape

from faultfinder.report.wording import harmless

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""For a page's Content-Security-Policy: nothing on it runs, and nothing is fetched."""


def safe(text: str) -> str:
    """The text for a page: nothing in it is taken for a tag, or moves or reorders text."""
    return escape(harmless(text))


def minute_of(at: str) -> str:
    """A time of the log to the minute; it is UTC, as the headings say."""
    return f"{at[:10]} {at[11:16]}" if re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d.*", at) else at
