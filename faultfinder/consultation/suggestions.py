"""What the results and the likely causes of a case suggest, in the model's words."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from faultfinder.consultation.causes import chances_in_each
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array
from faultfinder.model.parts import FaultModel, Meanings
from faultfinder.model.sentences import begun, sentences

LIKELY, LEADS, FEW = 0.5, 0.65, 2
"""Causes of which one is as likely as this have a say; one or two that are as likely as that lead
what single results suggest."""

SPEAKS_AGAINST = 0.02
"""A result without which the likeliest cause would be likelier by this suggests nothing."""


@frozen
class Suggested:
    """Words after the results of some `findings`, or for `causes` of which one is there with a
    `chance`; `name` is that of the entry, or ""."""

    say: str
    findings: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    chance: float = 1.0
    name: str = ""


def of_results(model: FaultModel, results: Mapping[str, str | None]) -> tuple[Suggested, ...]:
    """What the results suggest: first what several suggest together, the most of them before
    fewer, among these what the model says first, and each finding speaks once; then what each
    suggests alone, the last told first."""
    told = {name: result for name, result in reversed([*results.items()]) if result is not None}
    first = model.said_first
    found = []
    for one in sorted(model.suggestions, key=lambda s: (-len(s.when), first.isdisjoint(s.when))):
        if one.when and all(told.get(name) in of for name, of in one.when.items()):
            found.append(Suggested(one.say, tuple(one.when)))
            told = {name: result for name, result in told.items() if name not in one.when}
    says = {
        (finding, result): words
        for check in model.checks
        for finding, of in check.suggests.items()
        for result, words in of.items()
    }
    alone = [(name, says.get((name, result))) for name, result in told.items()]
    return (*found, *(Suggested(words, (name,)) for name, words in alone if words is not None))


def of_likely(model: FaultModel, causes: Mapping[str, float]) -> Suggested | None:
    """What likely causes suggest."""
    entries = [one for one in model.suggestions if one.likely and one.say]
    if not entries:
        return None
    sums = [min(1.0, sum(causes.get(cause, 0.0) for cause in one.likely)) for one in entries]
    best = int(likeliest(np.array([sums]), np.array([len(one.likely) for one in entries]))[0])
    if best < 0:
        return None
    one = entries[best]
    return Suggested(one.say, (), one.likely, sums[best], one.name)


def likeliest(chances: Array, sizes: Array) -> Array:
    """Which entry has a say in each row of `chances`, shape (rows, entries), that one of its
    causes is there: that of the fewest causes, `sizes`, of those likely enough to lead, else the
    likeliest; -1 where none is likely. Shape (rows,)."""
    enough = np.where(chances >= LEADS, chances - 2.0 * sizes, -np.inf)
    likely = np.where(chances >= LIKELY, chances - 1e-9 * sizes, -np.inf)
    leads = enough.max(axis=1) > -np.inf
    best = np.where(leads, enough.argmax(axis=1), likely.argmax(axis=1))
    return np.where(leads | (likely.max(axis=1) > -np.inf), best, -1)


def by_weight(
    compiled: CompiledModel,
    told: Mapping[str, str],
    suggested: Sequence[Suggested],
    hints: Mapping[int, Array] | None = None,
) -> tuple[Suggested, ...]:
    """What results suggest, those that lead first: of several together, and what the model says
    first; then what by itself changes the causes most. What speaks against the likeliest cause
    is left out."""
    if len(suggested) < 2:
        return tuple(suggested)
    alone = [{name: told[name] for name in one.findings} for one in suggested]
    without = [{n: told[n] for n in told if n not in one.findings} for one in suggested]
    sets = [{}, told, *alone, *without]
    nothing, all_told, *chances = chances_in_each(compiled, sets, hints)
    leader = all_told.argmax()
    ranked = []
    for place, one in enumerate(suggested):
        first = leads(compiled.model, one)
        speaks = float((all_told - chances[place + len(suggested)])[leader])
        if first or speaks > -SPEAKS_AGAINST:
            ranked.append((not first, -float(np.abs(chances[place] - nothing).sum()), place))
    return tuple(suggested[place] for *_, place in sorted(ranked))


def with_likely(
    model: FaultModel, told: Sequence[Suggested], likely: Suggested | None
) -> tuple[Suggested, ...]:
    """What results suggest with what likely causes do, in its place."""
    if likely is None:
        return tuple(told)
    leading = [number for number, one in enumerate(told, 1) if leads(model, one)]
    place = max(leading, default=0) if leads(model, likely) else len(told)
    return (*told[:place], likely, *told[place:])


def leads(model: FaultModel, one: Suggested) -> bool:
    """Whether it speaks of several results, of what the model says first, or of one or two causes
    that are likely enough."""
    if one.causes:
        return one.chance >= LEADS and len(one.causes) <= FEW
    return len(one.findings) > 1 or not model.said_first.isdisjoint(one.findings)


def unsaid(say: str, meanings: Meanings, known: Mapping[str, str | None]) -> str:
    """The same without what is known already: a sentence for another result falls away, one for
    the known result is said without its condition, and so is what was to be looked at.

    >>> good = {"good outside": {"outside": ("good",)}}
    >>> unsaid("Good outside: reseat it. Else: wait.", good, {"outside": "good"})
    'Reseat it. Else: wait.'
    """
    kept = []
    for sentence in sentences(say):
        _, colon, rest = sentence.partition(": ")
        parts = conditions(sentence)
        open_: list[str] = []
        other = False
        for part in parts:
            meant = meanings.get(part.lower(), {})
            found = {name: known[name] for name in meant if known.get(name) is not None}
            shown = any(result in meant[name] for name, result in found.items())
            if not shown and (not meant or len(found) < len(meant)):
                open_.append(part)
            elif colon:
                # What only names a finding says nothing against it.
                other |= not shown and any(meant[name] for name in found)
        if other or not (open_ or colon):
            continue
        if len(open_) == len(parts):
            kept.append(sentence)
        elif colon:
            kept.append(begun(f"{', '.join(open_)}: {rest}" if open_ else rest))
        else:
            kept.append(begun(f"{', '.join(open_)}."))
    return " ".join(kept)


def without_made(say: str, meanings: Meanings, found: Collection[str]) -> str:
    """Steps said briefly without those that bring no other findings than these.

    >>> meanings = {"drain": {"drained": ()}}
    >>> without_made("Drain, charger alone; memory; board", meanings, {"drained"})
    'charger alone; memory; board'
    """
    kept = []
    for steps in say.split("; "):
        means = ((step, meanings.get(step.lower())) for step in steps.split(", "))
        open_ = [step for step, of in means if of is None or not {*of} <= {*found}]
        kept += [", ".join(open_)] if open_ else []
    return "; ".join(kept)


def conditions(sentence: str) -> list[str]:
    """What stands before its colon, or the sentence where it has none, in parts."""
    before, colon, _ = sentence.partition(": ")
    return re.split(r", | and ", before if colon else sentence.rstrip("."))
