"""Words about figures, old and new, that the lead's pages have in common."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from faultfinder.learning.bench.figures import BenchFigure, main_key
from faultfinder.learning.bench.learn import BenchLearnt
from faultfinder.learning.judge.changed_advice import ChangedAdvice
from faultfinder.learning.judge.judging import Jobs, Judged
from faultfinder.learning.judge.replay import Comparison, Share
from faultfinder.learning.steps import Advised
from faultfinder.model.figures import Place
from faultfinder.model.parts import FaultModel, FirstOf, SimpleTest, Table
from faultfinder.model.sentences import begun
from faultfinder.report.wording import counted, joined, percent

_MEASURES = {
    "log_loss": ("Log loss, each cause, nats", False),
    "brier": ("Brier score, each cause", False),
    "label_log_loss": ("Log loss of the whole label, nats", False),
    "top1": ("Confirmed cause leads, %", True),
    "top3": ("Confirmed cause among the first 3, %", True),
}
"""What each score is called, and whether more of it is better."""


_AGAINST = {
    "label_log_loss": "confirmed causes are foretold worse",
    "money": "a job costs more",
    "needless": "more dear parts are fitted for nothing",
    "wrong": "more repairs mend nothing",
}


def verdict_reason(judged: Judged) -> str:
    """What a verdict rests on, as a sentence; "" where nothing can be told."""
    verdict = judged.verdict
    against = joined(_AGAINST[name] for name in verdict.against)
    if verdict.word == "worse":
        return f"{begun(against)}, beyond chance."
    if against:
        return f"Causes are foretold better, but {against}: weigh the two."
    if verdict.word != "better":
        return ""
    if judged.jobs is None:
        return "Causes are foretold better; what a job costs was not played."
    cheaper = judged.jobs.differences["money"].interval[1] < 0.0
    costs = "and a job costs less" if cheaper else "but whether a job costs less cannot be told"
    return f"Causes are foretold better, {costs}."


VAIN_SHOWN = 3
VAIN_LEAST = 0.005
"""A job: what is less than one in 200 is not named."""


def vain_words(jobs: Jobs, model: FaultModel) -> str:
    """Which repairs that mend nothing the proposal makes more often, or less; "" for none."""
    moved = sorted(jobs.in_vain.items(), key=lambda one: (-abs(one[1]), one[0]))
    named = [
        f"{step_words(model, ('repair', name))} {100.0 * more:+.0f}"
        for name, more in moved[:VAIN_SHOWN]
        if abs(more) >= VAIN_LEAST
    ]
    if not named:
        return ""
    return (
        f"Repairs that mended nothing, in 100 jobs: {', '.join(named)}. The money counts each in "
        "full: one that takes no longer than a look is also made to see whether it helps."
    )


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


def bench_effect(one: BenchFigure) -> float:
    """How far a figure moved for what it is known by: for an order."""
    key = main_key(one.spot, list(one.before))
    before, after = max(one.before[key], 1e-3), max(one.after[key], 1e-3)
    return abs(math.log(after / before)) * math.sqrt(one.count)


def bench_cells(one: BenchFigure) -> tuple[str, str, str, str]:
    """Before, after, the interval, and how many times the log speaks on it."""
    key = main_key(one.spot, list(one.before))
    is_chance = one.spot[-1] == "missed" or "mends" in one.spot

    def say(value: float) -> str:
        return f"{share_words(value)} %" if is_chance else f"{value:.3g}"

    return (
        say(one.before[key]),
        say(one.after[key]),
        f"{say(one.low[key])} to {say(one.high[key])}",
        f"{max(1, round(one.count)):,}",
    )


def time_words(bench: BenchLearnt) -> str:
    """Where minutes are from, and what a step takes besides its work."""
    before, after, low, high = bench.step
    return (
        f"Minutes are from {bench.spans:,} times between entries, {percent(bench.cut)} of them let "
        f"go as pauses; the file's count for {bench.worth:.2g} times each. Besides its work a step "
        f"takes {after:.1f} min [{low:.1f} to {high:.1f}]; the shop's handling_minutes says "
        f"{before:g}."
    )


NO_RIVAL = (
    "No closed ticket with a confirmed cause is left that neither side has learnt from, or the "
    "figures in force are of other causes or findings."
)
"""Why nothing was judged."""

TICKETS_NAMED = 6
"""Tickets of one change of advice that are named; more are counted."""


def changed_words(advice: ChangedAdvice) -> str:
    """On how many tickets the advice differs."""
    if not advice.tickets:
        return "It has other causes, findings, checks or repairs than the model in force."
    many = counted(advice.tickets, "closed ticket")
    if not advice.changes:
        return f"Nothing: on the last {many} both advise the same all along."
    return (
        f"On {len(advice.changes)} of the last {many} the next step differs somewhere along the "
        "log; at the first moment that does (in force -> proposed):"
    )


def change_rows(advice: ChangedAdvice, model: FaultModel) -> list[tuple[str, str, str]]:
    """Old and new next step in titles, and on which tickets; the commonest first."""
    tickets: dict[tuple[Advised, Advised], list[int]] = {}
    for one in advice.changes:
        tickets.setdefault((one.old, one.new), []).append(one.ticket)
    rows = []
    for (old, new), numbers in sorted(tickets.items(), key=lambda item: (-len(item[1]), item[0])):
        more = len(numbers) - TICKETS_NAMED
        named = ", ".join(map(str, numbers[:TICKETS_NAMED])) + (f" and {more} more" * (more > 0))
        rows.append((step_words(model, old), step_words(model, new), named))
    return rows


def step_words(model: FaultModel, step: Advised) -> str:
    """What is advised, by its title."""
    kind, name = step
    if kind == "check" and name in model.checks_by_name:
        return model.checks_by_name[name].title
    if kind == "repair" and name in model.repairs_by_name:
        return model.repairs_by_name[name].title
    return {"impossible": "held impossible"}.get(kind, kind)


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
