"""The keys of model files in words."""

from __future__ import annotations

from faultfinder.model.reading.keys import ALL
from faultfinder.model.sentences import begun
from faultfinder.report.page import Page


def keys_page() -> str:
    """Every key that a model file can hold, with its meaning, sorted by whose key it is."""
    page = Page()
    for keys in ALL:
        page.heading(begun(keys.of))
        for key, meaning in keys.items():
            page.item(f"{key}:", meaning, 2, hang=4)
    return str(page)
