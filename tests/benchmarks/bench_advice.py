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
from pathlib import Path

import yaml

from faultfinder.assess.casebook.books import read_cases, read_mapping, read_vocabulary
from faultfinder.assess.casebook.judging import Judge
from faultfinder.assess.casebook.wording import Wording
from faultfinder.consultation.in_words import step_in_words
from faultfinder.inference.loading import load_model

BOOK = Path(__file__).resolve().parents[2] / "models" / "casebook"
PAIRS = Path(__file__).parent / "advice" / "pairs.yaml"


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
            found[case.id] = {"build": case.build, "facts": plain, "tool": step_in_words(told)}
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
