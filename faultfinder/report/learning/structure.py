"""Doubts about a model's shape in words and in their JSON form."""

from __future__ import annotations

from faultfinder.learning.watch.structure import Doubt, ShapeTest
from faultfinder.report.page import Page
from faultfinder.report.wording import counted


def doubts_page(found: ShapeTest, name: str, least: int, share: float) -> str:
    """Which results depend on each other although the model says they do not."""
    page = Page()
    page.heading(f"Doubts about the shape of {name}")
    page.text(
        f"{counted(found.tested, 'pair')} of results tested on "
        f"{counted(found.tickets, 'closed ticket')} with confirmed causes "
        f"({found.unconfirmed:,} without left out). Only tickets with the same causes are "
        f"compared, and only pairs recorded together on {least} or more."
    )
    page.text(
        f"Not tested: {counted(found.explained, 'pair')} that the model itself lets depend on "
        f"each other, or on too few tickets apart from those; {counted(found.constant, 'pair')} "
        "that did not vary."
    )
    page.blank()
    if not found.doubts:
        page.text(
            "No pair depends on each other beyond what chance would bring. With few tickets "
            "that is no proof that the shape is right."
        )
        return str(page)
    page.heading(f"{counted(len(found.doubts), 'pair')} in doubt, the surest first")
    for number, doubt in enumerate(found.doubts, start=1):
        page.item(f"{number}.", f"{doubt.first} and {doubt.second}", 0, 3)
        page.text(_counts(doubt), 3)
        page.text(doubt.means, 3)
    page.blank()
    page.text(
        f"At most about {_percent(share)} of such pairs are false alarms in the long run. "
        "A wrongly confirmed cause, or a ticket closed because of both results, looks the same: "
        "read some of the tickets first."
    )
    page.text("The model is as it was: this command never changes its shape.")
    return str(page)


def _counts(doubt: Doubt) -> str:
    first, second = doubt.results
    return (
        f"{doubt.first}={first} with {doubt.second}={second}: "
        f"{counted(doubt.observed, 'ticket')}, {_count(doubt.expected)} expected from the "
        f"causes; {counted(doubt.tickets, 'ticket')} compared, both results varied under "
        f"{counted(doubt.cause_sets, 'set')} of causes; adjusted p {_p(doubt.adjusted)}"
    )


def _count(value: float) -> str:
    return f"{value:.0f}" if value >= 10.0 else f"{value:.1f}" if value >= 0.1 else "under 0.1"


def _p(value: float) -> str:
    return f"{value:.2g}" if value >= 0.001 else "under 0.001"


def _percent(share: float) -> str:
    return f"{share * 100:.3g} %"
