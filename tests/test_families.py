"""What every family must hold: those of the earlier version, and those that come along (NOW)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
import yaml

from faultfinder.model.parts import Kind
from tests import MODELS
from tests.consulted import look_at
from tests.families import Family, prior

FAMILIES = [Family(name) for name in ("bezel_clamshell", "folding_touch", "onepiece_desktop")]
ALL = [Family("thin_clamshell"), *FAMILIES]
NOW = [Family(family.name, MODELS) for family in ALL]


def _name(family: Family) -> str:
    return family.name


@pytest.mark.parametrize("family", [*FAMILIES, *NOW], ids=_name)
def test_every_guess_says_what_it_is_worth(family: Family) -> None:
    silence = family.model.silence
    for variable in family.model.variables:
        if silence is not None and variable.name == silence.finding:
            continue  # it has no figures: it tells by what was not mentioned
        if variable.kind in (Kind.HISTORY, Kind.CAUSE, Kind.FINDING):
            assert variable.basis is not None, variable.name
            assert variable.basis.worth is not None, variable.name
            assert "no source" in variable.basis.text


@pytest.mark.parametrize("family", FAMILIES, ids=_name)
def test_every_cause_depends_on_at_most_two_histories(family: Family) -> None:
    for cause in family.model.of_kind(Kind.CAUSE):
        assert 1 <= len(cause.parents) <= 2, cause.name


@pytest.mark.parametrize("family", [*ALL, *NOW], ids=_name)
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


# --- the words of the casebook

LEFT_OUT: Mapping[str, set[str]] = {
    # no display of its own to fold, lamp or card of its own, lid or battery
    "thin_clamshell": {"lamp", "graphics_card", "fold_sensor"},
    "bezel_clamshell": {"fold_sensor"},
    "folding_touch": {"lamp", "graphics_card"},
    "onepiece_desktop": {
        "lid_sensor", "foreign_magnet", "fold_sensor", "battery_flat", "battery_faulty",
        "keyboard_base_or_dock",
    },
}  # fmt: skip
FACTS_LEFT_OUT: Mapping[str, set[str]] = {
    "onepiece_desktop": {
        "lid_worked", "sleeps_with_lid_open", "magnet_near", "battery", "charge_state",
        "charger_lamp",
    },
}  # fmt: skip


NO_CAUSE = {"no_fault_found", "liquid_damage"}
"""Words of the vocabulary that say no part, and count in no score."""


class _Words(yaml.SafeLoader):
    """Reads every scalar as a word: `no` and `off` are results here."""


_Words.yaml_implicit_resolvers = {}


def _casebook(name: str) -> Any:
    with (MODELS / "casebook" / name).open(encoding="utf-8") as file:
        return yaml.load(file, _Words)


@pytest.mark.parametrize("family", NOW, ids=_name)
def test_every_fault_of_the_vocabulary_has_a_name_where_it_can_exist(family: Family) -> None:
    causes = {cause.name for cause in family.model.of_kind(Kind.CAUSE)}
    for word in _casebook("vocabulary.yaml")["at_fault"]:
        if word in LEFT_OUT[family.name] or word in NO_CAUSE:
            assert word not in causes
            continue
        assert word in causes, word


@pytest.mark.parametrize("family", NOW, ids=_name)
def test_every_fact_of_the_vocabulary_is_a_finding_that_some_check_brings(family: Family) -> None:
    model, mapped = family.model, _casebook("mapping.yaml")["common"]["facts"]
    observed = {name for check in model.checks for name in check.observes}
    for fact, values in _casebook("vocabulary.yaml")["facts"].items():
        if fact == "other_part_tried" or fact in FACTS_LEFT_OUT.get(family.name, set()):
            continue
        name = mapped.get(fact, {"finding": fact})["finding"]
        assert name in observed, fact
        if isinstance(values, list):
            missing = set(values) - set(model.by_name[name].states)
            # On the mains there is no battery to change to, and one place to stand in.
            assert not missing or (family.name, fact) in {
                ("onepiece_desktop", "power_source"), ("onepiece_desktop", "place"),
            }, (fact, missing)  # fmt: skip


@pytest.mark.parametrize("family", NOW, ids=_name)
def test_every_action_of_the_vocabulary_is_a_repair_of_some_family(family: Family) -> None:
    repairs = {repair.name for now in NOW for repair in now.model.repairs}
    mapped = _casebook("mapping.yaml")["common"].get("actions", {})
    for action in _casebook("vocabulary.yaml")["actions"]:
        if action != "hand_over":  # to stop is no repair
            assert set(mapped.get(action, [action])) <= repairs, action


@pytest.mark.parametrize("family", NOW, ids=_name)
def test_two_faults_at_once_are_a_few_percent_of_the_complaints(family: Family) -> None:
    causes = family.model.of_kind(Kind.CAUSE)
    present = sum(family.chances()[cause.name] for cause in causes)
    assert 1.0 < present < 1.08


@pytest.mark.parametrize("family", NOW, ids=_name)
def test_every_cause_brings_the_complaint_about(family: Family) -> None:
    assert family.model.complaint is not None
    complaint = family.model.by_name[family.model.complaint]
    assert complaint.parents == ("leading",)
    leading = family.model.by_name["leading"]
    for cause in family.model.of_kind(Kind.CAUSE):
        for state in cause.states[1:]:
            assert f"{cause.name}.{state}" in leading.states
