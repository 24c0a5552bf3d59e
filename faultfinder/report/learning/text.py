"""Tuning and replay in words."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.learning.em.estimates import Figure, Tuned
from faultfinder.learning.em.worth import KEPT, LEAST_WORTH, Weighed
from faultfinder.learning.judge.played import Played
from faultfinder.learning.judge.replay import Comparison
from faultfinder.learning.watch.drift import Shift
from faultfinder.learning.watch.unlikely import UnlikelyTicket
from faultfinder.report.learning.plain import by_effect
from faultfinder.report.learning.words import impossible_words, score_rows, share_words
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, joined, percent

FIGURES_SHOWN = 15
HARDLY_KNOWN = 0.5
"""A credible interval wider than this is not worth its figures."""

SURE = 0.05
"""A shift is told when its adjusted p-value is below this."""


def tune_page(
    tuned: Tuned,
    changed: Sequence[Figure],
    doubtful: Sequence[UnlikelyTicket],
    shifts: Sequence[Shift],
    name: str,
) -> str:
    """What tuning found, and what to do next."""
    page = Page()
    page.heading(f"A proposal for {name}, from {counted(tuned.tickets, 'closed ticket')}")
    ended = "settled" if tuned.converged else "was stopped before it settled"
    page.text(
        f"{counted(len(changed), 'figure')} of {len(tuned.figures)} would change. The search "
        f"{ended} after {counted(tuned.rounds, 'round')}. The model in use is as it was."
    )
    for one in tuned.weighed:
        page.text(weighed_words(one))
    for warning in tuned.warnings:
        page.text(warning)
    page.text(
        "Which checks were made depended on earlier results. What was not looked at counts as "
        "unknown, given all that was recorded; a reason that is not on the ticket is not seen."
    )
    page.blank()
    page.heading("What changes beliefs most (before, after, 90 % credible interval)")
    for figure in by_effect(changed)[:FIGURES_SHOWN]:
        many = counted(max(1, round(figure.tickets)), "ticket")
        page.item("-", f"{figure.place}: {_moves(figure)} ({many})", 2)
    if len(changed) > FIGURES_SHOWN:
        page.text(f"{len(changed) - FIGURES_SHOWN} others change beliefs less.", 2)
    _add_doubtful(page, doubtful)
    _add_shifts(page, shifts)
    page.blank()
    page.text(f"Does it predict better? faultfinder replay -m {name}")
    page.text(f"Put it in force: faultfinder adopt -m {name} --by NAME")
    return str(page)


def weighed_words(one: Weighed) -> str:
    """What the file's figures of a group count for beside the tickets."""
    if one.factor == KEPT:
        return (
            f"The file's {one.group} stand: on tickets held out nothing did better than they, "
            "beyond chance."
        )
    return (
        f"The file's {one.group} count for {one.factor:g} times the tickets it says, at least "
        f"{LEAST_WORTH:g}: that did best on tickets held out."
    )


def _moves(figure: Figure) -> str:
    told = []
    for place in range(1, len(figure.states)):
        if abs(figure.after[place] - figure.before[place]) > 0.0:
            low, high = figure.low[place], figure.high[place]
            within = f"[{share_words(low)} to {share_words(high)}]"
            if high - low > HARDLY_KNOWN:
                within = "[hardly known]"
            told.append(
                f"{figure.states[place]} {share_words(figure.before[place])} -> "
                f"{share_words(figure.after[place])} % {within}"
            )
    return ", ".join(told)


def _add_doubtful(page: Page, doubtful: Sequence[UnlikelyTicket]) -> None:
    if not doubtful:
        return
    page.blank()
    page.heading("Tickets to read again, the least likely cause first")
    for ticket in doubtful:
        against = joined(f"{one.finding}={one.result}" for one in ticket.against)
        why = f"; against it {against}" if against else ""
        page.item(
            "-",
            f"Ticket {ticket.number}: closed as {', '.join(ticket.causes)} "
            f"({percent(ticket.probability)} likely); the model leads with {ticket.leading} "
            f"({percent(ticket.leading_probability)}){why}",
            2,
        )


def _add_shifts(page: Page, shifts: Sequence[Shift]) -> None:
    clear = [s for s in shifts if s.adjusted is not None and s.adjusted < SURE]
    if not shifts:
        return
    page.blank()
    page.heading("Shifts in the last months")
    if not clear:
        page.text("None that is clear among what was recorded.", 2)
    for shift in clear:
        moves = ", ".join(
            f"{state} {percent(a)} -> {percent(b)}"
            for state, a, b in zip(
                shift.states[1:], shift.shares_before[1:], shift.shares_after[1:], strict=True
            )
        )
        page.item("-", f"{shift.name}: {moves} of those recorded", 2)


def replay_page(found: Comparison, played: tuple[Played, Played] | None, how: str) -> str:
    """Old and new figures on tickets held out."""
    page = Page()
    page.heading(f"Would the new figures have done better? ({how})")
    page.text(
        f"{counted(len(found.numbers), 'ticket')} scored; {found.without_cause} without a "
        "confirmed cause left out."
    )
    if found.impossible_old or found.impossible_new:
        page.text(impossible_words(found))
    page.blank()
    page.row("", [("old", 9), ("new", 9), ("new - old, 95 % interval", 26)], 2)
    for words, old, new, within, verdict in score_rows(found):
        page.row(words, [(old, 9), (new, 9), (within, 26)], 2)
        page.text(verdict, 6)
    for which, scores in (("Old", found.old), ("New", found.new)):
        murphy = scores.binned
        page.text(
            f"{which}, Brier by tenths: reliability {murphy.reliability:.4f} (less is better), "
            f"resolution {murphy.resolution:.4f} (more is better), uncertainty "
            f"{murphy.uncertainty:.4f}.",
            2,
        )
    page.blank()
    page.heading("Calibration of the new figures (said, seen, 95 % interval, cases)")
    for row in found.new.calibration:
        if row.count:
            page.text(
                f"{percent(row.mean_forecast):>5} said, {percent(row.observed):>5} seen "
                f"[{percent(row.interval[0])} to {percent(row.interval[1])}], {row.count:,}",
                2,
            )
    if played is not None:
        _add_played(page, played)
    return str(page)


def _add_played(page: Page, played: tuple[Played, Played]) -> None:
    page.blank()
    page.heading("Played again, one check at a time")
    for which, one in zip(("Old", "New"), played, strict=True):
        if not one.plays:
            page.text("No ticket could be played.", 2)
            return
        page.text(
            f"{which}: {one.mean('checks'):.1f} checks ({one.mean('drawn'):.1f} of them with a "
            f"result drawn from the model), {one.mean('minutes'):.0f} min, confirmed cause leads "
            f"at the end in {percent(one.successes / len(one.plays))} of "
            f"{counted(len(one.plays), 'ticket')}.",
            2,
        )
    aside = [len(one.set_aside) for one in played]
    if any(aside) or played[0].stopped:
        page.text(
            f"Not played: {len(played[0].stopped)} stopped for safety, {max(aside)} that the "
            "model holds impossible.",
            2,
        )
