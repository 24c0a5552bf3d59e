"""The plain forms of `model cases` and `model expectations`: numbers, texts, lists."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from faultfinder.assess.casebook.advisers import Agreement
from faultfinder.assess.casebook.expectations import Verdict
from faultfinder.assess.casebook.judging import MOMENTS, Entry, Judged
from faultfinder.assess.casebook.leaving_out import LeavingOut
from faultfinder.assess.casebook.playing import Played
from faultfinder.assess.casebook.scores import Scores
from faultfinder.assess.casebook.whole_book import Book, Line


def case_form(line: Line) -> dict[str, Any]:
    """A case: `id`, `build`, `model` (null without one), `moments`, and what `cannot_say`."""
    return {
        "id": line.case.id,
        "build": line.case.build,
        "model": line.model,
        "moments": [_moment(judged) for judged in line.judged.values()],
        "cannot_say": {"facts": list(line.unsaid_facts), "at_fault": list(line.unsaid_faults)},
    }


def _moment(judged: Judged) -> dict[str, Any]:
    step = judged.next
    return {
        "moment": judged.moment,
        "impossible": judged.impossible,
        "chances": dict(judged.chances),
        "groups": dict(judged.groups),
        "prior_groups": dict(judged.prior_groups),
        "unlisted": judged.unlisted,
        "next": {"kind": step.kind, "word": step.word, "name": step.name},
        "round": [_entry(one) for one in judged.round],
        "order": [_entry(one) for one in judged.order],
    }


def _entry(entry: Entry) -> dict[str, Any]:
    return {"check": entry.check, "facts": list(entry.facts)}


def scores_form(
    book: Book,
    *,
    agreed: Agreement | None = None,
    played: Sequence[Played] = (),
    left_out: LeavingOut | None = None,
) -> dict[str, Any]:
    """The scores of a book: per part of it at each moment, ranks, and what else was asked for."""
    ranks = book.ranks()
    form: dict[str, Any] = {
        "parts": {
            part: {moment: _scores(book.scores(part, moment)) for moment in MOMENTS}
            for part in book.parts
        },
        "leader_less_right": book.leaders_promise,
        "ranks": asdict(ranks),
        "unnameable": [
            {"id": row.case.id, "leader": row.leader, "chance": row.chance}
            for row in book.unnameable()
        ],
        "worst": [
            {
                "id": one.row.case.id,
                "bits": one.row.bits,
                "truth": sorted(one.row.truth),
                "leader": one.row.leader,
                "chance": one.row.chance,
                "reason": one.reason,
            }
            for one in book.worst()
        ],
    }
    if agreed is not None:
        form["agreement"] = asdict(agreed)
    if played:
        form["played"] = [
            {"id": one.case.id, "steps": one.steps, "end": one.end, "made": list(one.made)}
            for one in played
        ]
    if left_out is not None:
        form["left_out"] = {**asdict(left_out), "in_three": left_out.in_three}
    return form


def _scores(scores: Scores | None) -> dict[str, Any] | None:
    if scores is None:
        return None
    form = asdict(scores)
    form["gain"] = scores.gain
    form["leader_less_right"] = form.pop("promise")
    form["gain_interval"] = [None if math.isnan(x) else x for x in scores.gain_interval]
    return form


def expectation_form(verdict: Verdict) -> dict[str, Any]:
    """What became of a clause: `holds` is null where the build cannot say a fact."""
    return {
        "id": verdict.id,
        "build": verdict.build,
        "clause": verdict.clause,
        "holds": verdict.holds,
        "saw": verdict.saw,
    }
