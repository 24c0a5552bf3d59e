"""How far the models' figures lie from the judges' pooled tables.

    python tests/casebook/departures.py [MODEL ...]

For each fact and fault: how often the model expects each value of a machine with that fault
alone, whatever way it shows itself, against models/casebook/pooled.yaml, over the values that
the judges spoke of. Per fact the mean over faults, weighed by their share, of the
Jensen-Shannon divergence in bits (Lin, IEEE Trans. Inf. Theory 37 (1991) 145; citation from
memory), and the entries that weigh most; last the shares of faults. A departure is no error: it
says where somebody chose otherwise than the judges, and how far.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.assess.casebook.wording import Wording  # noqa: E402
from faultfinder.inference.compiled import CompiledModel  # noqa: E402
from faultfinder.inference.loading import load_model  # noqa: E402
from faultfinder.inference.posterior import (  # noqa: E402
    Evidence,
    beliefs,
    evidence_from,
    posterior,
)
from faultfinder.model.network import Array  # noqa: E402
from faultfinder.model.parts import Kind  # noqa: E402
from tests.casebook.baselines import LEAST, MULTIPLIED, read_book, tables_for  # noqa: E402

SHOWN = 25
"""Entries shown of each model."""


@dataclass(frozen=True)
class Departure:
    """A value of a fact under a fault alone: what the model and what the judges expect, and
    the part of the divergence of the row that it makes, times the fault's share."""

    fact: str
    word: str
    value: str
    model: float
    judges: float
    bits: float


def alone(compiled: CompiledModel, word: str, causes: Mapping[str, tuple[str, ...]]) -> Evidence:
    """One fault alone, in any of its states; every other cause is in its normal state."""
    vectors = {}
    for variable in compiled.model.variables:
        if variable.kind is Kind.CAUSE:
            faulty = compiled.model.faulty_states(variable.name)
            wanted = causes.get(variable.name)
            states = variable.states
            held = wanted if wanted is not None else [s for s in states if s not in faulty]
            vectors[compiled.network.index[variable.name]] = np.array(
                [float(state in held) for state in states]
            )
    return evidence_from(compiled, {}).with_columns(vectors)


def divergence(p: Array, q: Array) -> Array:
    """Its parts by value; shape (values,)."""
    middle = (p + q) / 2
    return np.asarray((p * np.log2(p / middle) + q * np.log2(q / middle)) / 2)


def departures(wording: Wording) -> Iterator[Departure]:
    """All entries of a model that the judges spoke of."""
    compiled, build = wording.compiled, wording.compiled.model.name
    tables = tables_for(MULTIPLIED)
    for place, word in enumerate(tables.words):
        if word not in wording.causes:
            continue
        calibrated = beliefs(compiled, alone(compiled, word, wording.causes[word]))
        share = float(tables.shares[build][place])
        for (fact, of), rows in tables.rows.items():
            variable = wording.finding(fact)
            if of != build or variable is None:
                continue
            shown = posterior(compiled, calibrated, compiled.network.index[variable.name])[:, 0]
            ours, theirs, values = [], [], []
            for value, chance in zip(wording.vocabulary.facts[fact], rows[place], strict=True):
                said = wording.result(fact, (value,))
                if said is not None:
                    ours.append(shown[variable.states.index(said[1])])
                    theirs.append(chance)
                    values.append(value)
            p, q = (
                np.maximum(np.array(row) / max(sum(row), LEAST), LEAST) for row in (ours, theirs)
            )
            p, q = p / p.sum(), q / q.sum()
            for value, a, b, bits in zip(values, p, q, divergence(p, q), strict=True):
                yield Departure(fact, word, value, float(a), float(b), share * float(bits))


def main() -> None:
    vocabulary, mapped = read_book()
    for build in sys.argv[1:] or vocabulary.builds:
        wording = Wording(load_model(ROOT / "models" / f"{build}.yaml"), vocabulary, mapped)
        found = list(departures(wording))
        facts: dict[str, float] = {}
        for one in found:
            facts[one.fact] = facts.get(one.fact, 0.0) + one.bits
        print(f"{build}: bits between model and judges, by fact")
        ranked = sorted(facts.items(), key=lambda item: -item[1])
        for start in range(0, len(ranked), 3):
            print("".join(f"  {f:<27}{bits:6.4f}" for f, bits in ranked[start : start + 3]))
        print(f"{build}: what departs most                             model  judges")
        for one in sorted(found, key=lambda one: -one.bits)[:SHOWN]:
            name = f"{one.word}: {one.fact} {one.value}"
            print(f"  {name:<62} {one.model:6.3f}  {one.judges:6.3f}")
        print(f"{build}: shares of faults alone                        model  judges")
        judge, tables = Wording(wording.compiled, vocabulary, mapped), tables_for(MULTIPLIED)
        shares = dict(zip(tables.words, tables.shares[build], strict=True))
        ours = shares_alone(judge)
        for word in sorted(ours, key=lambda w: -abs(np.log(ours[w] / shares[w])) * shares[w])[:10]:
            print(f"  {word:<62} {ours[word]:6.3f}  {shares[word]:6.3f}")
        print()


def shares_alone(wording: Wording) -> dict[str, float]:
    """Word -> its share among machines with one fault alone and the complaint."""
    compiled = wording.compiled
    weights = {
        word: float(np.exp(beliefs(compiled, alone(compiled, word, causes)).log_evidence[0]))
        for word, causes in wording.causes.items()
        if word in tables_for(MULTIPLIED).words
    }
    total = sum(weights.values())
    return {word: weight / total for word, weight in weights.items() if weight > 0}


if __name__ == "__main__":
    main()
