"""What every family that comes along must hold."""

from __future__ import annotations

import pytest

from faultfinder.model.parts import Kind
from tests.consulted import look_at
from tests.families import Family, prior

FAMILIES = [Family(name) for name in ("bezel_clamshell", "folding_touch", "onepiece_desktop")]
ALL = [Family("thin_clamshell"), *FAMILIES]


def _name(family: Family) -> str:
    return family.name


@pytest.mark.parametrize("family", FAMILIES, ids=_name)
def test_every_guess_says_what_it_is_worth(family: Family) -> None:
    for variable in family.model.variables:
        if variable.kind in (Kind.HISTORY, Kind.CAUSE, Kind.FINDING):
            assert variable.basis is not None, variable.name
            assert variable.basis.worth is not None, variable.name
            assert "no source" in variable.basis.text


@pytest.mark.parametrize("family", FAMILIES, ids=_name)
def test_every_cause_depends_on_at_most_two_histories(family: Family) -> None:
    for cause in family.model.of_kind(Kind.CAUSE):
        assert 1 <= len(cause.parents) <= 2, cause.name


@pytest.mark.parametrize("family", ALL, ids=_name)
def test_every_check_says_how_in_two_or_three_lines(family: Family) -> None:
    assert [c.name for c in family.model.checks if not 2 <= len(c.how) <= 3] == []


@pytest.mark.parametrize("family", FAMILIES, ids=_name)
def test_every_faulty_state_of_every_cause_brings_the_complaint_about(family: Family) -> None:
    # P(complaint, cause = state) = P(cause = state) just where the complaint always follows.
    for cause in family.model.of_kind(Kind.CAUSE):
        for state in cause.states[1:]:
            seen = look_at(family.compiled, {cause.name: state})
            expected = prior(family.model, cause.name, state)
            assert seen.evidence_probability == pytest.approx(expected, rel=1e-9)
