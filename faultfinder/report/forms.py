"""What the keys of a plain form mean, as a page of text."""

from __future__ import annotations

from typing import Any

from faultfinder.plain import Form
from faultfinder.report.page import Page


def form_page(form: Form[Any], command: str) -> str:
    """Every key with what stands there and what it says; the keys of what it holds under it."""
    page = Page()
    page.heading(f"{command} --json")
    page.text(f"{form.title}: key, what stands there, what it says.")
    page.blank()
    for depth, key, again in form.walk():
        said = f"{key.kind}; {key.meaning}{' (keys as above)' if again else ''}."
        page.item(f"{key.name}:", said, 2 * depth, hang=4)
    return str(page)
