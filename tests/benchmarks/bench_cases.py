"""The shipped models on the casebook beside the judges' tables without a network.

    python tests/benchmarks/bench_cases.py [CASES.yaml ...]

What `faultfinder model cases --beside` prints for the files that
`python tests/casebook/baselines.py FOLDER` writes, in one run. The structure's numbers were
chosen on the casebook that is shipped, which flatters it there.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.assess.casebook.beside import beside  # noqa: E402
from faultfinder.assess.casebook.books import RealCase, read_cases  # noqa: E402
from faultfinder.assess.casebook.judging import Judge  # noqa: E402
from faultfinder.assess.casebook.whole_book import Book, book_of  # noqa: E402
from faultfinder.assess.casebook.wording import Wording  # noqa: E402
from faultfinder.inference.loading import load_model  # noqa: E402
from faultfinder.report.casebook.text import beside_lines  # noqa: E402
from tests.casebook import baselines  # noqa: E402

MODELS = Path(os.environ.get("MODELS", ROOT / "models"))


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
    for name, structure in baselines.BASELINES.items():
        print("\n".join(beside_lines(beside(book, name, baselines.chances(cases, structure)))))


if __name__ == "__main__":
    main()
