"""The trade rules the bezel clamshell must reproduce, as orderings of posteriors.

The rules are common practice, no source: they say which cause a technician looks at
before which other, not how likely each is. The scenarios are invented.
"""

from __future__ import annotations

import pytest

from faultfinder.model.parts import FaultModel
from tests.consulted import look_at
from tests.families import Family

DISPLAY = ("panel", "data_cable", "panel_connector", "data_connector", "light_connector")
LIGHT_SIDE = ("panel", "data_cable", "light_connector", "backlight_supply")

FAMILY = Family("bezel_clamshell")
causes, first = FAMILY.causes, FAMILY.first


@pytest.fixture(scope="module")
def model() -> FaultModel:
    return FAMILY.compiled.model


# --- what the model holds


def test_nothing_in_the_lid_or_on_the_board_is_reached_with_the_battery_connected(
    model: FaultModel,
) -> None:
    inside = {"bezel_off", "panel_forward", "panel_out", "connectors_out", "board_out"}
    assert not any(model.stages_by_name[stage].powered for stage in inside)
    outside = {"closed", "cover_off"}
    for move in model.moves:
        if move.end in inside | {"trial_panel"}:
            assert move.start not in outside, (move.start, move.end)


def test_every_stage_check_and_repair_inside_carries_a_caution_at_hand(model: FaultModel) -> None:
    lid = {"bezel_off", "panel_forward", "panel_out", "trial_panel"}
    assert [c.name for c in model.checks if c.stage in lid and not c.caution] == []
    assert [r.name for r in model.repairs if r.stage != "closed" and not r.caution] == []
    assert [s for s in lid if not model.stages_by_name[s].caution] == []
    assert [m.end for m in model.moves if m.end in lid and not m.caution] == []


def test_a_swollen_battery_stops_it(model: FaultModel) -> None:
    for finding, result in (("case_bulge", "bulging"), ("battery_shape", "swollen")):
        stopped = look_at(FAMILY.compiled, {finding: result})
        assert stopped.stop
        assert stopped.next is None


# --- orderings (common practice, no source)


def test_a_machine_opened_before_with_no_picture_anywhere_has_its_memory_looked_at_first() -> None:
    found = causes(earlier_repair="yes", start_signs="some", external_picture="none")
    assert next(iter(found)) == "memory"
    assert found["memory"] > 3 * found["not_starting"]


def test_beeps_in_a_pattern_with_a_running_fan_point_to_memory_before_the_board() -> None:
    found = causes(fault_signal="given", start_signs="some", image="none")
    assert found["memory"] > found["not_starting"] > found["board_display"]


def test_memory_that_starts_after_reseating_was_the_seat_and_not_the_module() -> None:
    states = {c: causes(memory_reseated=c)["memory"] for c in ("starts", "no_change")}
    assert states["starts"] > 0.5 > states["no_change"]
    seat = look_at(FAMILY.compiled, {"memory_reseated": "starts"}).cause_states["memory"]
    assert seat["unseated"] > seat["faulty"]


def test_no_sign_of_life_and_a_dark_charging_lamp_point_to_the_battery_before_the_display() -> None:
    found = causes(start_signs="none", charge_lamp="dark", image="none")
    assert found["battery_low"] > max(found[name] for name in DISPLAY)


def test_a_faint_image_under_a_torch_leaves_the_light_side_and_clears_the_memory() -> None:
    found = causes(backlight="off", torch_image="faint_seen")
    assert max(found, key=lambda name: found[name]) in (*LIGHT_SIDE, "settings")
    assert found["memory"] < 0.02
    assert found["panel"] > found["backlight_supply"]


def test_a_blown_fuse_beats_the_panel_when_it_reads_open_after_earlier_work() -> None:
    before = causes(earlier_repair="yes", torch_image="faint_seen")
    found = causes(earlier_repair="yes", torch_image="faint_seen", fuse_ohms="blown")
    assert found["backlight_supply"] > found["panel"]
    assert before["backlight_supply"] < 0.5 < found["backlight_supply"]


def test_a_picture_that_breaks_up_as_an_old_lid_moves_is_the_cable_before_the_panel() -> None:
    found = causes(age="old", image="unsteady", lid_move="breaks_up")
    assert next(iter(found)) == "data_cable"
    assert found["data_cable"] > 3 * found["panel"]


def test_a_gaping_bezel_turns_suspicion_from_the_cable_to_the_hinge() -> None:
    moved = {"image": "unsteady", "lid_move": "breaks_up", "age": "old"}
    assert causes(**moved)["data_cable"] > causes(**moved)["hinge_torn"]
    gaping = causes(**moved, bezel_gap="gapes")
    assert gaping["hinge_torn"] > gaping["data_cable"]


def test_a_screen_that_changes_under_a_touch_of_the_bezel_is_a_plug_before_the_panel() -> None:
    found = causes(image="unsteady", bezel_touch="changes", age="young")
    assert found["panel_connector"] > found["data_cable"] > found["panel"]


def test_after_earlier_work_the_plugs_come_before_the_panel() -> None:
    fresh = causes(backlight="off", image="none", panel_listed="missing")
    opened = causes(backlight="off", image="none", panel_listed="missing", earlier_repair="yes")
    plugs = ("data_connector", "panel_connector")
    assert sum(opened[p] for p in plugs) > sum(fresh[p] for p in plugs)
    assert sum(opened[p] for p in plugs) > opened["panel"]


def test_cracked_glass_means_the_panel() -> None:
    assert first(glass="cracked", image="lines") == "panel"
    assert causes(glass="cracked", image="lines")["panel"] > 0.8


def test_a_good_picture_on_a_known_good_panel_leaves_the_old_panel_and_its_plugs() -> None:
    found = causes(backlight="off", image="none", trial_picture="good")
    beyond = ("board_display", "data_cable", "memory", "not_starting", "backlight_supply")
    assert found["panel"] > 4 * max(found[name] for name in beyond)
    bad = causes(backlight="off", image="none", trial_picture="bad")
    assert bad["panel"] < 0.25 * found["panel"]


def test_an_erratic_lid_switch_is_suspected_when_it_sleeps_with_the_lid_open() -> None:
    found = causes(sleeps_on_move="yes", lid_move="on_off", hinge_hold="holds")
    assert next(iter(found)) == "lid_switch"


def test_liquid_turns_to_the_board_and_its_connector() -> None:
    dry, wet = causes(image="none", liquid="no"), causes(image="none", liquid="yes")
    for name in ("connector_corroded", "board_display", "not_starting"):
        assert wet[name] > 2 * dry[name]
    assert wet["panel"] < dry["panel"]


def test_the_page_asks_for_memory_and_light_before_the_bezel_comes_off() -> None:
    seen = look_at(FAMILY.compiled, {"backlight": "off", "image": "none"})
    assert seen.next is not None
    assert FAMILY.compiled.model.checks_by_name[seen.next.check].stage == "closed"
