"""A finished job written out as a case of a casebook, free of personal data.

Only words of the vocabulary get in, and the year: nothing that anybody typed freely, no name,
number, price or day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.assess.casebook.books import RealCase, Told
from faultfinder.assess.casebook.wording import Wording


def as_case(
    wording: Wording,
    name: str,
    findings: Mapping[str, str],
    causes: Sequence[str],
) -> tuple[RealCase, tuple[str, ...]]:
    """The case, called `name`, and what it cannot say: findings and causes without a word.

    `findings` are in the order found. What is asked or looked at when a machine comes in stands
    under intake, the rest under checks.
    """
    model = wording.compiled.model
    at_counter = {f for check in model.checks if check.intake for f in check.observes}
    silent = model.silence.finding if model.silence is not None else None
    told = [(f, (r,)) for f, r in findings.items() if f != silent]
    said = {finding: _said(wording, finding, value[0]) for finding, value in told}
    intake: Told = tuple(w for f, w in said.items() if w is not None and f in at_counter)
    checks: Told = tuple(w for f, w in said.items() if w is not None and f not in at_counter)
    words = [w for w, held in wording.causes.items() if set(held) & set(causes)]
    named = {cause for word in words for cause in wording.causes[word]}
    unsaid = [f for f, word in said.items() if word is None]
    unsaid += [cause for cause in causes if cause not in named]
    build = next((b for b in wording.vocabulary.builds if wording.mapped.model_of(b) == model.name),
                 model.name)  # fmt: skip
    case = RealCase(name, build, intake, checks, tuple(words))
    return case, tuple(unsaid)


def _said(wording: Wording, finding: str, result: str) -> tuple[str, tuple[str, ...]] | None:
    """(fact, value) that stand for a result; None where no words do."""
    for fact in wording.facts_of_finding.get(finding, ()):
        # A number's value is not kept; the name of its range says the same.
        for value in (*wording.vocabulary.facts[fact], result):
            if wording.result(fact, (value,)) == (finding, result):
                return fact, (value,)
    return None


def case_text(case: RealCase, year: str, unsaid: Sequence[str], mended: bool) -> str:
    """The case as it stands in a file of cases; `mended` when a repair proved it."""
    lines = [f"- id: {case.id}", f"  year: {year}", f"  build: {case.build}"]
    lines += ["  intake:" if case.intake else "  intake: {}"]
    lines += [f'    {fact}: "{values[0]}"' for fact, values in case.intake]
    lines += ["  checks:" if case.checks else "  checks: []"]
    lines += [f'    - {fact}: "{values[0]}"' for fact, values in case.checks]
    lines += [f"  cannot_say: [{', '.join(unsaid)}]", f"  at_fault: [{', '.join(case.at_fault)}]"]
    lines += [f"  proof: {'mended_by_it' if mended else 'seen_by_repairer'}", "  settled_by: none"]
    return "\n".join(lines)
