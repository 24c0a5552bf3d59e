"""Figures that stand in readable tables are tuned where they stand."""

from __future__ import annotations

import pytest

from faultfinder.inference.compiled import compile_model
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.em.parameters import read_families
from faultfinder.learning.proposal import check_same, propose
from faultfinder.model.parts import FaultModel
from faultfinder.model.reading.reader import parse_model
from tests.leading_model import TEXT, leading_model


def _tuned(model: FaultModel) -> list[Figure]:
    families = {model.variables[f.number].name: f for f in read_families(compile_model(model))}
    found = []
    for name in ("light", "lines"):
        for place, row in zip(families[name].places, families[name].file.tolist(), strict=True):
            after = [0.8 * chance + 0.2 / len(row) for chance in row]
            states = model.by_name[name].states
            found.append(
                Figure(place, states, tuple(row), tuple(after), tuple(after), tuple(after), 40.0)
            )
    return found


def test_rows_are_written_where_they_stand() -> None:
    model = leading_model()
    figures = _tuned(model)
    proposed = propose(TEXT, {}, figures, "2026-01-01")
    check_same(model, leading_model(proposed.text), figures)
    assert "board.hung: {lit: 0.3066, dim: 0.1467, dark: 0.5467}" in proposed.text


def test_included_rows_are_tuned_in_an_entry_of_the_models_own() -> None:
    begin, end = TEXT.index("figures:\n"), TEXT.index("stages:\n")
    part = "faultfinder_parts: 1\n" + TEXT[begin:end]
    text = (TEXT[:begin] + TEXT[end:]).replace("start: closed", "start: closed\ninclude: [p.yaml]")
    model = parse_model(text, "leading.yaml", lambda _: part.encode())
    figures = _tuned(model)
    proposed = propose(text, {"p.yaml": part}, figures, "2026-01-01")
    after = parse_model(proposed.text, "leading.yaml", lambda _: part.encode())
    for figure in figures:
        rows = after.by_name[figure.place.variable].distribution.rows  # type: ignore[union-attr]
        row = next(row for row in rows if row.key == figure.place.key)
        assert row.gives == pytest.approx(figure.after, abs=2e-4)
