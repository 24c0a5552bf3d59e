"""The lead's page: adopt or not, what became of jobs, how the bench works, what would change.

One self-contained HTML page in black and white, for paper and phone, without a script. Every
plot stands beside a table of the same figures. Persons are named on it: it is for the lead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from faultfinder.decide.shop import Shop
from faultfinder.learning.judge.judging import Judged
from faultfinder.learning.watch.agreement import Agreement
from faultfinder.learning.watch.jobs import Comebacks, Minutes, Plans, Quotes
from faultfinder.learning.watch.slips import Readers
from faultfinder.learning.watch.usage import Usage
from faultfinder.learning.watch.wrong_parts import WrongParts
from faultfinder.model.parts import FaultModel
from faultfinder.report.html import minute_of, render
from faultfinder.report.lead.bench import checks, departures, idle_checks, readers
from faultfinder.report.lead.figures import Proposal, bench_figures, figures, reliability
from faultfinder.report.lead.jobs import bills, comebacks, minutes, parts
from faultfinder.report.learning.words import (
    NO_RIVAL,
    change_rows,
    changed_words,
    vain_words,
    verdict_reason,
)
from faultfinder.report.page import Page
from faultfinder.report.wording import counted

CHANGES_SHOWN = 12


@dataclass(frozen=True, eq=False)
class Review:
    """What the page tells. `proposal` is None where nothing is proposed nor was adopted, and
    `hindrance` says why an open one cannot be judged."""

    model: FaultModel
    shop: Shop
    proposal: Proposal | None
    hindrance: str
    comebacks: Comebacks
    minutes: Minutes
    plans: Plans
    bills: Quotes
    usage: Usage
    agreement: Agreement
    wrong_parts: Sequence[WrongParts]
    readers: Readers


def lead_page(found: Review, made_at: str) -> str:
    """The page, the decision first. `made_at` is UTC in ISO 8601."""
    page = Page()
    _decision(page, found)
    comebacks(page, found.comebacks, found.model)
    minutes(page, found.minutes, found.plans)
    bills(page, found.bills, found.shop)
    idle_checks(page, found.model, found.agreement)
    departures(page, found.model, found.agreement)
    readers(page, found.model, found.readers)
    parts(page, found.wrong_parts)
    if found.proposal is not None:
        judgement = found.proposal.judgement
        if judgement is not None and judgement.against:
            reliability(page, judgement.against[0].found)
        figures(page, found.proposal)
        bench_figures(page, found.proposal)
    checks(page, found.model, found.usage)
    return render(
        "lead.html",
        title=f"Review: {found.model.title}",
        made_at=minute_of(made_at),
        tickets=counted(found.usage.tickets, "closed ticket"),
        page=page,
    )


def _decision(page: Page, found: Review) -> None:
    page.section("Adopt or not, and why")
    name, proposal = found.model.name, found.proposal
    if proposal is None or found.hindrance:
        page.answer(found.hindrance or "Nothing is proposed, and nothing was adopted yet.")
        page.text(f"Figures from closed tickets: faultfinder tune -m {name}")
        return
    judgement = proposal.judgement
    from_tickets = counted(proposal.tickets, "ticket")
    if judgement is None or not judgement.against:
        page.answer(
            f"Nothing is proposed now. In force: figures from {from_tickets}, {proposal.decided}, "
            "not judged."
            if not proposal.open
            else f"Cannot be told. {NO_RIVAL}"
        )
        return
    first = judgement.against[0]
    if proposal.open:
        page.answer(f"{_advised(first)} {_reason(first, found.shop.currency)}")
        page.text(
            f"The proposal is from {from_tickets}. Each of {len(first.found.numbers)} tickets with "
            "a confirmed cause was held out once and the figures tuned on the others, so that no "
            "ticket judges figures that it helped to make. Minutes, prices and success of repairs "
            "are counted, not judged so: both sides go by the proposed ones."
        )
    else:
        page.answer(
            f"Nothing is proposed now. In force: figures from {from_tickets}, {proposal.decided}. "
            f"They were judged: {first.verdict.word}. {_reason(first, found.shop.currency)}"
        )
    for other in judgement.against[1:]:
        page.text(
            f"Against {other.rival}: {other.verdict.word}. {_reason(other, found.shop.currency)}"
        )
    vain = vain_words(first.jobs, proposal.model) if first.jobs is not None else ""
    if vain:
        page.text(vain)
    page.text(changed_words(judgement.advice))
    rows = change_rows(judgement.advice, proposal.model)
    if rows:
        heads = ("In force", "Proposed", "tickets")
        page.table(heads, rows[:CHANGES_SHOWN], words=3)
    if proposal.open:
        page.text(f"To put it in force: faultfinder adopt -m {name} --by NAME")


def _advised(judged: Judged) -> str:
    verdict, why = judged.verdict, verdict_reason(judged)
    if verdict.word == "better":
        return f"Adopt. {why}"
    if verdict.word == "worse":
        return f"Do not adopt. {why}"
    if verdict.against:
        return f"Not without a look at it. {why}"
    if verdict.more is None:
        return "Not now: no difference can be told, and more tickets like these are unlikely to."
    return f"Not yet: no difference can be told. About {verdict.more:,} more tickets would tell."


def _reason(one: Judged, currency: str) -> str:
    """The differences a verdict goes by, in words."""
    loss = one.found.differences["label_log_loss"]
    mean, low, high = (value / math.log(2.0) for value in (loss.mean, *loss.interval))
    said = (
        f"A confirmed cause is foretold {abs(mean):.3f} bits "
        f"{'better' if mean < 0.0 else 'worse'} (95 %: {-high:+.3f} to {-low:+.3f})"
    )
    if one.jobs is None:
        return f"{said}; no job was played."
    parts = [said]
    for name, unit, scale in (("money", currency, 1.0), ("minutes", "min", 1.0),
                              ("needless", "dear parts for nothing in 100 jobs", 100.0),
                              ("wrong", "repairs for nothing in 100 jobs", 100.0)):  # fmt: skip
        difference = one.jobs.differences[name]
        low, high = (bound * scale for bound in difference.interval)
        more = "more" if difference.mean > 0.0 else "less"
        size = abs(difference.mean * scale)
        parts.append(f"{size:.1f} {unit} {more} ({low:+.1f} to {high:+.1f})")
    jobs = counted(len(one.jobs.numbers), "job")
    return f"{parts[0]}. In {jobs} played to the end, a job takes {', '.join(parts[1:])}."
