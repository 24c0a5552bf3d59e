"""The shipped models on the casebook beside the judges' tables without a network.

    python tests/benchmarks/bench_cases.py [CASES.yaml ...]

What `faultfinder model cases` scores, with the baselines of tests/casebook/baselines.py in the
same run: top-1, top-3 and bits at both moments, and the paired difference (model less
baseline) with its 90 % bootstrap interval over cases. The structure's numbers were chosen on
the casebook that is shipped, which flatters it there.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.assess.casebook.books import RealCase, read_cases  # noqa: E402
from faultfinder.assess.casebook.judging import MOMENTS, Judge  # noqa: E402
from faultfinder.assess.casebook.scores import Scored  # noqa: E402
from faultfinder.assess.casebook.whole_book import Book, book_of  # noqa: E402
from faultfinder.assess.casebook.wording import Wording  # noqa: E402
from faultfinder.inference.loading import load_model  # noqa: E402
from tests.casebook import baselines  # noqa: E402

MODELS = Path(os.environ.get("MODELS", ROOT / "models"))

FIGURES: dict[str, Callable[[Scored], float]] = {
    "top-1, %": lambda row: 100.0 * row.right,
    "top-3, %": lambda row: 100.0 * row.in_three,
    "bits": lambda row: row.bits,
}


@cache
def judge_of(build: str) -> Judge:
    """The shipped model of a build with the casebook's words."""
    return Judge(Wording(load_model(MODELS / f"{build}.yaml"), *baselines.read_book()))


def shipped_book(cases: Sequence[RealCase]) -> Book:
    """The cases under the shipped models."""
    return book_of(cases, judge_of, baselines.read_book()[1])


def main() -> None:
    files = [Path(name) for name in sys.argv[1:]] or [baselines.BOOK / "cases.yaml"]
    cases = [case for file in files for case in read_cases(file)]
    book = shipped_book(cases)
    for moment in MOMENTS:
        ours = book.scored[moment]
        print(f"{moment}, {len(ours)} cases     " + "".join(f"{name:>26}" for name in FIGURES))
        print(f"  {'the models':<20}" + "".join(f"{mean(f, ours):26.2f}" for f in FIGURES.values()))
        for name, structure in baselines.BASELINES.items():
            tables = baselines.tables_for(structure)
            rows = [baselines.scored(row.case, moment, tables, structure) for row in ours]
            theirs = [row for row in rows if row is not None]
            told = [
                f"{mean(f, theirs):8.2f} {difference(f, ours, theirs):>17}"
                for f in FIGURES.values()
            ]
            print(f"  {name:<20}" + "".join(told))


def mean(figure: Callable[[Scored], float], rows: Sequence[Scored]) -> float:
    return sum(map(figure, rows)) / len(rows)


def difference(
    figure: Callable[[Scored], float], ours: Sequence[Scored], theirs: Sequence[Scored]
) -> str:
    """The 90 % interval of the paired difference, in words."""
    differences = np.array([figure(a) - figure(b) for a, b in zip(ours, theirs, strict=True)])
    drawn = np.random.default_rng(1).integers(len(differences), size=(10_000, len(differences)))
    low, high = np.quantile(differences[drawn].mean(axis=1), [0.05, 0.95])
    return f"({low:+.2f} to {high:+.2f})"


if __name__ == "__main__":
    main()
