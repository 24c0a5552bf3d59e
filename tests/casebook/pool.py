"""Judges' tables made one: models/casebook/pooled.yaml and tests/casebook/presentations.yaml.

    python tests/casebook/pool.py FOLDER

FOLDER holds what each judge said (`J1-facts-1.yaml`, `J1-priors.yaml`,
`J1-presentations-1.yaml`, ...), one fault at a time. A row of several judges becomes the
weighted mean of their log odds (Genest & Zidek, Stat. Sci. 1 (1986) 114, on pooling). A judge
weighs as the chance, a geometric mean over the cases of the casebook, that his own tables
multiplied give to what was at fault: the better scores, the more he counts (after Cooke, Experts
in Uncertainty, 1991). How far judges agree is told in tickets: n of the Dirichlet distributions,
of variance p (1 - p) / (n + 1), from which rows that differ as theirs would be drawn. They are one
language model, so that they agree more than people would, and no table counts for more than a
handful however large its n is.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import yaml

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from tests.casebook.baselines import (  # noqa: E402
    BOOK,
    LEAST,
    LEAST_PRIOR,
    PRESENTATIONS,
    Array,
    Tables,
    read_book,
    read_yaml,
    scored_bits,
)

Said = Mapping[str, Any]
"""A judge's table of a fact: {default, given: {words: row}, builds: {builds: the same}}."""


def row_for(table: Said, word: str, build: str | None) -> Mapping[str, float]:
    """A judge's row: value -> chance, for a word in a build (None: in any)."""

    def given(part: Said) -> Mapping[str, str] | None:
        for words, row in (part.get("given") or {}).items():
            if word in [one.strip() for one in words.split(",")]:
                return row  # type: ignore[no-any-return]
        return None

    row = given(table)
    for builds, part in (table.get("builds") or {}).items():
        if build is not None and build in [one.strip() for one in builds.split(",")]:
            row = given(part) or (part.get("default") if given(table) is None else row) or row
    return {value: float(p) for value, p in (row or table["default"]).items()}


def pooled(rows: Sequence[Array], weights: Sequence[float]) -> Array:
    """The weighted mean of the log odds of rows, shape (values,), made to sum to one."""
    floored = [np.maximum(row / row.sum(), LEAST) for row in rows]
    logit = sum(
        w * np.log(p / (1 - np.minimum(p, 1 - LEAST)))
        for w, p in zip(weights, floored, strict=True)
    )
    p = 1 / (1 + np.exp(-logit / sum(weights)))
    return np.asarray(p / p.sum())


def agreement(rows: Sequence[Sequence[Array]]) -> float:
    """How far judges agree, in tickets: see the module. `rows` are the judges' of each fault."""
    spread = sum(float(np.var(held, axis=0, ddof=1).sum()) for held in rows if len(held) > 1)
    mean = [np.mean(held, axis=0) for held in rows if len(held) > 1]
    binomial = sum(float((p * (1 - p)).sum()) for p in mean)
    return binomial / max(spread, 1e-9) - 1


def pooled_fact(
    said: Sequence[tuple[Said, float]], values: Sequence[str], words: Sequence[str],
    builds: Sequence[str],
) -> dict[str, Any]:  # fmt: skip
    """A pooled table; rows that say nothing of their own are left out."""

    def judged(word: str, build: str | None) -> list[Array]:
        rows = [row_for(table, word, build) for table, _ in said]
        return [np.array([row.get(v, 0.0) for v in values]) / sum(row.values()) for row in rows]

    def row(word: str, build: str | None = None) -> list[float]:
        return rounded(pooled(judged(word, build), [weight for _, weight in said]))

    rest = row(" of no fault named")
    given = {word: row(word) for word in words}
    table: dict[str, Any] = {"values": list(values)}
    table["agree"] = round(agreement([judged(word, None) for word in words]))
    table["any"] = rest
    table["given"] = {word: own for word, own in given.items() if own != rest}
    apart = {
        build: {w: own for w in words if (own := row(w, build)) != given[w]} for build in builds
    }
    if any(apart.values()):
        table["builds"] = {build: rows for build, rows in apart.items() if rows}
    return table


def rounded(row: Array) -> list[float]:
    """To three digits that tell."""
    return [float(f"{p:.3g}") if p < 0.1 else round(float(p), 3) for p in row]


def pooled_priors(
    said: Sequence[tuple[Mapping[str, str], float]], words: Sequence[str]
) -> dict[str, float]:
    """Shares of the words in a build: the judges' weighted mean. (A mean of log odds would
    take from a rare fault what one judge alone gives it.)"""
    rows = [[max(float(shares.get(w, 0)), LEAST_PRIOR) for w in words] for shares, _ in said]
    mean = np.average(np.array(rows), axis=0, weights=[weight for _, weight in said])
    return dict(zip(words, rounded(mean / mean.sum()), strict=True))


def tables_of(
    folder: Path, judges: Sequence[str], weights: Mapping[str, float]
) -> dict[str, Any]:  # fmt: skip
    """The pooled tables of some judges, as they are written."""
    vocabulary, _ = read_book()
    words = Tables.words_of(vocabulary)
    facts: dict[str, list[tuple[Said, float]]] = {}
    for judge in judges:
        for file in sorted(folder.glob(f"{judge}-facts-*.yaml")):
            for fact, table in (read_yaml(file) or {}).items():
                facts.setdefault(fact, []).append((table, weights[judge]))
    priors = {judge: read_yaml(folder / f"{judge}-priors.yaml") for judge in judges}
    return {
        "basis": BASIS,
        "judges": {judge: round(weights[judge], 3) for judge in judges},
        "priors": {
            build: pooled_priors([(priors[j].get(build, {}), weights[j]) for j in judges], words)
            for build in vocabulary.builds
        },
        "facts": {
            fact: pooled_fact(facts[fact], values, words, vocabulary.builds)
            for fact, values in vocabulary.facts.items()
            if fact in facts and values
        },
    }


def presentations_of(folder: Path) -> dict[str, Any]:
    """Fault -> its presentations, the judges' side by side; rows follow a fact's `values`."""
    vocabulary, _ = read_book()
    found: dict[str, Any] = {}
    for file in sorted(folder.glob("J*-presentations-*.yaml")):
        for word, held in (read_yaml(file) or {}).items():
            for one in held:
                builds = one.get("builds")
                share = builds if isinstance(builds, dict) else {}
                facts = {
                    fact: rounded(np.array([float(row.get(v, 0)) for v in vocabulary.facts[fact]]))
                    for fact, row in (one.get("facts") or {}).items()
                    if fact in vocabulary.facts
                }
                found.setdefault(word, []).append(
                    {
                        "judge": file.name[:2],
                        "share": float(one["share"]),
                        **({"builds": {b: float(x) for b, x in share.items()}} if share else {}),
                        "facts": facts,
                    }
                )
    return found


def weights_of(folder: Path, judges: Sequence[str]) -> dict[str, float]:
    """What each judge weighs: 2 to the minus bits of his tables alone, in sum one."""
    weights = {}
    for judge in judges:
        alone = Tables.read(tables_of(folder, [judge], {judge: 1.0}), {})
        weights[judge] = 2.0 ** -np.mean(scored_bits(alone))
    return {judge: float(weight / sum(weights.values())) for judge, weight in weights.items()}


BASIS = {"guess": "pooled from three blind judges (a language model), no source", "worth": 5}

HEAD = """\
# What judges expect to see and be told, by fault: their tables made one. Made by
# tests/casebook/pool.py, which says how; not to be changed by hand.
#
# The judges are a general-purpose language model, asked three times to answer as a bench
# technician, blind to the casebook, to the models and to each other. No counts, no source.
# `judges`: what each weighs. `priors`: the share of each fault among machines that show no
# usable picture. `facts`: how often each of `values` is told of a machine with that fault
# alone, given that somebody looked or was asked; `any` holds for faults without a row,
# `builds` where a build differs. `agree`: how far the judges agree, in tickets; a table counts
# for five at most, since they are no people and alike. The figures in ../common/figures started
# from these; tests/casebook/departures.py says how far each lies from them.
"""


def main() -> None:
    folder = Path(sys.argv[1])
    judges = sorted({file.name.split("-")[0] for file in folder.glob("J*-facts-*.yaml")})
    weights = weights_of(folder, judges)
    for judge, weight in weights.items():
        print(f"{judge} weighs {weight:.3f}")
    tables = tables_of(folder, judges, weights)
    dump = {
        "default_flow_style": None, "sort_keys": False, "width": 98, "allow_unicode": True,
    }  # fmt: skip
    (BOOK / "pooled.yaml").write_text(HEAD + yaml.safe_dump(tables, **dump), encoding="utf-8")
    said = "# Faults by the ways in which they come in, by judge; see pool.py.\n"
    said += yaml.safe_dump(presentations_of(folder), **dump)
    PRESENTATIONS.write_text(said, encoding="utf-8")


if __name__ == "__main__":
    main()
