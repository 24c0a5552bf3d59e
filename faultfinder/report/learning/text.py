"""Tuning and replay in words."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.learning.bench.figures import spot_words
from faultfinder.learning.bench.learn import BenchLearnt
from faultfinder.learning.em.estimates import Figure, Tuned
from faultfinder.learning.em.worth import KEPT, LEAST_WORTH, Weighed
from faultfinder.learning.judge.changed_advice import ChangedAdvice
from faultfinder.learning.judge.judging import Jobs, Judged
from faultfinder.learning.judge.kept import Judgement
from faultfinder.learning.judge.replay import Comparison
from faultfinder.learning.watch.drift import Shift
from faultfinder.learning.watch.unlikely import UnlikelyTicket
from faultfinder.learning.watch.unwritten import Habits, Written
from faultfinder.model.parts import FaultModel
from faultfinder.report.learning.plain import Tuning, by_effect
from faultfinder.report.learning.words import (
    NO_RIVAL,
    bench_cells,
    bench_effect,
    change_rows,
    changed_words,
    figure_words,
    impossible_words,
    score_rows,
    share_words,
    time_words,
    vain_words,
    verdict_reason,
)
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, joined, percent

FIGURES_SHOWN = 15
BENCH_SHOWN = 8
HARDLY_KNOWN = 0.5
"""A credible interval wider than this is not worth its figures."""

HABITS_SHOWN = 8

SURE = 0.05
"""A shift is told when its adjusted p-value is below this."""


def tune_page(tuning: Tuning, name: str) -> str:
    """What tuning found, and what to do next."""
    page, tuned, changed = Page(), tuning.tuned, tuning.changed
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
    page.heading("What changes beliefs most (before, after, 90 % credible interval)")
    for figure in by_effect(changed)[:FIGURES_SHOWN]:
        many = counted(max(1, round(figure.tickets)), "ticket")
        page.item("-", f"{figure_words(tuned.model, figure.place)}: {_moves(figure)} ({many})", 2)
    if len(changed) > FIGURES_SHOWN:
        page.text(f"{len(changed) - FIGURES_SHOWN} others change beliefs less.", 2)
    _add_bench(page, tuning.bench, tuned.model)
    _add_doubtful(page, tuning.doubtful)
    _add_shifts(page, tuning.shifts)
    _add_habits(page, tuning.habits, tuned, name)
    page.blank()
    page.text(f"Is it better, and what does it save? faultfinder replay -m {name}")
    return str(page)


def weighed_words(one: Weighed) -> str:
    """What the file's figures of a group count for beside the tickets."""
    if one.alike is not None:
        return (
            f"The {one.group} are learnt from the other families' tickets too, which count "
            + ("in full" if one.alike >= KEPT else f"for at most {one.alike:.0f} of this family's")
            + ": that did best on tickets held out."
        )
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
                f"{figure.states[place].replace('_', ' ')} {share_words(figure.before[place])} -> "
                f"{share_words(figure.after[place])} % {within}"
            )
    return ", ".join(told)


def _add_bench(page: Page, bench: BenchLearnt, model: FaultModel) -> None:
    """Minutes, prices, cures and missed faults that would change."""
    changed = bench.changed
    if not changed:
        return
    page.heading("Minutes, prices, cures (before, after, 90 % interval)")
    ranked = sorted(changed, key=bench_effect, reverse=True)
    for one in ranked[:BENCH_SHOWN]:
        before, after, within, times = bench_cells(one)
        page.item(
            "-", f"{spot_words(model, one.spot)}: {before} -> {after} [{within}] ({times})", 2
        )
    if len(ranked) > BENCH_SHOWN:
        page.text(f"{len(ranked) - BENCH_SHOWN} others with --json.", 2)
    if bench.spans:
        page.text(time_words(bench), 2)


def _add_doubtful(page: Page, doubtful: Sequence[UnlikelyTicket]) -> None:
    if not doubtful:
        return
    page.heading("Tickets to read again, the least likely cause first")
    for ticket in doubtful:
        against = joined(f"{one.finding}={one.result}" for one in ticket.against)
        why = f"; against it {against}" if against else ""
        said = f"Ticket {ticket.number}: closed as {', '.join(ticket.causes)}"
        if not ticket.leading:
            page.item("-", f"{said}; what was found contradicts itself", 2)
            continue
        page.item(
            "-",
            f"{said} ({percent(ticket.probability)} likely); the model leads with "
            f"{ticket.leading} ({percent(ticket.leading_probability)}){why}",
            2,
        )


def _add_shifts(page: Page, shifts: Sequence[Shift]) -> None:
    clear = [s for s in shifts if s.adjusted is not None and s.adjusted < SURE]
    if not shifts:
        return
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


def _add_habits(page: Page, habits: Habits, tuned: Tuned, name: str) -> None:
    """What is written down only when it is bad, as learnt and as tested."""
    open_ones = [one for one in habits.findings if one.clear and one.name not in tuned.written]
    persons = [one for one in habits.persons if one.clear]
    if not (open_ones or persons or tuned.written):
        return
    page.heading("Are good results written down?")
    for finding, (normal, other) in tuned.written.items():
        page.item(
            "-",
            f"{finding}: learnt as written down in {percent(normal)} of normal and "
            f"{percent(other)} of other results",
            2,
        )
    for one in open_ones[:HABITS_SHOWN]:
        page.item("-", f"{one.name}: {_normal_words(one)} by the model", 2)
    if len(open_ones) > HABITS_SHOWN:
        page.text(f"{len(open_ones) - HABITS_SHOWN} more with --json.", 2)
    for one in persons:
        page.item("-", f"{one.name}: {_normal_words(one)} by what the others wrote", 2)
    if open_ones:
        page.text(
            "Either these figures are far off, or good results are left out there. Ask the bench; "
            "to learn that what is not written is usually normal:",
            2,
        )
        page.text(f"faultfinder tune -m {name} --unwritten named", 2)


def _normal_words(one: Written) -> str:
    return (
        f"{counted(one.normal, 'normal result')} of {one.records:,} on record, "
        f"{one.expected:.0f} expected"
    )


def replay_page(
    judgement: Judgement, model: FaultModel, name: str, folds: int, currency: str
) -> str:
    """The verdict on a proposal, what it would advise otherwise, and what that rests on."""
    page = Page()
    judged = judgement.against
    page.heading(f"The proposal for {name}, judged on tickets that it did not learn from")
    if not judged:
        page.text(f"Cannot tell. {NO_RIVAL}")
    for one in judged:
        page.item("-", f"Against {one.rival}: {verdict_words(one)}", 2)
    page.text(
        f"Each ticket was held out once ({folds} folds), the figures tuned on the others with the "
        "options of the proposal."
    )
    _add_advice(page, judgement.advice, model)
    for one in judged:
        page.heading(f"Against {one.rival}")
        _add_scores(page, one.found)
        if one.jobs is not None:
            _add_jobs(page, one.jobs, model, currency)
    if judged:
        page.heading("Calibration of the proposal (said, seen, 95 % interval, cases)")
        for row in judged[0].found.new.calibration:
            if row.count:
                page.text(
                    f"{percent(row.mean_forecast):>5} said, {percent(row.observed):>5} seen "
                    f"[{percent(row.interval[0])} to {percent(row.interval[1])}], {row.count:,}",
                    2,
                )
    page.blank()
    page.text(f"Put it in force: faultfinder adopt -m {name} --by NAME")
    return str(page)


CHANGES_SHOWN = 12
"""Pairs of old and new advice that are listed; --json has each ticket."""


def _add_advice(page: Page, advice: ChangedAdvice, model: FaultModel) -> None:
    page.heading("What it would advise otherwise")
    page.text(changed_words(advice), 2)
    rows = change_rows(advice, model)
    for old, new, tickets in rows[:CHANGES_SHOWN]:
        page.item("-", f"{old} -> {new} (ticket {tickets})", 2)
    if len(rows) > CHANGES_SHOWN:
        page.text(f"{len(rows) - CHANGES_SHOWN} more with --json.", 2)


def verdict_words(judged: Judged) -> str:
    """The verdict, with what it would take where it cannot be told."""
    verdict = judged.verdict
    if verdict.word != "cannot tell yet" or verdict.against:
        return f"{verdict.word.upper()}. {verdict_reason(judged)}"
    if verdict.more is None:
        return "CANNOT TELL YET, and more tickets like these are unlikely to tell."
    return f"CANNOT TELL YET; about {counted(verdict.more, 'more ticket')} would."


def _add_scores(page: Page, found: Comparison) -> None:
    page.text(
        f"{counted(len(found.numbers), 'ticket')} scored; {found.without_cause} without a "
        "confirmed cause left out."
    )
    if found.impossible_old or found.impossible_new:
        page.text(impossible_words(found))
    page.row("", [("old", 9), ("new", 9), ("new - old, 95 % interval", 26)], 2)
    for words, old, new, within, verdict in score_rows(found):
        page.row(words, [(old, 9), (new, 9), (within, 26)], 2)
        page.text(verdict, 6)


def _add_jobs(page: Page, jobs: Jobs, model: FaultModel, currency: str) -> None:
    drawn = jobs.new["drawn"] / max(jobs.new["checks"], 1e-9)
    page.text(
        f"{counted(len(jobs.numbers), 'job')} played again to the end; {percent(drawn)} of the "
        "checks show what the ticket does not say, drawn from the tickets held out. Jobs of a fold "
        "share what is decided, so each fold counts as one observation."
    )
    titles = (
        ("money", f"Cost of a job, {currency}", 1.0, 0),
        ("minutes", "Bench time, min", 1.0, 0),
        ("needless", "Dear parts for nothing in 100 jobs", 100.0, 0),
        ("wrong", "Wrong repairs in 100 jobs", 100.0, 0),
        ("solved", "Leaves without a fault, %", 100.0, 0),
    )
    for name, words, scale, places in titles:
        low, high = (f"{end * scale:+.{places}f}" for end in jobs.differences[name].interval)
        old, new = (f"{side[name] * scale:.{places}f}" for side in (jobs.old, jobs.new))
        page.row(words, [(old, 9), (new, 9), (f"{low} to {high}", 26)], 2)
    if vain := vain_words(jobs, model):
        page.text(vain, 2)
