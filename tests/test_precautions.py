"""What was told can call for a look before all else, unless what else is known answers it."""

from __future__ import annotations

import pytest

from faultfinder import Case
from faultfinder.consultation.consult import consult
from faultfinder.inference.loading import load_model
from tests import MODELS

FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")
DARK = {"after": "system_update", "screen_light": "dark", "stage_with_picture": "never"}


@pytest.mark.parametrize("family", FAMILIES)
def test_a_machine_without_a_picture_since_an_update_is_left_at_work_first(family: str) -> None:
    told = consult(Case(load_model(MODELS / f"{family}.yaml"), DARK))
    step = told.next_step
    assert step is not None
    assert (step.kind, step.name) == ("check", "leave_alone")
    assert told.round[0] == "leave_alone"
    assert any("may still be at work" in one for one in told.cautions)


@pytest.mark.parametrize(
    "seen",
    [
        {"stage_with_picture": "until_system_loads"},
        {"external_monitor": "good"},
        {"image": "doubled"},
        {"left_alone": "no_change"},
    ],
)
def test_not_where_a_picture_or_the_wait_itself_shows_that_it_has_ended(
    seen: dict[str, str],
) -> None:
    for family in FAMILIES:
        compiled = load_model(MODELS / f"{family}.yaml")
        told = consult(Case(compiled, {"after": "system_update", **seen}))
        assert told.first_look is None


def test_a_firmware_write_asks_for_the_wait_whatever_is_seen() -> None:
    compiled = load_model(MODELS / "thin_clamshell.yaml")
    told = consult(Case(compiled, {"after": "firmware_write", "external_monitor": "good"}))
    assert told.first_look is not None
    assert told.first_look.look == "leave_alone"


@pytest.mark.parametrize("family", FAMILIES[:3])
@pytest.mark.parametrize(
    "known",
    [
        {"after": "long_storage"},
        {"flicker_when": "on_battery"},
        {"power_source": "only_on_charger"},
    ],
)
def test_a_battery_that_lay_long_or_fails_is_looked_at_first(
    family: str, known: dict[str, str]
) -> None:
    """Common practice, no source: a cell that was deeply discharged or fails can swell."""
    told = consult(Case(load_model(MODELS / f"{family}.yaml"), known))
    assert told.round[0] == "look_battery"
    assert told.next_step is not None
    assert told.next_step.name == "look_battery"
