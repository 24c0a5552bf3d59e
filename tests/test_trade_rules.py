"""The trade rules every family that comes along must reproduce, as orderings of posteriors.

The rules are common practice, no source: they say which cause a technician looks at before
which other, not how likely each is. The situations are invented.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pytest

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.rounds import MINUTES, MOST
from faultfinder.model.parts import FaultModel, Kind, Move
from faultfinder.report.consultation.text import next_page
from faultfinder.report.consultation.view import View
from tests import MODELS
from tests.families import Family

NAMES = ("thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop")
FAMILIES = {name: Family(name, MODELS) for name in NAMES}
PORTABLE = NAMES[:3]
LIGHT = ("panel_light", "lamp", "light_driver_part", "light_supply_on_board", "plug_light")
BEHIND_THE_SPLIT = (
    "panel", "panel_cracked", "panel_image", "panel_light", "display_cable", "light_cable",
    "plug_board_end", "plug_panel_end", "plug_light",
)  # fmt: skip
NOT_STARTED = ("memory", "processor_or_seating", "battery_flat", "storage_drive")


def chance(found: Mapping[str, float], causes: Iterable[str]) -> float:
    """The sum over causes; those that a family does not have count nothing."""
    return sum(found.get(cause, 0.0) for cause in causes)


@pytest.fixture(params=NAMES)
def family(request: pytest.FixtureRequest) -> Family:
    return FAMILIES[request.param]


@pytest.fixture(params=PORTABLE)
def portable(request: pytest.FixtureRequest) -> Family:
    return FAMILIES[request.param]


# --- the split: what is on both screens comes from before it


def test_lines_on_both_screens_are_never_the_panels(family: Family) -> None:
    found = family.chances(image="lines_down", external_monitor="same_fault")
    assert next(iter(found)) == "board_graphics"
    assert chance(found, BEHIND_THE_SPLIT) < 0.1


def test_lines_here_only_are_the_panels_first(family: Family) -> None:
    found = family.chances(image="lines_down", external_monitor="good")
    assert next(iter(found)) in ("panel_image", "panel", "panel_cracked")
    assert chance(found, ("board_graphics", "graphics_card")) < 0.1


def test_a_good_outside_screen_clears_what_does_not_start(family: Family) -> None:
    dark = family.chances(screen_light="dark")
    good = family.chances(screen_light="dark", external_monitor="good")
    assert chance(good, NOT_STARTED) < 0.3 * chance(dark, NOT_STARTED)
    assert chance(good, BEHIND_THE_SPLIT) > chance(dark, BEHIND_THE_SPLIT)


def test_an_outside_screen_that_stays_dark_points_before_the_split(family: Family) -> None:
    found = family.chances(screen_light="dark", external_monitor="nothing")
    assert chance(found, BEHIND_THE_SPLIT) < 0.15


# --- how far the picture gets


def test_a_picture_until_the_system_loads_is_the_systems(family: Family) -> None:
    found = family.chances(firmware_screen="picture", stage_with_picture="until_system_loads")
    assert next(iter(found)) == "system_or_driver"
    assert chance(found, ("system_or_driver", "settings")) > 0.5
    assert chance(found, ("panel", "panel_image", "display_cable")) < 0.05


def test_bad_in_the_firmwares_pages_is_not_the_systems(family: Family) -> None:
    found = family.chances(firmware_screen="nothing", external_monitor="good")
    assert found["system_or_driver"] < 0.03


# --- the light chain


def test_a_faint_image_by_torch_is_the_light_chain(family: Family) -> None:
    dark = family.chances(screen_light="dark")
    found = family.chances(screen_light="dark", torch="image_seen")
    chain = (*LIGHT, "light_cable", "display_cable", "plug_corroded_or_burnt", "settings")
    assert chance(found, chain) > 0.7
    assert chance(found, LIGHT) > 2 * chance(dark, LIGHT)
    assert chance(found, ("panel", "panel_image", "panel_cracked")) < 0.08


def test_lit_and_blank_leaves_the_light_chain_out(family: Family) -> None:
    assert chance(family.chances(screen_light="lit", image="none"), LIGHT) < 0.05


def test_a_blown_fuse_is_the_supply_on_the_board(family: Family) -> None:
    found = family.chances(screen_light="dark", light_fuse="blown")
    assert next(iter(found)) == "light_supply_on_board"
    assert found["light_supply_on_board"] > 0.8


def test_a_supply_that_is_there_clears_the_supply(portable: Family) -> None:
    dark = {"screen_light": "dark", "torch": "image_seen"}
    before = portable.chances(**dark)["light_supply_on_board"]
    assert portable.chances(**dark, light_supply="present")["light_supply_on_board"] < before / 3


@pytest.mark.parametrize("name", ["bezel_clamshell", "onepiece_desktop"])
def test_dimmer_and_redder_over_months_is_a_lamp(name: str) -> None:
    found = FAMILIES[name].chances(began="by_and_by", screen_light="dim", tint="reddish")
    assert next(iter(found)) == "lamp"


# --- lid, magnets, movement


def test_asleep_with_the_lid_open_is_sensor_or_magnet(portable: Family) -> None:
    found = portable.chances(sleeps_with_lid_open="yes", lid_angle="sleeps")
    assert chance(found, ("lid_sensor", "foreign_magnet", "fold_sensor", "hinge")) > 0.6


def test_dark_on_another_machine_is_its_magnet(portable: Family) -> None:
    found = portable.chances(place="on_another_machine", sleeps_with_lid_open="yes")
    assert next(iter(found)) == "foreign_magnet"
    assert found["foreign_magnet"] > 0.8


@pytest.mark.parametrize("name", ["thin_clamshell", "bezel_clamshell"])
def test_a_picture_that_breaks_up_with_the_angle_is_cable_or_plug(name: str) -> None:
    found = FAMILIES[name].chances(lid_angle="picture_comes_and_goes", external_monitor="good")
    assert next(iter(found)) == "display_cable"


def test_a_lid_sensor_needs_more_than_a_dark_screen(portable: Family) -> None:
    assert portable.chances(screen_light="dark")["lid_sensor"] < 0.06


# --- what was done before


@pytest.mark.parametrize("name", ["thin_clamshell", "bezel_clamshell"])
def test_a_machine_never_opened_hardly_has_a_plug_off(name: str) -> None:
    plugs = ("plug_board_end", "plug_panel_end", "plug_light")
    never = {"opened_before": "no", "after": "nothing_known", "external_monitor": "good"}
    opened = {"opened_before": "yes", "after": "own_repair", "external_monitor": "good"}
    assert chance(FAMILIES[name].chances(**never), plugs) < 0.08
    assert chance(FAMILIES[name].chances(**opened), plugs) > 0.2


def test_liquid_raises_corroded_plugs_and_the_lights_supply(portable: Family) -> None:
    hit = ("plug_corroded_or_burnt", "light_supply_on_board")
    dry = chance(portable.chances(screen_light="dark"), hit)
    assert chance(portable.chances(screen_light="dark", after="liquid"), hit) > 2.5 * dry


def test_dead_since_the_firmware_was_written_is_firmware(family: Family) -> None:
    found = family.chances(
        after="firmware_write", keyboard_answers="no", external_monitor="nothing"
    )
    assert next(iter(found)) in ("firmware", "hung_controller")


def test_a_system_that_is_heard_has_memory_and_processor_behind_it(family: Family) -> None:
    assert chance(family.chances(system_heard="yes", screen_light="dark"), NOT_STARTED) < 0.02


# --- what is seen on a part is nearly decisive, and a part seen well is cleared


@pytest.mark.parametrize(
    ("finding", "result", "cause"),
    [
        ("board_plug", "off", "plug_board_end"),
        ("panel_plug", "off", "plug_panel_end"),
        ("light_plug", "off", "plug_light"),
        ("contacts_seen", "corroded", "plug_corroded_or_burnt"),
        ("cable_seen", "torn", "display_cable"),
        ("known_good_memory", "good", "memory"),
        ("power_drain", "helps", "hung_controller"),
    ],
)
def test_a_part_found_bad_leads(family: Family, finding: str, result: str, cause: str) -> None:
    before = family.chances()[cause]
    found = family.chances(**{finding: result})
    assert next(iter(found)) == cause, dict(found)
    assert found[cause] > 4 * before


def test_one_fault_hides_another() -> None:
    # Off at the board and cracked as well: dark until the plug is home, cracked all the same.
    found = FAMILIES["thin_clamshell"].chances(
        screen_light="dark", board_plug="off", glass="cracked"
    )
    assert found["plug_board_end"] > 0.8
    assert found["panel_cracked"] > 0.5


def test_side_damage_is_a_link(portable: Family) -> None:
    dark = {"screen_light": "dark", "torch": "image_seen"}
    found = portable.chances(**dark, contacts_seen="corroded")
    assert found["plug_corroded_or_burnt"] > 0.5
    assert found["light_supply_on_board"] > 0.05
    # Without the link it would fall back to its rate among all machines.


# --- stages, cautions, repairs


def _reached(start: str, moves: Iterable[Move], without: Iterable[str] = ()) -> set[str]:
    """Stages that can be reached from `start` without entering those in `without`."""
    moves, shut = list(moves), set(without)
    found, waiting = {start}, [start]
    while waiting:
        here = waiting.pop()
        for move in moves:
            if move.start == here and move.end not in found | shut:
                found.add(move.end)
                waiting.append(move.end)
    return found


def test_nothing_inside_is_reached_before_the_battery_is_isolated(portable: Family) -> None:
    model = portable.model
    others = [m for m in model.moves if (m.start, m.end) != ("cover_off", "isolated")]
    assert _reached(model.start, others) == {"closed", "cover_off"}
    (isolating,) = [m for m in model.moves if (m.start, m.end) == ("cover_off", "isolated")]
    assert "battery" in isolating.how


def test_no_way_back_to_closed_skips_the_run_with_the_cover_off(portable: Family) -> None:
    model = portable.model
    assert all(move.start == "cover_off" for move in model.moves if move.end == "closed")
    assert model.stages_by_name["cover_off"].powered


def test_every_move_has_a_way_back_and_every_power_up_a_caution(family: Family) -> None:
    model = family.model
    pairs = {(move.start, move.end) for move in model.moves}
    assert pairs == {(end, start) for start, end in pairs}
    powered = {stage.name: stage.powered for stage in model.stages}
    for move in model.moves:
        if powered[move.start] != powered[move.end]:
            assert move.caution, (move.start, move.end)


def test_the_way_to_the_display_plugs_names_what_is_in_the_way(portable: Family) -> None:
    (baring,) = [m for m in portable.model.moves if m.end == "plugs_bare" and m.start == "isolated"]
    assert "hinge covers" in baring.how
    assert baring.minutes >= 4
    (cover,) = [m for m in portable.model.moves if m.end == "cover_off" and m.start == "closed"]
    assert "screws" in cover.how


def test_live_measuring_carries_its_caution_and_names_what_comes_first(family: Family) -> None:
    for name in ("measure_light_supply", "measure_panel_supply"):
        check = family.model.checks_by_name[name]
        assert family.model.stages_by_name[check.stage].powered
        assert "live" in check.title
        assert "torch come first" in check.caution


def test_readings_in_ohm_are_taken_without_power(family: Family) -> None:
    model = family.model
    for check in model.checks:
        for name in check.observes:
            reading = model.by_name[name].reading
            if reading is not None and reading.unit == "ohm":
                assert not model.stages_by_name[check.stage].powered, check.name


def test_plugs_are_moved_only_without_power(family: Family) -> None:
    for name in ("try_board_plug", "try_panel_plug"):
        check = family.model.checks_by_name[name]
        assert not family.model.stages_by_name[check.stage].powered
        assert "disconnected" in check.caution or "mains plug out" in check.caution


def test_resets_ask_for_the_recovery_key_first(family: Family) -> None:
    repairs = family.model.repairs_by_name
    for name in ("drain_power", "reset_firmware", "write_firmware", "mend_system"):
        assert "recovery key" in repairs[name].caution, name


def test_broken_glass_is_taped_and_nothing_is_bent_with_a_panel_in_it(family: Family) -> None:
    model = family.model
    assert "Tape" in model.checks_by_name["look_glass"].caution
    assert "with a panel in it" in model.repairs_by_name["straighten_case"].caution


def test_a_swollen_battery_stops_the_diagnosis(portable: Family) -> None:
    found = portable.seen(battery="swollen")
    assert found.stop.startswith("Stop.")
    assert portable.seen(battery="flat_shaped").stop == ""


def test_a_wet_machine_is_isolated_and_looked_at_before_all_else(portable: Family) -> None:
    wet = portable.seen(after="liquid", screen_light="flickers")
    assert wet.round[0] == "look_board"
    assert "not switched on" in wet.cautions[0]
    assert "battery disconnected" in wet.cautions[0]
    # What the flicker suggests is a look with power on.
    assert [one.findings for one in wet.suggestions] == [("after",)]


@pytest.mark.parametrize("name", ["thin_clamshell", "bezel_clamshell"])
def test_draining_waits_for_the_outside_screen_and_ends_the_round(name: str) -> None:
    told = FAMILIES[name].seen(
        stage_with_picture="never", screen_light="dark", power_lamp="on", start_sound="not_heard"
    )
    assert told.round[-2:] == ("external_monitor", "drain_all_power")
    checks = told.case.model.model.checks_by_name
    assert len(told.round) <= MOST
    assert sum(checks[one].minutes for one in told.round) <= MINUTES


@pytest.mark.parametrize(
    "told",
    [
        {"after": "new_system", "stage_with_picture": "until_system_loads", "screen_light": "dark"},
        {"after": "system_update", "image": "doubled"},
    ],
)
def test_draining_stays_out_of_a_round_where_it_is_seldom_wanted(told: dict[str, str]) -> None:
    found = FAMILIES["bezel_clamshell"].seen(**told, anything_else="nothing")
    assert "external_monitor" in found.round
    assert "drain_all_power" not in found.round


def test_a_quote_beyond_what_owners_usually_pay_says_so(family: Family) -> None:
    lines = {"image": "lines_down", "external_monitor": "good"}
    said = []
    for worth in (400.0, 600.0, 900.0, 5000.0):
        told = consult(Case(family.compiled, lines, worth=worth))
        assert told.quote is not None
        most = max(told.quote.high, told.quote.repaired_high or 0.0)
        words = f"Above about {0.45 * worth:.0f} EUR owners of such machines usually decline"
        said.append(words in " ".join(next_page(View(told)).split()))
        assert said[-1] is (most > 0.45 * worth)
    assert set(said) == {True, False}


def test_repairs_mend_what_they_mend(family: Family) -> None:
    repairs = family.model.repairs_by_name
    assert "plug_corroded_or_burnt" not in repairs["replace_panel"].mends
    assert {"plug_board_end", "plug_panel_end", "plug_corroded_or_burnt"} <= set(
        repairs["clean_contacts"].mends
    )
    assert "hung_controller" in repairs["reset_firmware"].mends
    assert not any(cause.startswith("panel") for cause in repairs["reset_firmware"].mends)


def test_every_cause_has_a_repair_and_ways_of_its_own(family: Family) -> None:
    model: FaultModel = family.model
    mended = {cause for repair in model.repairs for cause in repair.mends}
    for cause in model.of_kind(Kind.CAUSE):
        assert cause.name in mended, cause.name
        assert all(f"{state}:" in cause.note for state in cause.states[1:]), cause.name


def test_what_is_rare_by_nature_is_not_called_surprising() -> None:
    """One of twenty things done before is told of few machines, and is no reading to doubt."""
    compiled = FAMILIES["bezel_clamshell"].compiled
    rare = consult(Case(compiled, {"glass": "whole", "after": "firmware_write"}))
    assert rare.warnings == ()
    odd = consult(Case(compiled, {"power_lamp": "off", "system_heard": "yes"}))
    assert any("power_lamp=off" in one for one in odd.warnings)


@pytest.mark.parametrize("hinge", ["stiff", "broken_mount"])
def test_a_lid_that_would_tear_is_not_moved(portable: Family, hinge: str) -> None:
    assert any(one.check == "move_lid" for one in portable.seen(image="lines_down").order)
    for told in ({"hinge_hold": hinge}, {"glass": "cracked"}):
        seen = portable.seen(image="lines_down", **told)
        assert all(one.check != "move_lid" for one in seen.order)


def test_a_plug_is_looked_at_before_it_is_moved(portable: Family) -> None:
    seen = portable.seen(image="none", external_monitor="good")
    for reseat, look in (
        ("try_board_plug", "look_board_plug"),
        ("try_panel_plug", "look_panel_plug"),
    ):
        model = seen.case.model.model
        assert look in model.checks_by_name[reseat].behind
    assert "board_plug" not in seen.case.latest
    place = {one.check: rank for rank, one in enumerate(seen.order_at_bench)}
    assert place["look_board_plug"] < place["try_board_plug"]
