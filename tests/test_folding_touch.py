"""The trade rules the folding touch machine must reproduce, as orderings of posteriors.

The rules are common practice, no source: they say which cause a technician looks at
before which other, not how likely each is. The scenarios are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from faultfinder.model.parts import FaultModel, Kind
from tests.consulted import look_at
from tests.families import Family

ASLEEP = ("magnet_near", "lid_sensor", "fold_sensor")
LIGHT_SIDE = ("panel", "display_cable", "backlight_supply", "settings")
WRONG_MODE = ("keyboard_dock", "fold_sensor", "settings")
BEHIND_GLASS = {"isolated", "connectors_out", "unit_off", "board_out", "trial_unit"}

FAMILY = Family("folding_touch")
causes, first = FAMILY.causes, FAMILY.first


def states(cause: str, **findings: str) -> Mapping[str, float]:
    return FAMILY.seen(**findings).cause_states[cause]


@pytest.fixture(scope="module")
def model() -> FaultModel:
    return FAMILY.compiled.model


# --- what the model holds


def test_every_repair_has_a_price_that_rises_and_a_proof(model: FaultModel) -> None:
    for repair in model.repairs:
        assert repair.proof, repair.name
        assert repair.part.low <= repair.part.likely <= repair.part.high, repair.name


def test_every_cause_has_a_repair(model: FaultModel) -> None:
    mended = {cause for repair in model.repairs for cause in repair.mends}
    assert {cause.name for cause in model.of_kind(Kind.CAUSE)} == mended


def test_no_plug_and_no_board_is_reached_with_the_battery_connected(model: FaultModel) -> None:
    assert not any(model.stages_by_name[s].powered for s in BEHIND_GLASS - {"trial_unit"})
    outside = {"closed", "cover_off"}
    ways_in = [m for m in model.moves if m.end in BEHIND_GLASS and m.start in outside]
    assert [(m.start, m.end) for m in ways_in] == [("cover_off", "isolated")]
    (isolating,) = ways_in
    assert "charger out" in isolating.how
    assert "battery" in isolating.how


def test_work_behind_the_glass_says_that_the_battery_is_disconnected(model: FaultModel) -> None:
    stages = {"isolated", "connectors_out", "unit_off"}
    behind = [r for r in model.repairs if r.stage in stages and r.name != "new_battery"]
    assert behind
    for repair in behind:
        assert "battery and charger disconnected" in repair.caution.lower(), repair.name


def test_lifting_the_glass_warns_of_cells_heat_and_splinters(model: FaultModel) -> None:
    (lifting,) = (m for m in model.moves if (m.start, m.end) == ("closed", "cover_off"))
    for word in ("cells", "heat", "picks", "bulge", "gloves", "eye protection"):
        assert word in lifting.caution.lower(), word


def test_every_stage_check_and_repair_behind_the_glass_carries_a_caution(model: FaultModel) -> None:
    own = {"cover_off", "unit_off", "trial_unit"}
    assert [s for s in own if not model.stages_by_name[s].caution] == []
    assert [c.name for c in model.checks if c.stage in own and not c.caution] == []
    assert [r.name for r in model.repairs if r.stage != "closed" and not r.caution] == []
    assert [(m.start, m.end) for m in model.moves if m.end in own and not m.caution] == []


def test_lifted_glass_and_a_swollen_or_crushed_battery_stop_it() -> None:
    for finding, result in (
        ("case_bulge", "bulging"),
        ("battery_shape", "swollen"),
        ("battery_shape", "crushed"),
    ):
        stopped = look_at(FAMILY.compiled, {finding: result})
        assert stopped.stop
        assert stopped.next is None


def test_a_swollen_battery_is_handed_on_and_never_opened_here(model: FaultModel) -> None:
    mending = [r for r in model.repairs if "battery_swollen" in r.mends]
    assert [(r.stage, r.hand_over) for r in mending] == [("closed", True)]


# --- orderings (common practice, no source)


def test_a_click_from_the_dark_screen_leaves_light_cable_and_panel() -> None:
    dark = {"backlight": "off", "image": "none"}
    found = causes(**dark, touch_click="reacts")
    silent = causes(**dark, touch_click="no_reaction")
    for name in ("not_starting", "battery_low", *ASLEEP):
        assert found[name] < 0.2 * silent[name], name
    assert next(iter(found)) == "panel"


def test_no_click_and_no_sign_of_life_point_to_charge_and_board_before_the_screen() -> None:
    found = causes(image="none", touch_click="no_reaction", start_signs="none", charge_lamp="dark")
    assert found["battery_low"] > found["not_starting"] > found["panel"]


def test_a_machine_in_a_cover_that_wakes_without_it_was_held_by_a_magnet() -> None:
    found = causes(image="none", accessory="yes", accessories_off="picture")
    assert next(iter(found)) == "magnet_near"
    assert found["magnet_near"] > 3 * found["fold_sensor"]


def test_a_dark_machine_is_held_by_a_magnet_more_often_where_a_pen_or_cover_is_used() -> None:
    with_cover = causes(backlight="off", image="none", accessory="yes")
    bare = causes(backlight="off", image="none", accessory="no")
    assert with_cover["magnet_near"] > 4 * bare["magnet_near"]


def test_a_magnet_that_is_not_where_it_belongs_turns_suspicion_to_the_sensors() -> None:
    asleep = {"image": "none", "touch_click": "no_reaction", "accessories_off": "no_change"}
    before, found = causes(**asleep), causes(**asleep, magnets_found="missing")
    for name in ("lid_sensor", "fold_sensor"):
        assert found[name] > 2 * before[name]
    assert max(found["lid_sensor"], found["fold_sensor"]) > found["magnet_near"]


def test_a_good_picture_in_tablet_mode_is_dock_sensor_or_settings_and_not_the_panel() -> None:
    found = causes(image="normal", mode_shown="tablet")
    assert set(list(found)[:3]) == set(WRONG_MODE)
    assert found["panel"] < 0.02


def test_a_base_that_drops_out_of_the_list_is_its_contacts_before_the_fold_sensor() -> None:
    found = causes(lid_move="on_off", base_listed="comes_and_goes", dock_seen="dirty")
    assert next(iter(found)) == "keyboard_dock"
    assert states("keyboard_dock", base_listed="comes_and_goes")["patchy"] > 0.3


def test_a_base_that_stays_listed_in_tablet_mode_leaves_sensor_and_settings() -> None:
    found = causes(image="normal", mode_shown="tablet", base_listed="listed")
    assert min(found["fold_sensor"], found["settings"]) > 3 * found["keyboard_dock"]
    stuck = causes(image="normal", mode_shown="tablet", base_listed="listed", fold_report="stays")
    assert stuck["fold_sensor"] > 5 * stuck["settings"]


def test_a_picture_without_touch_is_the_touch_layer_and_after_earlier_work_its_plug() -> None:
    seen = {
        "image": "normal",
        "backlight": "on",
        "touch_strokes": "none",
        "touch_listed": "missing",
    }
    assert first(**seen) == "touch_layer"
    fresh = states("touch_layer", **seen, earlier_repair="no")
    opened = states("touch_layer", **seen, earlier_repair="yes")
    assert fresh["dead"] > fresh["unseated"]
    assert opened["unseated"] > opened["dead"]


def test_strokes_in_the_wrong_place_are_the_layer_and_not_its_plug() -> None:
    found = states("touch_layer", image="normal", touch_strokes="ghost")
    assert found["ghost"] > 5 * (found["unseated"] + found["dead"])


def test_cracked_glass_means_the_unit() -> None:
    found = causes(glass="cracked", image="lines", knock="yes")
    assert next(iter(found)) == "panel"
    assert found["panel"] > 0.9


def test_a_picture_that_breaks_up_at_the_hinge_of_an_old_one_is_the_cable_before_the_unit() -> None:
    found = causes(age="old", image="unsteady", lid_move="breaks_up")
    assert next(iter(found)) == "display_cable"
    assert found["display_cable"] > 3 * found["panel"]


def test_a_faint_image_under_a_torch_leaves_the_light_side() -> None:
    found = causes(backlight="off", torch_image="faint_seen")
    assert set(list(found)[:4]) == set(LIGHT_SIDE)
    assert found["panel"] > found["backlight_supply"]


def test_a_blown_fuse_beats_the_unit_when_it_reads_open_after_earlier_work() -> None:
    seen = {"earlier_repair": "yes", "torch_image": "faint_seen", "backlight": "off"}
    whole, blown = causes(**seen, fuse_ohms="intact"), causes(**seen, fuse_ohms="blown")
    assert blown["backlight_supply"] > 0.8 > whole["backlight_supply"]
    assert whole["panel"] > 2 * blown["panel"]


def test_soft_patches_on_an_old_machine_that_lay_unused_bring_the_battery_before_the_panel() -> (
    None
):
    seen = {"image": "lines", "pressure_marks": "seen"}
    found = causes(**seen, age="old", long_unused="yes", knock="no")
    assert found["battery_swollen"] > found["panel"]
    hit = causes(**seen, age="young", long_unused="no", knock="yes")
    assert hit["panel"] > hit["battery_swollen"]


def test_a_rim_that_lies_flat_gives_the_patches_back_to_the_panel() -> None:
    seen = {"image": "lines", "pressure_marks": "seen", "age": "old", "glass": "whole"}
    assert first(**seen) == "battery_swollen"
    assert first(**seen, case_bulge="flat") == "panel"


def test_after_earlier_work_the_plugs_under_the_glass_come_into_play() -> None:
    dark = {"backlight": "off", "image": "none", "touch_click": "reacts", "panel_listed": "missing"}
    fresh, opened = causes(**dark, earlier_repair="no"), causes(**dark, earlier_repair="yes")
    assert opened["data_connector"] > 2 * fresh["data_connector"]
    assert opened["data_connector"] > opened["panel"] > opened["display_cable"]


def test_a_good_picture_on_a_known_good_unit_leaves_the_old_unit_or_a_plug() -> None:
    dark = {"backlight": "off", "image": "none"}
    good, bad = causes(**dark, trial_picture="good"), causes(**dark, trial_picture="bad")
    assert next(iter(good)) == "panel"
    beyond = ("board_display", "display_cable", "not_starting", "backlight_supply", "magnet_near")
    assert good["panel"] > 4 * max(good[name] for name in beyond)
    assert bad["panel"] < 0.25 * good["panel"]


def test_no_picture_outside_by_itself_does_not_condemn_the_board_where_it_may_only_sleep() -> None:
    dark = {"image": "none", "external_picture": "none", "accessory": "yes"}
    found = causes(**dark, touch_click="no_reaction", start_signs="clear")
    assert found["magnet_near"] > found["board_display"]
    awake = causes(**dark, touch_click="reacts", start_signs="clear")
    assert awake["board_display"] > awake["magnet_near"]


def test_liquid_turns_to_board_contacts_and_dock() -> None:
    dry, wet = causes(image="none", liquid="no"), causes(image="none", liquid="yes")
    for name in ("connector_corroded", "board_display", "not_starting"):
        assert wet[name] > 2 * dry[name], name
    assert wet["panel"] < dry["panel"]
    turned = {"image": "normal", "mode_shown": "tablet"}
    assert (
        causes(**turned, liquid="yes")["keyboard_dock"]
        > causes(**turned, liquid="no")["keyboard_dock"]
    )


# --- pages


@pytest.mark.parametrize(
    "seen",
    [
        {"backlight": "off", "image": "none"},
        {"image": "none", "accessory": "yes", "start_signs": "some"},
        {"image": "normal", "mode_shown": "tablet"},
        {"image": "unsteady"},
    ],
)
def test_the_glass_stays_on_for_the_first_check(seen: dict[str, str]) -> None:
    found = look_at(FAMILY.compiled, seen)
    assert found.next is not None
    assert FAMILY.compiled.model.checks_by_name[found.next.check].stage == "closed"


# --- against a reference library

TICKETS = (
    {},
    {"backlight": "off", "image": "none", "touch_click": "reacts", "earlier_repair": "yes"},
    {"image": "none", "accessories_off": "picture", "accessory": "yes", "start_signs": "some"},
    {"image": "normal", "mode_shown": "tablet", "base_listed": "comes_and_goes"},
    {"image": "lines", "pressure_marks": "seen", "case_bulge": "flat", "age": "old"},
)


@pytest.fixture(scope="module")
def agrum() -> Any:
    """The same tables in pyAgrum, an independent library for Bayesian networks."""
    import pyagrum

    network = FAMILY.compiled.network
    copy = pyagrum.BayesNet()
    for name, states_ in zip(network.names, network.states, strict=True):
        copy.add(pyagrum.LabelizedVariable(name, name, list(states_)))
    for number in network.order:
        for parent in network.parents[number]:
            copy.addArc(network.names[parent], network.names[number])
    for number, name in enumerate(network.names):
        parents = [network.names[p] for p in network.parents[number]]
        table = copy.cpt(name)
        # pyAgrum fills with its first name fastest, numpy reads the last axis fastest.
        wanted = tuple(reversed(table.names))
        axes = [[*parents, name].index(n) for n in wanted]
        table.fillWith(np.transpose(network.tables[number], axes).reshape(-1).tolist())
    return copy


@pytest.mark.parametrize("seen", TICKETS, ids=lambda seen: "+".join(seen) or "nothing")
def test_beliefs_agree_with_pyagrum(agrum: Any, model: FaultModel, seen: dict[str, str]) -> None:
    import pyagrum

    assert model.complaint is not None
    complaint = model.by_name[model.complaint]
    reference = pyagrum.LazyPropagation(agrum)
    reference.setEvidence({**seen, complaint.name: complaint.states[-1]})
    found = FAMILY.seen(**seen).cause_states
    for cause in model.of_kind(Kind.CAUSE):
        wanted = reference.posterior(cause.name).tolist()
        assert list(found[cause.name].values()) == pytest.approx(wanted, abs=1e-9), cause.name
