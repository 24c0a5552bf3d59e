"""What the keys of a plain form mean, as a page of text."""

from __future__ import annotations

from typing import Any

from faultfinder.plain import SINGLE, Form
from faultfinder.report.page import Page


def form_page(form: Form[Any], command: str) -> str:
    """Every key with the kind of value and what it says; the keys of what it holds under it."""
    page = Page()
    page.heading(f"{command} --json")
    page.text(f"{form.title}: key, kind of value, what it says.")
    page.blank()
    kinds = ""
    for depth, key, again in form.walk():
        said = f"{key.kind}; {key.meaning}{' (keys as above)' if again else ''}."
        page.item(f"{key.name}:", said, 2 * depth, hang=4)
        kinds += f" {key.kind}"
    page.blank()
    for kind, note in SINGLE.items():
        if note and kind in kinds:
            page.item(f"{kind}:", f"{note}.")
    return str(page)
