"""The tool's next step beside the step that a person would advise, for blind comparison.

    python -m tests.benchmarks.bench_advice steps > FILE     the tool's steps at the counter
    python -m tests.benchmarks.bench_advice count            wins, ties and losses in advice/

`steps` says for each visible case with two facts or more at the counter what is known (in the
words of the casebook) and what is advised, in at most 45 words. Advisers write theirs from the
same facts; judges see both in random order. tests/benchmarks/advice/ holds what was compared.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import yaml

from faultfinder.assess.casebook.books import read_cases, read_mapping, read_vocabulary
from faultfinder.assess.casebook.judging import Judge
from faultfinder.assess.casebook.wording import Wording
from faultfinder.consultation.branches import Branch
from faultfinder.consultation.consult import Consultation
from faultfinder.consultation.suggestions import conditions
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import Check, FaultModel
from faultfinder.model.sentences import begun, sentences
from faultfinder.report.consultation.branches import (
    cause_words,
    in_short,
    seen_words,
    then_words,
)
from faultfinder.report.consultation.repair import in_short_step, repair_verb

BOOK = Path(__file__).resolve().parents[2] / "models" / "casebook"
PAIRS = Path(__file__).parent / "advice" / "pairs.yaml"
WORDS = 45


def step_words(told: Consultation, most: int = WORDS) -> str:
    """What to do and where its results lead, in at most 45 words."""
    model = told.case.model.model
    step = told.next_step
    if told.stop or step is None:
        return _cut(told.stop or "Nothing more to check.", most)
    look = "" if told.first_look is None else told.first_look.look
    # What comes before all else is said by itself.
    parts = [model.checks_by_name[name] for name in told.round if name != look]
    # Questions are for the counter; this is what hands do.
    parts = [part for part in parts if not part.asked] or parts
    # As far as whole sentences fit: what comes before power, the round, what leads of what is
    # suggested. Where there is no room for both, a check whose results it speaks of is not named.
    first = "" if told.first_look is None else f"{told.first_look.say} "
    hints = [one.say for one in told.suggestions]
    if hints and hints[0].startswith("Power off"):
        first += f"{hints.pop(0)} "
    said = first + _round(told, parts, [])
    for place, words in enumerate(hints):
        # What follows is left out where it would break off.
        if place:
            said = _with(said, [words], most)
            continue
        kept: list[str] = []
        for sentence in sentences(words):
            kept.append(sentence)
            whole = " ".join([first + _round(told, parts, []), *kept])
            less = " ".join([first + _round(told, parts, kept), *kept])
            fits = [longer for longer in (whole, less) if len(longer.split()) <= most]
            if not fits:
                break
            said = fits[0]
    said = said.strip()
    # Those already say where results lead.
    if not hints:
        said = _with(said, branches_in_short(model, told.branches, most - len(said.split())), most)
    return _cut(said, most)


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


def branches_in_short(model: FaultModel, branches: Sequence[Branch], most: int) -> list[str]:
    """A sentence for each branch without chances, with the likeliest result of each finding, in at
    most so many words together: as many branches as there is room for, then as much of each."""
    made: list[str] = []
    for causes, repairs in ((1, 4), (1, 3), (0, 4), (0, 3), (0, 2)):
        said = []
        for branch in branches:
            then = ", ".join(then_words(model, branch.check, branch.repairs[:repairs]))
            names = [cause_words(model, cause) for cause in [*branch.causes][:causes]]
            begin = [f"{begun(seen_words(model, branch, 1))}:"] if branch.seen else []
            said.append(" ".join([*begin, f"{'; then '.join([*names, then])}."]))
            if sum(len(one.split()) for one in said) > most:
                said.pop()
                break
        if len(said) > len(made) and (repairs > 1 or not made):
            made = said
        if len(made) == len(branches):
            break
    return [begun(one) for one in made]


def _with(said: str, sentences: Sequence[str], most: int) -> str:
    """The same with as many of the sentences, from the first, as there is room for."""
    for sentence in sentences:
        if len(f"{said} {sentence}".split()) > most:
            break
        said += "" if sentence.rstrip(".").lower() in said.lower() else f" {sentence}"
    return said


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
