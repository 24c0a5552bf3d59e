"""Words about figures, old and new, that the lead's pages have in common."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.learning.em.parameters import Place
from faultfinder.learning.judge.replay import Comparison, Share
from faultfinder.model.parts import FaultModel, FirstOf, SimpleTest, Table
from faultfinder.report.wording import counted, percent

_MEASURES = {
    "log_loss": ("Log loss, each cause, nats", False),
    "brier": ("Brier score, each cause", False),
    "label_log_loss": ("Log loss of the whole label, nats", False),
    "top1": ("Confirmed cause leads, %", True),
    "top3": ("Confirmed cause among the first 3, %", True),
}
"""What each score is called, and whether more of it is better."""


def score_rows(found: Comparison) -> list[tuple[str, str, str, str, str]]:
    """Each score: its name, old, new, the interval of new - old, and what follows from it."""
    rows = []
    for name, (words, upward) in _MEASURES.items():
        difference = found.differences.get(name)
        if difference is None:
            continue
        old, new = getattr(found.old, name), getattr(found.new, name)
        scale, places = (100.0, 0) if isinstance(old, Share) else (1.0, 3)
        low, high = (f"{bound * scale:+.{places}f}" for bound in difference.interval)
        better = (difference.mean > 0.0) == upward
        verdict = ("better" if better else "worse") if difference.clear else "not clear"
        rows.append((words, _score(old), _score(new), f"{low} to {high}", verdict))
    return rows


def _score(score: Share | float) -> str:
    return percent(score.share) if isinstance(score, Share) else f"{score:.3f}"


def impossible_words(found: Comparison) -> str:
    """Which figures hold tickets impossible; "" when none do."""
    return " ".join(
        f"The {which} figures hold {counted(len(numbers), 'ticket')} impossible."
        for which, numbers in (("old", found.impossible_old), ("new", found.impossible_new))
        if numbers
    )


def share_words(value: float) -> str:
    """Percent with two figures, or three from 10 on."""
    if 0.0 < value < 1e-5:
        return "<0.001"
    return f"{value * 100:.2g}" if value < 0.1 else f"{value * 100:.3g}"


CAUSES_NAMED = 3
"""Causes of one row that are named; more are counted."""


def figure_words(model: FaultModel, place: Place) -> str:
    """What a figure is of and when it holds, in the titles of the model."""
    what = model.by_name[place.variable].title
    told = model.by_name[place.variable].distribution
    if place.kind == "link" and place.parent is not None:
        return f"{what}, from: {_title(model, place.parent, place.state or '')}"
    if place.kind == "leak":
        return f"{what}, by itself"
    if isinstance(told, SimpleTest):
        there = "is" if place.kind == "sensitivity" else "is not"
        return f"{what}, when this {there} so: {model.by_name[told.of].title}"
    if place.row is None or not isinstance(told, Table):
        return what
    if place.key == "none":
        return f"{what}, with no fault present"
    if place.key == "default":
        return f"{what}, with any other fault"
    held = told.rows[place.row].when
    return f"{what}, with {_held_words(model, held)}" if held else f"{what}, in all other cases"


def _held_words(model: FaultModel, held: Mapping[str, Sequence[str]]) -> str:
    said = []
    for parent, states in held.items():
        if isinstance(model.by_name[parent].distribution, FirstOf):
            named = [_title(model, *state.partition(".")[::2]) for state in states]
        else:
            named = [_title(model, parent, state) for state in states]
        more = len(named) - CAUSES_NAMED
        said.append(" or ".join(named[:CAUSES_NAMED]) + (f" or {more} more" if more > 0 else ""))
    return " and ".join(said)


def _title(model: FaultModel, name: str, state: str) -> str:
    if name not in model.by_name:
        return "no fault present"
    variable = model.by_name[name]
    faults = variable.states[1:]
    return variable.title + ("" if faults == (state,) else f" ({state.replace('_', ' ')})")
