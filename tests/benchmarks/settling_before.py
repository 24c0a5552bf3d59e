"""Cases played by the policy of an earlier commit; bench_settling.py runs it in that tree.

    PYTHONPATH=TREE python tests/benchmarks/settling_before.py MAPPING < cases.json

MAPPING says what the words of a casebook stand for in the models of that commit (its form is in
its head). Nothing of today's code is imported. The play goes by the rules of
`faultfinder.assess.casebook.playing`, a check at a time; the looks that the page puts first for
safety are not made, which spares the earlier policy steps. Prints JSON: id -> [steps, end].
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

import yaml

MOST = 40
"""Steps after which a play ends; today's is the same."""

Told = Mapping[str, Sequence[str]]
"""Fact -> its values, as a case tells them."""


class Words:
    """What the words stand for in one family."""

    def __init__(self, mapping: Mapping[str, Any], build: str) -> None:
        common, own = mapping["common"], mapping[build]
        self.cannot = {*common["cannot_say"], *own["cannot_say"]}
        self.facts, self.checks, self.at_fault = (
            {**common[part], **own.get(part, {})} for part in ("facts", "checks", "at_fault")
        )
        for part in ("facts", "checks"):
            for fact, held in common[part].items():
                if isinstance(held, Mapping) and isinstance(own.get(part, {}).get(fact), Mapping):
                    getattr(self, part)[fact] = {**held, **own[part][fact]}
        self.together = [*own.get("together", ()), *common.get("together", ())]
        self.counts: Mapping[str, Sequence[str]] = mapping["whose_word_counts"]
        self.ages: Mapping[str, Mapping[str, str]] = common["machine"]["age_years"]

    def says(self, fact: str, value: str) -> str | None:
        """The value under which the mapping has a fact; None where it cannot be said."""
        if fact in self.cannot or f"{fact}={value}" in self.cannot:
            return None
        if _number(value) is not None and fact in self.facts:
            number = float(value)
            for key in self.facts[fact]:
                least, most = 0.0, float("inf")
                for word, after in pairwise(key.split()):
                    least = float(after) if word == "over" else least
                    most = float(after) if word == "to" else most
                if least < number <= most:
                    return str(key)
        return value if value in self.facts.get(fact, {}) else None

    def results(self, told: Told, age: str) -> dict[str, str]:
        """Finding -> result. Of several facts on one finding all count; where they leave no
        result, the one that the mapping names first, else the last told."""
        said: dict[str, list[tuple[str, list[str]]]] = {}
        for fact, one in self._spoken(told):
            for finding, result in one.items():
                allowed = [result] if isinstance(result, str) else list(result)
                said.setdefault(finding, []).append((fact, allowed))
        found = {}
        for finding, held in said.items():
            left = [r for r in held[0][1] if all(r in allowed for _, allowed in held)]
            if not left:
                order = list(self.counts.get(finding, ()))
                held = held[::-1]
                left = min(held, key=lambda o: order.index(o[0]) if o[0] in order else 99)[1]
            found[finding] = left[0]
        number = _number(age)
        key = "" if number is None else "under 4" if number < 4 else "4 or more"
        return {**self.ages.get(key, {}), **found}

    def _spoken(self, told: Told) -> Iterator[tuple[str, Mapping[str, Any]]]:
        joint: set[str] = set()
        for one in self.together:
            if all(
                set(told.get(fact, ())) & ({v} if isinstance(v, str) else set(v))
                for fact, v in one["facts"].items()
            ):
                fact = next(iter(one["facts"]))
                if fact not in joint:
                    joint.add(fact)
                    yield fact, one["gives"]
        for fact, values in told.items():
            keys = [key for value in values if (key := self.says(fact, value)) is not None]
            if keys and fact not in joint:
                yield fact, self.facts[fact][keys[0]]

    def brings(self, fact: str, values: Sequence[str]) -> set[str]:
        """The checks that bring a fact with one of its values; none where none does."""
        keys = [key for value in values if (key := self.says(fact, value)) is not None]
        if not keys or fact not in self.checks:
            return set()
        held = self.checks[fact]
        if isinstance(held, Mapping):
            held = [check for key in keys for check in _listed(held.get(key, []))]
        return set(_listed(held))

    def causes(self, words: Sequence[str]) -> set[str]:
        """The causes that were at fault, as far as the models name them."""
        named = (word for word in words if f"at_fault={word}" not in self.cannot)
        return {cause for word in named for cause in self.at_fault.get(word, {})}


def _listed(held: Any) -> list[str]:
    return [held] if isinstance(held, str) else list(held)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


@cache
def bench_of(build: str) -> Any:
    """The bench of the earlier `next` for a family."""
    compiled = import_module("faultfinder.inference.loading").load_model(build)
    shop = import_module("faultfinder.decide.shop").Shop()
    return import_module("faultfinder.cli.looking").Bench(compiled, shop, rank_histories=False)


def play(case: Mapping[str, Any], words: Words) -> tuple[int, str]:
    """(steps, how it ended)."""
    answer = import_module("faultfinder.cli.looking").Answer
    impossible = import_module("faultfinder.errors").ImpossibleEvidence
    bench = bench_of(case["build"])
    model = bench.compiled.model
    age = case["age"]
    told = words.results(case["all"], age)
    answers = dict[str, Any](words.results(case["intake"], age))
    settling = words.brings(case["settled_by"], case["all"][case["settled_by"]])
    if not settling:
        return MOST, "cannot be said"
    mended = words.causes(case["at_fault"])
    made: list[str] = []
    passed: set[str] = set()
    while len(made) < MOST:
        try:
            view = bench.view([answer(*one) for one in answers.items()], None)
        except impossible:
            return MOST, "contradiction"
        if view.diagnosis.stop:
            return MOST, "stopped"
        advice, ranked = view.advice, [one.check for one in view.diagnosis.checks]
        if advice.kind == "check":
            ranked = [advice.name]
        elif advice.kind == "repair" and advice.name not in passed:
            passed.add(advice.name)
            made.append(advice.name)
            mends = model.repairs_by_name[advice.name].mends
            if any(max(mends[c].values(), default=0.0) >= 0.5 for c in mended & mends.keys()):
                return len(made), "mended"
        if not ranked:
            return MOST, "nothing left"
        made.append(ranked[0])
        if ranked[0] in settling:
            return len(made), "settled"
        for finding in model.checks_by_name[ranked[0]].observes:
            if answers.get(finding) is None:
                answers[finding] = told.get(finding)
    return MOST, "given up"


def main() -> None:
    loader = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    mapping = yaml.load(Path(sys.argv[1]).read_text(encoding="utf-8"), loader)
    played = {}
    for case in json.load(sys.stdin):
        played[case["id"]] = play(case, Words(mapping, case["build"]))
        print(f"{case['id']}: {played[case['id']]}", file=sys.stderr, flush=True)
    json.dump(played, sys.stdout)


if __name__ == "__main__":
    main()
