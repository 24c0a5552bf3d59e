"""The trade rules the one-piece desktop must reproduce, as orderings of posteriors.

The rules are common practice, no source: they say which cause a technician looks at
before which other, not how likely each is. The scenarios are invented.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultfinder.consultation.bench import build_problem
from faultfinder.decide.shop import Shop
from faultfinder.model.parts import FaultModel
from tests.consulted import advised, look_at
from tests.families import Family

LIGHT_SIDE = ("driver", "driver_plug", "lamps", "lamp_plug", "main_supply")
NOT_RUNNING = ("mains_feed", "main_supply", "not_starting", "memory")
INSIDE = {"frame_up", "panel_out", "board_out", "live_open", "trial_driver"}

FAMILY = Family("onepiece_desktop")
diagnosis, causes, first = FAMILY.seen, FAMILY.causes, FAMILY.first


@pytest.fixture(scope="module")
def model() -> FaultModel:
    return FAMILY.compiled.model


# --- what the model holds


def test_every_guess_about_a_repair_says_what_it_is_worth(model: FaultModel) -> None:
    assert [r.name for r in model.repairs if r.basis is None or r.basis.worth is None] == []


def test_every_repair_is_proved_afterwards_and_every_one_inside_by_the_safety_test(
    model: FaultModel,
) -> None:
    assert [r.name for r in model.repairs if not r.proof] == []
    inside = [r for r in model.repairs if r.stage != "closed"]
    assert len(inside) >= 10
    assert [r.name for r in inside if not {"earth_and_screws", "safety_test"} <= set(r.proof)] == []


def test_no_proof_asks_for_power_with_the_back_cover_off(model: FaultModel) -> None:
    before = [proof.name for proof in model.proofs if proof.before_cover]
    assert before == ["earth_and_screws"]


def test_no_text_of_a_battery_or_a_lid_is_left_over_from_the_portable_families(
    model: FaultModel,
) -> None:
    texts = [variable.ask or "" for variable in model.variables]
    for check in model.checks:
        texts += [check.title, check.caution or "", *check.how]
    for repair in model.repairs:
        texts += [repair.title, repair.caution or "", *repair.how]
    texts += [proof.title for proof in model.proofs]
    words = {word.strip(".,;:?") for text in texts for word in text.lower().split()}
    assert not words & {"battery", "lid", "hinge", "charger", "lithium"}


# --- mains


def test_nothing_inside_is_reached_before_mains_is_unplugged_and_discharged(
    model: FaultModel,
) -> None:
    reached = {"closed"}
    while True:
        more = {m.end for m in model.moves if m.start in reached and m.end != "isolated"} - reached
        if not more:
            break
        reached |= more
    assert reached == {"closed", "face_down", "cover_off"}
    assert not model.stages_by_name["isolated"].powered
    assert not model.stages_by_name["cover_off"].powered


def test_no_repair_is_done_with_mains_on_and_the_back_open(model: FaultModel) -> None:
    live = {s.name for s in model.stages if s.powered} - {"closed"}
    assert live == {"live_open", "trial_driver"}
    assert [r.name for r in model.repairs if r.stage in live] == []
    assert [r.name for r in model.repairs if r.stage == "cover_off"] == []


def test_live_stages_are_for_those_allowed_and_left_only_over_a_discharge(
    model: FaultModel,
) -> None:
    for move in model.moves:
        if move.end in ("live_open", "trial_driver"):
            assert "local rules" in (move.caution or ""), move.end
        if move.start in ("live_open", "trial_driver"):
            assert move.end == "isolated"
            assert "zero" in move.how
    for check in model.checks:
        if check.stage == "live_open":
            assert "low side only" in (check.caution or "").lower(), check.name
            assert "local rules" in (check.caution or ""), check.name


def test_every_stage_move_check_and_repair_inside_carries_a_caution_at_hand(
    model: FaultModel,
) -> None:
    assert [s.name for s in model.stages if not s.caution] == []
    assert [(m.start, m.end) for m in model.moves if not m.caution] == []
    assert [
        c.name for c in model.checks if c.stage in INSIDE | {"isolated"} and not c.caution
    ] == []
    assert [r.name for r in model.repairs if r.stage != "closed" and not r.caution] == []


def test_whoever_handles_lamps_is_warned_of_glass_and_mercury(model: FaultModel) -> None:
    assert "mercury" in (model.stages_by_name["panel_out"].caution or "")
    assert "mercury" in (model.checks_by_name["look_lamps"].caution or "")
    for name in ("new_lamps", "new_panel"):
        assert "mercury" in (model.repairs_by_name[name].caution or "")


@pytest.mark.parametrize(
    ("finding", "result"),
    [("burnt_smell", "burnt"), ("damp", "wet"), ("supply_seen", "scorched")],
)
def test_a_burnt_smell_damp_or_a_scorched_supply_stops_it(finding: str, result: str) -> None:
    stopped = diagnosis(**{finding: result, "backlight": "off"})
    assert stopped.stop
    assert "plug" in stopped.stop
    assert stopped.next is None


def test_a_spill_that_has_dried_does_not_stop_it() -> None:
    dried = diagnosis(liquid="yes", damp="dry")
    assert not dried.stop
    assert dried.next is not None


# --- orderings (common practice, no source)


def test_a_flash_of_light_at_switching_on_of_an_old_machine_is_the_lamps_before_the_driver() -> (
    None
):
    found = causes(age="old", start_flash="flash", torch_image="faint_seen")
    assert next(iter(found)) == "lamps"
    assert found["lamps"] > found["lamp_plug"] > found["panel"]
    assert found["lamps"] > 4 * found["driver"]


def test_no_flash_and_a_faint_image_that_failed_at_once_is_the_driver_before_the_lamps() -> None:
    found = causes(torch_image="faint_seen", start_flash="no", onset="at_once", backlight="off")
    assert next(iter(found)) == "driver"
    assert found["driver"] > 3 * found["lamps"]


def test_a_flash_after_earlier_work_turns_suspicion_from_the_lamps_to_their_plug() -> None:
    flash = {"start_flash": "flash", "torch_image": "faint_seen", "age": "young"}
    worked = causes(**flash, earlier_repair="yes")
    assert worked["lamp_plug"] > worked["lamps"]
    assert causes(**flash, earlier_repair="no")["lamps"] > worked["lamps"]


def test_a_faint_image_under_a_torch_leaves_the_light_side_and_clears_memory_and_panel() -> None:
    found = causes(backlight="off", torch_image="faint_seen")
    assert next(iter(found)) in LIGHT_SIDE
    for name in ("memory", "not_starting", "mains_feed", "panel"):
        assert found[name] < min(found["driver"], found["lamps"], found["main_supply"])


def test_no_supply_at_the_drivers_plug_is_the_main_supply_before_the_driver() -> None:
    seen = {"backlight": "off", "torch_image": "faint_seen"}
    assert causes(**seen)["driver"] > causes(**seen)["main_supply"]
    found = causes(**seen, rail_volts="none")
    assert next(iter(found)) == "main_supply"
    rail = diagnosis(**seen, rail_volts="none").cause_states["main_supply"]
    assert rail["light_rail"] > max(rail["weak"], rail["dead"])


def test_supply_and_enable_at_the_plug_of_a_dark_lamp_leave_driver_and_lamps() -> None:
    found = causes(
        backlight="off", torch_image="faint_seen", rail_volts="present", enable_volts="present"
    )
    best = sorted(found, key=lambda name: -found[name])[:2]
    assert set(best) == {"driver", "lamps"}
    assert found["board_display"] < 0.05
    assert found["main_supply"] < 0.1


def test_supply_without_enable_points_away_from_the_driver_to_source_and_board() -> None:
    seen = {"backlight": "off", "rail_volts": "present", "start_signs": "clear"}
    asked = causes(**seen, enable_volts="present")
    unasked = causes(**seen, enable_volts="absent")
    for name in ("settings", "board_display"):
        assert unasked[name] > unasked["driver"]
        assert unasked[name] > asked[name]
    assert asked["driver"] > 4 * unasked["driver"]


def test_a_good_driver_that_brings_the_light_back_convicts_the_old_one() -> None:
    seen = {"backlight": "off", "torch_image": "faint_seen", "age": "old"}
    stays = causes(**seen, trial_light="stays")
    trips = causes(**seen, trial_light="trips")
    assert stays["driver"] > 5 * stays["lamps"]
    assert trips["lamps"] > 5 * trips["driver"]


def test_a_blown_fuse_on_the_driver_beats_the_lamps() -> None:
    found = causes(age="old", torch_image="faint_seen", driver_fuse="blown")
    assert next(iter(found)) == "driver"
    assert diagnosis(
        age="old", torch_image="faint_seen", driver_fuse="blown"
    ).cause_states["driver"]["fuse_blown"] > 0.5  # fmt: skip


def test_no_sign_of_life_is_lead_supply_or_board_before_anything_of_the_screen() -> None:
    found = causes(start_signs="none", image="none")
    dead = sorted(found, key=lambda name: -found[name])[:3]
    assert set(dead) == {"mains_feed", "main_supply", "not_starting"}


def test_on_a_proven_socket_the_lead_falls_behind_the_main_supply() -> None:
    before = causes(start_signs="none", mains_power="none")
    after = causes(start_signs="none", mains_power="none", proven_socket="no_change")
    assert after["mains_feed"] < 0.3 * before["mains_feed"]
    assert next(iter(after)) == "main_supply"
    assert first(start_signs="none", proven_socket="starts") == "mains_feed"


def test_standby_voltage_at_the_board_turns_from_the_supply_to_the_board() -> None:
    seen = {"start_signs": "none", "proven_socket": "no_change"}
    there, gone = causes(**seen, standby_volts="present"), causes(**seen, standby_volts="absent")
    assert there["not_starting"] > there["main_supply"]
    assert gone["main_supply"] > 5 * gone["not_starting"]


def test_beeps_after_earlier_work_are_the_memory_before_the_board() -> None:
    found = causes(earlier_repair="yes", start_signs="some", fault_signal="given")
    assert next(iter(found)) == "memory"
    assert found["memory"] > 5 * found["not_starting"]


def test_a_running_machine_after_a_change_of_settings_is_on_another_source_first() -> None:
    found = causes(settings_touched="yes", start_signs="clear", external_picture="good")
    assert next(iter(found)) == "settings"
    cured = diagnosis(settings_touched="yes", output_keys="picture").cause_states["settings"]
    assert cured["other_output"] > max(cured["dimmed"], cured["stuck"])


def test_good_service_as_another_computers_screen_clears_light_and_panel() -> None:
    seen = {"image": "none", "backlight": "off"}
    before, after = causes(**seen), causes(**seen, as_external="good")
    for name in ("driver", "lamps", "panel", "driver_plug"):
        assert after[name] < 0.5 * before[name]
    assert next(iter(after)) in (*NOT_RUNNING, "settings")


def test_lines_on_both_screens_are_the_graphics_and_on_one_the_panel() -> None:
    both = causes(image="lines", external_picture="disturbed")
    one = causes(image="lines", external_picture="good")
    assert next(iter(both)) == "graphics"
    assert next(iter(one)) == "panel"
    assert one["panel"] > 4 * one["graphics"]


def test_reddish_light_that_got_worse_by_and_by_is_worn_lamps() -> None:
    found = causes(tint="reddish_or_uneven", onset="by_and_by", flicker="sometimes")
    assert next(iter(found)) == "lamps"
    assert found["lamps"] > 2 * found["main_supply"]


def test_a_screen_that_brightens_under_a_torch_on_its_sensor_has_a_dark_sensor() -> None:
    found = causes(image="faint", backlight="on", sensor_lit="brighter")
    assert found["light_sensor"] > max(found["driver"], found["panel"], found["buttons"])


def test_a_sticking_button_after_a_spill_is_suspected_before_the_board() -> None:
    found = causes(liquid="yes", button_feel="sticks", start_signs="clear")
    assert next(iter(found)) == "buttons"


def test_cracked_glass_means_the_panel() -> None:
    found = causes(glass="cracked", image="lines", knock="yes")
    assert next(iter(found)) == "panel"
    assert found["panel"] > 0.9


# --- pages


def test_the_first_check_of_a_dark_screen_is_made_with_the_case_closed(model: FaultModel) -> None:
    seen = diagnosis(backlight="off", image="none")
    assert seen.next is not None
    assert model.checks_by_name[seen.next.check].stage == "closed"


@pytest.mark.parametrize(
    "findings",
    [
        {},
        {"backlight": "off", "torch_image": "faint_seen"},
        {"age": "old", "start_flash": "flash", "torch_image": "faint_seen"},
        {"backlight": "off", "torch_image": "faint_seen", "start_flash": "no", "image": "none"},
        {"start_signs": "none", "image": "none"},
    ],
)
def test_nobody_is_sent_to_a_live_stage_before_the_looks_without_mains(
    model: FaultModel, findings: dict[str, str]
) -> None:
    shop = Shop()
    problem = build_problem(FAMILY.compiled, findings, shop=shop, at_once=2, lost=5e-3)
    advice = advised(problem, model, shop)
    assert advice.kind == "check"
    assert model.checks_by_name[advice.name].stage in ("closed", "isolated")


FINDINGS = st.dictionaries(
    st.sampled_from(
        ["screws", "age", "start_signs", "image", "backlight", "torch_image", "damp", "onset"]
    ),
    st.integers(0, 1),
    max_size=4,
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(FINDINGS)
def test_every_set_of_findings_is_answered_exactly(chosen: dict[str, int]) -> None:
    # Histories that reached too many causes would be refused: their gain needs all of those.
    names = FAMILY.compiled.model.by_name
    findings = {name: names[name].states[place] for name, place in chosen.items()}
    seen = look_at(FAMILY.compiled, findings)
    assert 0.0 < seen.evidence_probability <= 1.0
    if not seen.stop:
        assert seen.next_step is not None
        assert sum(seen.causes.values()) >= 1.0 - 1e-9  # one cause at least is there
