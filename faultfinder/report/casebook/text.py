"""How a model did on real cases, and what became of situations, as calm text."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

import numpy as np

from faultfinder.assess.casebook.advisers import Agreement
from faultfinder.assess.casebook.beside import LEVEL, Beside, Difference
from faultfinder.assess.casebook.expectations import Verdict
from faultfinder.assess.casebook.judging import MOMENTS
from faultfinder.assess.casebook.leaving_out import LeavingOut
from faultfinder.assess.casebook.playing import Played
from faultfinder.assess.casebook.whole_book import Book, Ranks
from faultfinder.assess.intervals import bootstrap
from faultfinder.report.wording import counted, harmless, joined, percent, shortened, wrapped

_TITLE = {"intake": "At the counter", "all": "With all findings"}


def cases_page(
    book: Book,
    *,
    agreed: Agreement | None = None,
    played: Sequence[Played] = (),
    left_out: LeavingOut | None = None,
    besides: Sequence[Beside] = (),
) -> str:
    """The scores of a book."""
    lines: list[str] = []
    for moment in MOMENTS:
        lines += [*_table(book, moment), ""]
    lines += _calibration(book)
    for one in besides:
        lines += [*beside_lines(one), ""]
    lines += _ranks(book)
    if agreed is not None:
        lines += wrapped(
            f"Advisers ({counted(agreed.count, 'round')}): {percent(agreed.first)} of their first "
            f"steps are among the first three here; overlap of the rounds {agreed.overlap:.2f}."
        )
    lines += _played(played)
    if left_out is not None:
        lines += _left_out(left_out)
    lines += ["", *_unsaid(book), "", *_worst(book)]
    return "\n".join(lines)


def _table(book: Book, moment: str) -> list[str]:
    head = f"{_TITLE[moment]:<24} cases named top-1 top-3  bits  gain  95 %"
    lines = [head]
    for part in book.parts:
        scores = book.scores(part, moment)
        if scores is None:
            continue
        low, high = scores.gain_interval
        n = scores.count
        lines.append(
            f"  {shortened(harmless(part), 22):<22} {n:5d} {scores.nameable / n:5.0%} "
            f"{scores.top1 / n:5.0%} {scores.top3 / n:5.0%} {scores.bits:5.2f} "
            f"{scores.gain:5.2f}  {low:.2f} to {high:.2f}"
        )
    return lines


def _calibration(book: Book) -> list[str]:
    lines = ["The leader's chance    cases  said right  90 %"]
    for moment in MOMENTS:
        scores = book.scores("all cases", moment)
        for one in () if scores is None else scores.calibration:
            low, high = one.interval
            fits = "" if one.fits else "  does not fit"
            lines.append(
                f"  {moment:<7} {one.low:.1f} to {one.high:.1f}  {one.count:6d} "
                f"{one.mean_forecast:5.0%} {one.observed:5.0%}  {low:.0%} to {high:.0%}{fits}"
            )
    return [
        *lines,
        f"  said less right, both moments: {100 * book.leaders_promise:+.1f} points",
        "",
    ]


def beside_lines(one: Beside) -> list[str]:
    """The figures here beside those of other chances, a figure a line."""
    lines = [f"Beside {shortened(harmless(one.name), 33)}"]
    lines[0] = f"{lines[0]:<41} here  there  here less there, {LEVEL:.0%}"
    for found in one.differences:
        title = f"  {_TITLE[found.moment]}, {counted(found.count, 'case')}"
        lines.append(f"{title:<33}{_beside_figures(found)}")
    return lines


def _beside_figures(found: Difference) -> str:
    low, high = found.interval
    if found.figure == "bits":
        return f"  bits   {found.here:5.2f}  {found.there:5.2f}  {low:+.2f} to {high:+.2f}"
    title = {"top1": "top-1", "top3": "top-3"}[found.figure]
    interval = f"{100 * low:+.1f} to {100 * high:+.1f} points"
    return f"  {title}  {found.here:5.0%}  {found.there:5.0%}  {interval}"


def _ranks(book: Book) -> list[str]:
    ranks: Ranks = book.ranks()
    closed = f"; {ranks.closed} not open" if ranks.closed else ""
    return [
        "Place at the counter, median",
        f"  the check that settled it  {_figure(ranks.settling):>5}  "
        f"({counted(ranks.settling_count, 'case')}{closed})",
        f"  the outside screen         {_figure(ranks.outside):>5}  "
        f"({counted(ranks.running, 'machine')} that run)",
    ]


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"


def _played(played: Sequence[Played]) -> list[str]:
    if not played:
        return []
    low, high = bootstrap([one.steps for one in played], np.median)
    ends: dict[str, int] = {}
    for one in played:
        ends[one.end] = ends.get(one.end, 0) + 1
    told = joined(f"{count} {end}" for end, count in sorted(ends.items(), key=lambda e: -e[1]))
    return wrapped(
        f"Played: {median(one.steps for one in played):g} steps to the settling check (median of "
        f"{len(played)}; 95 %: {low:g} to {high:g}): {told}."
    )


def _left_out(left_out: LeavingOut) -> list[str]:
    lines = ["", "What is not listed, with the group taken out   cases  in three  first"]
    lines += [
        f"  {one.group:<44} {one.cases:5d} {one.in_three:9d} {one.first:6d}"
        for one in left_out.groups
    ]
    return [
        *lines,
        f"  in three of all these: {percent(left_out.in_three)}; with the whole model first in "
        f"{left_out.whole_first} of {left_out.whole}",
    ]


def _unsaid(book: Book) -> list[str]:
    lines = []
    for build in book.unknown_builds:
        lines += wrapped(f"There is no model for the build {build}: its cases are not scored.")
    facts = [f"{line.case.id} {fact}" for line in book.lines for fact in line.unsaid_facts]
    faults = [f"{ln.case.id} {w}" for ln in book.lines if ln.judged for w in ln.unsaid_faults]
    lines += wrapped(f"Facts that could not be said: {', '.join(facts) or 'none'}.")
    lines += wrapped(f"Causes that could not be named: {', '.join(faults) or 'none'}.")
    for row in book.unnameable():
        lines.append(
            f"  {harmless(row.case.id)}: {row.leader} leads with {percent(row.chance)}, "
            "and the truth cannot be named"
        )
    return lines


def _worst(book: Book) -> list[str]:
    lines = ["The worst cases, with all findings"]
    for one in book.worst():
        row = one.row
        lines += wrapped(
            f"{row.bits:.1f} bits: it was {joined(sorted(row.truth))} "
            f"({percent(max(row.groups[g] for g in row.truth))}), {row.leader} led with "
            f"{percent(row.chance)}; {one.reason}.",
            8,
            f"  {row.case.id}",
        )
    return lines


def expectations_page(verdicts: Sequence[Verdict]) -> str:
    """What became of the clauses: those that fail, and counts."""
    failed = [one for one in verdicts if one.holds is False]
    lines = []
    for one in failed:
        more = "" if one.added is None else f" with {one.added[0]}={one.added[1]}"
        lines += wrapped(f"{one.id} {one.clause} ({one.kind}), {one.build}{more}: {one.saw}", 2)
    if failed:
        lines.append("")
    kinds = dict.fromkeys(one.kind for one in verdicts)
    lines.append("Clause                   holds  fails  not judged")
    for kind in kinds:
        of_kind = [one.holds for one in verdicts if one.kind == kind]
        counts = [sum(holds is want for holds in of_kind) for want in (True, False, None)]
        lines.append(f"  {shortened(kind, 22):<22} {counts[0]:5d} {counts[1]:6d} {counts[2]:11d}")
    return "\n".join(harmless(line) for line in lines)
