"""The step in words, as one says it to a colleague: what to do, and where its results lead."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from faultfinder.consultation.branches import REPAIRS, Branch, Seen
from faultfinder.consultation.suggestions import (
    LEADS,
    Suggested,
    conditions,
    leads,
    of_likely,
)
from faultfinder.model.parts import Check, FaultModel, Repair, Stage
from faultfinder.model.sentences import begun, sentences, within

if TYPE_CHECKING:
    from faultfinder.consultation.consult import Consultation, NextStep

WORDS = 45
"""What is kept in mind between the counter and the bench."""

CLEAR = 0.85
"""Of what a round may show, as much as has to lead on for its branches to be said."""

RESULTS, NAMED = 2, 0.2
"""Results of a finding named in a branch at most, and the share of its chance that another than the
likeliest has to have."""


def step_in_words(told: Consultation, most: int = WORDS) -> str:
    """What to do and where its results lead, in at most 45 words: what comes before all else, the
    round, what leads of what is suggested, where the round leads, and what else is suggested, each
    as far as whole sentences fit. Where a sentence speaks of a check's results it is not named. A
    stop is said whole."""
    model = told.case.model.model
    step = told.next_step
    if told.stop or step is None:
        return told.stop or "Nothing more to check."
    look = "" if told.first_look is None else told.first_look.look
    # What comes before all else is said by itself.
    parts = [model.checks_by_name[name] for name in told.round if name != look]
    # Questions are for the counter; this is what hands do.
    parts = [part for part in parts if not part.asked] or parts
    first = "" if told.first_look is None else f"{told.first_look.say} "
    if told.first_look is not None and told.first_look.unpowered and told.suggestions:
        parts = []
    hints = [*told.suggestions]
    if hints and hints[0].say.startswith("Power off"):
        first += f"{hints.pop(0).say} "
    leading = [one for one in hints if leads(model, one)]
    ways = "" if leading else _with_ways(told, parts, most - len(first.split()))
    hint = next(iter(leading or hints), None)
    said = first + ways if ways else _hinted(told, first, parts, hint, most)
    for sentence in [*_ends(told), *(one.say for one in hints if ": " in one.say)]:
        if len(f"{said} {sentence}".split()) <= most and not _said(sentence, said):
            said += f" {sentence}"
    return _cut(said.strip(), most)


def _ends(told: Consultation) -> list[str]:
    """How to go on after that: where the likeliest branch leads, but not before a machine that
    must not be switched on was looked at."""
    if told.first_look is not None and told.first_look.unpowered:
        return []
    branches = [one for one in told.branches[:1] if one.leads is not None]
    return branches_in_short(told.case.model.model, branches)


def _said(sentence: str, text: str) -> bool:
    """Whether half of what it names is in the text already."""
    words, known = ({*re.findall(r"[a-z']{4,}", one.lower())} for one in (sentence, text))
    words -= {"then", "still", "same", "first"}
    return len(words & known) >= len(words) / 2


def _with_ways(told: Consultation, parts: Sequence[Check], most: int) -> str:
    """The round and where it leads, then as many checks as there is room for that this does not
    speak of; "" where the causes are known well enough, and where there is no room for nearly all
    that the round may show: a result without a way on is no use."""
    model = told.case.model.model
    likely = of_likely(model, told.causes)
    if likely is not None and likely.chance >= LEADS:
        return ""
    ways = [one for one in told.branches if one.leads is not None]
    said = branches_in_short(model, ways)
    while said and len(" ".join([_round(told, [], []), *said]).split()) > most:
        said.pop()
    ways = ways[: len(said)]
    if len(ways) < 2 or sum(one.chance for one in ways) < CLEAR:
        return ""
    spoken = {seen.finding for one in ways for seen in one.seen}
    parts = [part for part in parts if not spoken.issuperset(part.observes)]
    parts = _that_fit(told, parts, most - len(" ".join(said).split()))
    return " ".join([_round(told, parts, []), *said]).strip()


def _hinted(
    told: Consultation, first: str, parts: Sequence[Check], hint: Suggested | None, most: int
) -> str:
    """The round and what leads of what is suggested, as far as whole sentences fit."""
    parts = _that_fit(told, parts, most - len(first.split()))
    said = first + _round(told, parts, [])
    kept: list[str] = []
    for sentence in sentences(hint.say) if hint is not None else ():
        kept.append(sentence)
        whole = " ".join([first + _round(told, parts, []), *kept])
        less = " ".join([first + _round(told, parts, kept), *kept])
        fits = [longer for longer in (whole, less) if len(longer.split()) <= most]
        if not fits:
            break
        said = fits[0]
    return said


def _that_fit(told: Consultation, parts: Sequence[Check], most: int) -> Sequence[Check]:
    """As many checks, from the first, as can be named in so many words with what comes then."""
    while parts and len(_round(told, parts, []).split()) > most:
        parts = parts[:-1]
    return parts


def _round(told: Consultation, parts: Sequence[Check], beside: Sequence[str]) -> str:
    """The checks to make, but those that sentences beside them speak of, and what then."""
    model, step = told.case.model.model, told.next_step
    assert step is not None
    spoken = {
        name
        for sentence in beside
        for part in conditions(sentence)
        for name in model.meanings.get(part.lower(), ())
    }
    said = "; ".join(in_short(part) for part in parts if not spoken.issuperset(part.observes))
    if step.kind != "check":
        repair = model.repairs_by_name.get(step.name)
        if repair is None:
            what = _hand_over(told)
        else:
            # What a check of the round makes is made as it is checked.
            made = {part.name for part in parts} & {*repair.made_by}
            what = "" if made else f"{repair_verb(repair)}: {in_short(repair)}"
        if said and what:
            said += f"; nothing against it: {within(what)}"
        else:
            said += what
    return f"{said}." if said else ""


def _hand_over(told: Consultation) -> str:
    if told.pays_from is None:
        return "hand over unrepaired, data saved"
    worth, step = told.pays_from
    then = within(in_short_step(told.case.model.model, step))
    amount = f"{worth:.0f} {told.case.shop.currency}"
    return f"ask its worth to the owner: from {amount} on, {then}; else hand over, data saved"


def branches_in_short(model: FaultModel, branches: Sequence[Branch]) -> list[str]:
    """A sentence for each branch without chances, with the likeliest result of each finding."""
    made = []
    for branch in branches:
        seen = re.sub(r" \([^)]*\)", "", seen_words(model, branch, 1))
        on = f"{on_from(model, branch, REPAIRS)}."
        made.append(begun(f"{seen}: {on}" if seen else on))
    return made


def _cut(text: str, most: int) -> str:
    """As many of its sentences as fit, at least the first."""
    kept = sentences(text)
    while len(kept) > 1 and len(" ".join(kept).split()) > most:
        kept.pop()
    return " ".join(kept)


def in_short(part: Check | Repair | Stage) -> str:
    """What a part of a model is called where several are named."""
    return part.short or part.title


def in_short_step(model: FaultModel, step: NextStep) -> str:
    """A check or a repair in short."""
    parts = model.checks_by_name if step.kind == "check" else model.repairs_by_name
    return in_short(parts[step.name])


def repair_verb(repair: Repair) -> str:
    return "Hand over to a specialist" if repair.hand_over else "Repair now"


def on_from(model: FaultModel, branch: Branch, most: int | None = None) -> str:
    """How to go on in a branch: what the model says of its likely causes, else its repairs, at
    most so many."""
    if branch.leads is not None:
        return within(branch.leads.say)
    return ", ".join(then_words(model, branch.check, branch.repairs[:most]))


def _plain(name: str) -> str:
    return name.replace("_", " ")


def cause_words(model: FaultModel, cause: str) -> str:
    """Its title where that is as short as its name."""
    title = model.by_name[cause].title
    return within(title) if len(title.split()) <= 3 else _plain(cause)


def seen_words(model: FaultModel, branch: Branch, most: int = RESULTS) -> str:
    """What is found in a branch, at most so many results of each finding."""
    return ", ".join(_seen(model, one, most) for one in branch.seen)


def _seen(model: FaultModel, seen: Seen, most: int) -> str:
    check = model.checks_by_name[seen.check]
    briefly = check.briefly.get(seen.finding, {})
    least = NAMED * sum(seen.results.values())
    likely = [one for one, chance in seen.results.items() if chance >= least] or [*seen.results]
    results = [briefly.get(one, _plain(one)) for one in likely]
    some = most < 2 or len(results) <= most
    said = " or ".join(results[:most]) if some else f"{results[0]} or alike"
    if briefly:
        return said
    if len(check.observes) > 1:
        return f"{_plain(seen.finding)} {said}"
    return f"{within(in_short(check))} {said}"


def then_words(model: FaultModel, check: str, repairs: Sequence[str]) -> list[str]:
    """The repairs in a few words each; before the first that needs it that power is off, and before
    the first whose part counts beside the dearest the check that tells between them."""
    stages = model.stages_by_name
    dearest = max((model.repairs_by_name[name].part.likely for name in repairs), default=0.0)
    said: list[str] = []
    off = False
    # What a specialist does comes when nothing more is done here.
    for name in sorted(repairs, key=lambda name: model.repairs_by_name[name].hand_over):
        repair = model.repairs_by_name[name]
        stage = stages[repair.stage]
        if not stage.powered and not off:
            off = True
            said.append(within(stage.short or "power off"))
        if check and off and repair.part.likely > dearest / 10:
            said.append(within(in_short(model.checks_by_name[check])))
            check = ""
        said.append(within(in_short(repair)))
    return said
