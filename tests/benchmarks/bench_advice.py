"""The tool's next step beside the step that a person would advise, for blind comparison.

    python -m tests.benchmarks.bench_advice steps > FILE     the tool's steps at the counter
    python -m tests.benchmarks.bench_advice count            wins, ties and losses in advice/

`steps` says for each visible case with two facts or more at the counter what is known (in the
words of the casebook) and what is advised, in at most 45 words. Advisers write theirs from the
same facts; judges see both in random order. tests/benchmarks/advice/ holds what was compared.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import yaml

from faultfinder.assess.casebook.books import read_cases, read_mapping, read_vocabulary
from faultfinder.assess.casebook.judging import Judge
from faultfinder.assess.casebook.wording import Wording
from faultfinder.consultation.branches import REPAIRS, Branch
from faultfinder.consultation.consult import Consultation
from faultfinder.consultation.suggestions import LEADS, Suggested, conditions, leads, of_likely
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Check, FaultModel
from faultfinder.model.sentences import begun, sentences, within
from faultfinder.report.consultation.branches import (
    in_short,
    on_from,
    seen_words,
)
from faultfinder.report.consultation.repair import in_short_step, repair_verb

BOOK = Path(__file__).resolve().parents[2] / "models" / "casebook"
PAIRS = Path(__file__).parent / "advice" / "pairs.yaml"
WORDS = 45

CLEAR = 0.85
"""Of what a round may show, as much as has to lead on for its branches to be said."""


def step_words(told: Consultation, most: int = WORDS) -> str:
    """What to do and where its results lead, in at most 45 words: what comes before all else, the
    round, what leads of what is suggested, where the round leads, and what else is suggested, each
    as far as whole sentences fit. Where a sentence speaks of a check's results it is not named."""
    model = told.case.model.model
    step = told.next_step
    if told.stop or step is None:
        return _cut(told.stop or "Nothing more to check.", most)
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
    if not leading and _open(told):
        said = first + _with_branches(told, parts, most - len(first.split()))
    else:
        said = _hinted(told, first, parts, (leading or hints)[:1], most)
    for sentence in [*_ends(told), *(one.say for one in hints if ": " in one.say)]:
        if len(f"{said} {sentence}".split()) <= most and not _said(sentence, said):
            said += f" {sentence}"
    return _cut(said.strip(), most)


def _ends(told: Consultation) -> list[str]:
    """How to go on after that: where the likeliest branch leads."""
    return [f"Then {within(one.leads.say)}." for one in told.branches[:1] if one.leads is not None]


def _said(sentence: str, text: str) -> bool:
    """Whether half of what it names is in the text already."""
    words, known = ({*re.findall(r"[a-z']{4,}", one.lower())} for one in (sentence, text))
    words -= {"then", "still", "same", "first"}
    return len(words & known) >= len(words) / 2


def _open(told: Consultation) -> bool:
    """Whether the round says which way to go on, of two or more that are open."""
    likely = of_likely(told.case.model.model, told.causes)
    ways = [one for one in told.branches if one.leads is not None]
    known = likely is not None and likely.chance >= LEADS
    return not known and len(ways) > 1 and sum(one.chance for one in ways) >= CLEAR


def _with_branches(told: Consultation, parts: Sequence[Check], most: int) -> str:
    """The round and where it leads: as many branches as there is room for, then as many checks
    that they do not speak of."""
    branches = branches_in_short(told.case.model.model, told.branches)
    while branches and len(" ".join(branches).split()) > most:
        branches.pop()
    spoken = {seen.finding for one in told.branches[: len(branches)] for seen in one.seen}
    parts = [part for part in parts if not spoken.issuperset(part.observes)]
    while parts and len(" ".join([_round(told, parts, []), *branches]).split()) > most:
        parts.pop()
    return " ".join([_round(told, parts, []), *branches]).strip()


def _hinted(
    told: Consultation, first: str, parts: Sequence[Check], hints: Sequence[Suggested], most: int
) -> str:
    """The round and what leads of what is suggested, as far as whole sentences fit."""
    while parts and len((first + _round(told, parts, [])).split()) > most:
        parts = parts[:-1]
    said = first + _round(told, parts, [])
    kept: list[str] = []
    for sentence in [s for one in hints for s in sentences(one.say)]:
        kept.append(sentence)
        whole = " ".join([first + _round(told, parts, []), *kept])
        less = " ".join([first + _round(told, parts, kept), *kept])
        fits = [longer for longer in (whole, less) if len(longer.split()) <= most]
        if not fits:
            break
        said = fits[0]
    return said


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
        what = _hand_over(told) if repair is None else in_short(repair)
        verb = "" if repair is None else f"{repair_verb(repair)}: "
        said = f"{said}; nothing against it: {what}" if said else f"{verb}{what}"
    return f"{said}." if said else ""


def _hand_over(told: Consultation) -> str:
    if told.pays_from is None:
        return "hand over unrepaired, data saved"
    worth, step = told.pays_from
    then = in_short_step(told.case.model.model, step)
    return f"ask its worth to the owner: from {worth:.0f} on, {then}; else hand over, data saved"


def branches_in_short(model: FaultModel, branches: Sequence[Branch]) -> list[str]:
    """A sentence for each branch without chances, with the likeliest result of each finding; that
    power is off is said once."""
    off = next((one.short.lower() for one in model.stages if one.short and not one.powered), "")
    made: list[str] = []
    for branch in branches:
        seen = re.sub(r" \([^)]*\)", "", seen_words(model, branch, 1))
        on = on_from(model, branch, REPAIRS)
        if off and any(off in one.lower() for one in made):
            on = on.replace(f"{off}, ", "")
        made.append(begun(f"{f'{seen}: ' if seen else ''}{on}."))
    return made


def _cut(text: str, most: int) -> str:
    words = text.split()
    return " ".join(words[:most]) + (" ..." if len(words) > most else "")


def steps() -> None:
    """Print the steps of all cases with two facts or more at the counter."""
    words = read_vocabulary(BOOK / "vocabulary.yaml")
    mapping = read_mapping(BOOK / "mapping.yaml")
    judges: dict[str, Judge] = {}
    found = {}
    for case in read_cases(BOOK / "cases.yaml"):
        facts = dict(case.told("intake"))
        if len(facts) < 2:
            continue
        if case.build not in judges:
            compiled = load_model(str(BOOK.parent / f"{case.build}.yaml"))
            judges[case.build] = Judge(Wording(compiled, words, mapping))
        told = judges[case.build].judge(case, "intake").consultation
        if told is not None:
            plain = {fact: list(values) for fact, values in facts.items()}
            found[case.id] = {"build": case.build, "facts": plain, "tool": step_words(told)}
    yaml.safe_dump(found, sys.stdout, sort_keys=False, allow_unicode=True, width=100)


def count() -> None:
    """Print how often the tool's step won, tied or lost, and was called wrong or dangerous."""
    pairs = yaml.safe_load(PAIRS.read_text(encoding="utf-8"))
    for judge in ("owner", "technician"):
        kinds = Counter(one[judge]["better"] for one in pairs.values())
        wrong = [name for name, one in pairs.items() if one[judge]["tool_wrong"]]
        print(f"{judge}: {dict(kinds)} of {len(pairs)}; wrong or dangerous: {wrong}")


if __name__ == "__main__":
    if sys.argv[1:] == ["steps"]:
        steps()
    else:
        count()
