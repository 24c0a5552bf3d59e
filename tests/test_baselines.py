"""The judges' tables: pooled as they should be, and scored as the programs they came from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from faultfinder.assess.casebook.books import RealCase, read_cases
from faultfinder.assess.casebook.judging import MOMENTS
from tests.benchmarks.bench_cases import judge_of
from tests.casebook.baselines import (
    BASELINES,
    BOOK,
    MULTIPLIED,
    Structure,
    Tables,
    judged,
    read_book,
    read_yaml,
    scored,
    tables_for,
)
from tests.casebook.departures import shares_alone
from tests.casebook.pool import agreement, pooled, pooled_fact

COMMON = 0.003
"""Of shares of faults: below it the judges' own floor speaks."""

POOLED = {
    "priors": {"bezel_clamshell": dict.fromkeys(Tables.words_of(read_book()[0]), 0.02)},
    "facts": {
        "torch": {
            "values": ["image_seen", "nothing_seen"],
            "any": [0.1, 0.9],
            "given": {"panel_light": [0.8, 0.2]},
            "builds": {"bezel_clamshell": {"lamp": [0.6, 0.4]}},
        }
    },
}


def test_rows_are_pooled_by_the_mean_of_their_log_odds() -> None:
    # Odds 4 and 1 at weights 1 and 3: 4 ** (1 / 4); the other value is the mirror image.
    odds = 4.0**0.25
    found = pooled([np.array([0.8, 0.2]), np.array([0.5, 0.5])], [1.0, 3.0])
    assert found == pytest.approx([odds / (1 + odds), 1 / (1 + odds)])


def test_agreement_is_the_strength_from_which_such_rows_would_be_drawn() -> None:
    drawn = np.random.default_rng(1).dirichlet(12.0 * np.array([0.2, 0.3, 0.5]), (2000, 3))
    assert agreement(list(drawn)) == pytest.approx(12.0, rel=0.1)


def test_what_a_judge_says_of_a_build_goes_first() -> None:
    said = {
        "default": {"yes": "0.5", "no": "0.5"},
        "given": {"lamp, panel": {"yes": "0.9", "no": "0.1"}},
        "builds": {"b": {"given": {"lamp": {"yes": "0.2", "no": "0.8"}}}},
    }
    table = pooled_fact([(said, 1.0)], ["yes", "no"], ["lamp", "panel", "memory"], ["a", "b"])
    assert table["any"] == [0.5, 0.5]
    assert table["given"] == {"lamp": [0.9, 0.1], "panel": [0.9, 0.1]}
    assert table["builds"] == {"b": {"lamp": [0.2, 0.8]}}


def test_tables_multiplied_by_hand() -> None:
    tables = Tables.read(POOLED, {})
    case = RealCase("x", "bezel_clamshell", (("torch", ("image_seen",)),))
    found = judged(case, "intake", tables, MULTIPLIED)
    # A word counts as its chance of the value: .8, .6, and .1 of each of the 36 others.
    total = 0.8 + 0.6 + 0.1 * (len(tables.words) - 2)
    assert found["light"] == pytest.approx(1.4 / total)
    assert found["cable"] == pytest.approx(0.2 / total)
    # Checks at the power 2 and a doubt of a half.
    told = judged(case, "intake", tables, Structure(check=2.0, doubt=0.5))
    squared = (0.64 + 0.36) / (0.64 + 0.36 + 0.01 * (len(tables.words) - 2))
    assert told["light"] == pytest.approx(squared / 2 + 1 / len(tables.words))


def test_the_shipped_tables_say_every_fact_and_sum_to_one() -> None:
    plain, vocabulary = read_yaml(BOOK / "pooled.yaml"), read_book()[0]
    said_of = {fact for fact, values in vocabulary.facts.items() if values}
    assert set(plain["facts"]) == said_of
    assert float(plain["basis"]["worth"]) <= 5
    for fact, table in plain["facts"].items():
        assert tuple(table["values"]) == vocabulary.facts[fact]
        apart = [row for rows in (table.get("builds") or {}).values() for row in rows.values()]
        for row in [table["any"], *table["given"].values(), *apart]:
            assert sum(map(float, row)) == pytest.approx(1.0, abs=0.02), fact
    for build in vocabulary.builds:
        assert sum(map(float, plain["priors"][build].values())) == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize(
    ("name", "bits", "top1"),
    [
        # What the programs print on the judges' own tables, from which these were rebuilt.
        ("tables multiplied", (2.52, 1.81), (0.49, 0.61)),
        ("with structure", (2.27, 1.12), (0.54, 0.82)),
        ("with presentations", (2.22, 1.10), (0.54, 0.81)),
    ],
)
def test_pooling_loses_nothing_on_the_casebook(
    name: str, bits: tuple[float, float], top1: tuple[float, float]
) -> None:
    cases = read_cases(BOOK / "cases.yaml")
    for moment, expected, right in zip(MOMENTS, bits, top1, strict=True):
        tables = tables_for(BASELINES[name])
        rows = [r for case in cases if (r := scored(case, moment, tables, BASELINES[name]))]
        assert len(rows) == 90
        assert math.isclose(np.mean([r.bits for r in rows]), expected, abs_tol=0.015)
        assert math.isclose(np.mean([r.right for r in rows]), right, abs_tol=0.015)


def test_no_base_rate_is_further_than_twice_or_half_what_the_judges_said() -> None:
    """Every family's cable once stood at twice its share, with the judges as its basis."""
    for build in read_book()[0].builds:
        judge = judge_of(build)
        said = dict(
            zip(tables_for(MULTIPLIED).words, tables_for(MULTIPLIED).shares[build], strict=True)
        )
        for word, share in shares_alone(judge.wording).items():
            if said[word] >= COMMON:
                assert 0.5 < share / said[word] < 2.0, (build, word)
