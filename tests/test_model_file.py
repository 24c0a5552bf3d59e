"""What a model file says is what the model holds."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import yaml

from faultfinder.errors import MisuseError, ModelFileError
from faultfinder.model import locate
from faultfinder.model.locate import available_models, find_model
from faultfinder.model.network import dense_table
from faultfinder.model.parts import Basis, FaultModel, Kind, NoisyMax, SimpleTest, Table
from faultfinder.model.reading import yaml_nodes
from faultfinder.model.reading.reader import parse_model, read_model
from tests import MODELS_BEFORE
from tests.small_model import SMALL_MODEL


@pytest.fixture(scope="module")
def model() -> FaultModel:
    return parse_model(SMALL_MODEL, "small.yaml")


def full_table(model: FaultModel, name: str) -> np.ndarray:
    variable = model.by_name[name]
    return dense_table(variable, tuple(model.by_name[parent] for parent in variable.parents))


# --- the network


def test_variables_come_in_file_order_with_their_kinds(model: FaultModel) -> None:
    kinds = [(variable.name, variable.kind) for variable in model.variables]
    assert kinds == [
        ("knock", Kind.HISTORY),
        ("liquid", Kind.HISTORY),
        ("connector", Kind.CAUSE),
        ("strip", Kind.CAUSE),
        ("corroded", Kind.CAUSE),
        ("light", Kind.CONDITION),
        ("picture", Kind.CONDITION),
        ("backlight", Kind.FINDING),
        ("image", Kind.FINDING),
        ("connector_seen", Kind.FINDING),
        ("supply_volts", Kind.FINDING),
        ("battery_shape", Kind.FINDING),
        ("no_picture", Kind.COMPLAINT),
    ]


def test_words_that_yaml_takes_for_truth_values_stay_words(model: FaultModel) -> None:
    assert model.by_name["knock"].states == ("no", "yes")
    assert model.by_name["backlight"].states == ("on", "flickers", "off")
    assert model.by_name["backlight"].words == {"off": ("black", "dead")}


def test_a_title_left_out_is_made_from_the_name(model: FaultModel) -> None:
    assert model.by_name["liquid"].title == "Liquid"
    assert model.by_name["connector"].note == "Reseat it with the battery disconnected."


def test_a_base_rate_gives_the_rest_to_the_normal_state(model: FaultModel) -> None:
    knock = model.by_name["knock"]
    assert isinstance(knock.distribution, Table)
    assert knock.parents == ()
    assert knock.distribution.rows[0].gives == (0.75, 0.25)
    assert knock.basis == Basis("guess", "bench experience", 40.0)


def test_a_noisy_max_keeps_leak_links_and_where_they_come_from(model: FaultModel) -> None:
    distribution = model.by_name["connector"].distribution
    assert isinstance(distribution, NoisyMax)
    assert distribution.leak.gives == pytest.approx((0.984, 0.01, 0.006))
    link = distribution.links["knock"]["yes"]
    assert link.gives == pytest.approx((0.87, 0.08, 0.05))
    assert link.basis == Basis("count", "5 of 40 tickets", 40.0)


def test_a_noisy_or_multiplies_what_each_parent_lets_pass(model: FaultModel) -> None:
    table = full_table(model, "corroded")
    # (1 - leak)(1 - liquid)(1 - knock), by hand
    assert table[0, 0, 1] == pytest.approx(0.002)
    assert table[1, 0, 1] == pytest.approx(1 - 0.998 * 0.7)
    assert table[1, 1, 1] == pytest.approx(1 - 0.998 * 0.7 * 0.99)


def test_worst_of_takes_the_worst_of_what_the_parents_cause(model: FaultModel) -> None:
    table = full_table(model, "light")  # connector, strip, light
    assert table.argmax(axis=-1).tolist() == [[0, 2], [1, 2], [0, 2]]
    assert set(np.unique(table)) == {0.0, 1.0}


def test_any_of_counts_only_the_states_it_names(model: FaultModel) -> None:
    table = full_table(model, "picture")  # corroded, connector, picture
    assert table.argmax(axis=-1).tolist() == [[0, 0, 1], [1, 1, 1]]


def test_the_complaint_is_there_when_any_of_its_parents_is_not_normal(model: FaultModel) -> None:
    assert model.complaint == "no_picture"
    assert model.by_name["no_picture"].states == ("no", "yes")
    table = full_table(model, "no_picture")  # light, picture
    assert table[..., 1].tolist() == [[0, 1], [1, 1], [1, 1]]


def test_the_first_row_of_a_table_that_matches_counts(model: FaultModel) -> None:
    table = full_table(model, "backlight")  # light, picture, backlight
    assert table[2, 0].tolist() == pytest.approx([0.02, 0, 0.98])
    assert table[1, 1].tolist() == pytest.approx([0.05, 0.9, 0.05])
    assert table[0, 0].tolist() == pytest.approx([0.97, 0.02, 0.01])
    distribution = model.by_name["backlight"].distribution
    assert isinstance(distribution, Table)
    assert distribution.rows[0].basis == Basis("count", "31 of 32 tickets", 32.0)
    assert (
        SMALL_MODEL.splitlines()[distribution.rows[0].line - 1].strip() == "- when: {light: dark}"
    )


def test_a_rule_is_a_table_of_zeros_and_ones(model: FaultModel) -> None:
    table = full_table(model, "image")  # picture, light, image
    assert table.argmax(axis=-1).tolist() == [[0, 1, 1], [2, 2, 2]]
    assert set(np.unique(table)) == {0.0, 1.0}


def test_a_simple_test_has_sensitivity_and_specificity(model: FaultModel) -> None:
    distribution = model.by_name["connector_seen"].distribution
    assert isinstance(distribution, SimpleTest)
    assert distribution.shows == ("half", "off")
    table = full_table(model, "connector_seen")
    assert table[:, 1].tolist() == pytest.approx([0.03, 0.9, 0.9])


def test_shows_defaults_to_all_but_the_normal_state() -> None:
    text = SMALL_MODEL.replace("shows: [half, off], ", "")
    distribution = parse_model(text, "small.yaml").by_name["connector_seen"].distribution
    assert isinstance(distribution, SimpleTest)
    assert distribution.shows == ("half", "off")


def test_a_reading_keeps_unit_cuts_and_order(model: FaultModel) -> None:
    reading = model.by_name["supply_volts"].reading
    assert reading is not None
    assert (reading.unit, reading.cuts) == ("V", (1.0, 15.0))
    assert reading.states == ("none", "low", "normal")


def test_a_leak_can_carry_its_own_basis() -> None:
    text = SMALL_MODEL.replace("leak: 0.002", 'leak: {yes: 0.002, basis: {source: "a paper"}}')
    distribution = parse_model(text, "small.yaml").by_name["corroded"].distribution
    assert isinstance(distribution, NoisyMax)
    assert distribution.leak.basis == Basis("source", "a paper", None)


def test_a_basis_beside_the_states_of_a_parent_is_kept_for_each_link() -> None:
    text = SMALL_MODEL.replace(
        "liquid: {yes: 0.3}", 'liquid: {yes: 0.3, basis: {guess: "bench", worth: 8}}'
    )
    distribution = parse_model(text, "small.yaml").by_name["corroded"].distribution
    assert isinstance(distribution, NoisyMax)
    assert distribution.links["liquid"]["yes"].basis == Basis("guess", "bench", 8.0)


# --- the shop


def test_checks_hold_what_the_bench_needs(model: FaultModel) -> None:
    look = model.checks_by_name["look_screen"]
    assert look.observes == ("backlight", "image")
    assert (look.minutes, look.consumables, look.stage, look.intake) == (1.0, 0.0, "closed", True)
    assert look.tools == ("dim room",)
    assert look.how == ("Switch on in a dim room.", "Look at the panel from the side.")
    assert look.suggests == {"backlight": {"off": "No light: the strip or its connector."}}
    assert model.checks_by_name["look_connector"].consumables == 0.5
    assert model.checks_by_name["measure_supply"].caution.startswith("The backlight voltage")


@pytest.mark.parametrize(
    ("short", "said"), [("", "power off"), (", short: battery off", "battery off")]
)
def test_off_in_what_a_result_suggests_is_the_familys_own(short: str, said: str) -> None:
    text = SMALL_MODEL.replace("the strip or its connector.", "{off}, the strip or its connector.")
    text = text.replace("disconnected, powered: no", f"disconnected, powered: no{short}")
    suggests = parse_model(text, "small.yaml").checks_by_name["look_screen"].suggests
    assert suggests == {"backlight": {"off": f"No light: {said}, the strip or its connector."}}
    with pytest.raises(
        ModelFileError, match=r"small.yaml:124: .*a brace: .*\{of\}.*\{off\} stands for"
    ):
        parse_model(text.replace("{off}", "{of}"), "small.yaml")


def test_no_family_says_battery_off_where_there_is_none() -> None:
    for path in sorted((MODELS_BEFORE.parents[1] / "models").glob("*.yaml")):
        name, family = path.stem, read_model(path)
        said = [
            text
            for check in family.checks
            for lines in check.suggests.values()
            for text in lines.values()
        ]
        said += [one.say for one in family.suggestions]
        assert any("unplugged, drained" in text for text in said) is (name == "onepiece_desktop")
        assert any("battery off" in text for text in said) is (name != "onepiece_desktop")


def test_stages_moves_and_stop_rules_are_read(model: FaultModel) -> None:
    assert model.start == "closed"
    assert [(s.name, s.powered) for s in model.stages] == [
        ("closed", True),
        ("cover_off", True),
        ("isolated", False),
    ]
    assert [(m.start, m.end, m.minutes) for m in model.moves][:2] == [
        ("closed", "cover_off", 6.0),
        ("cover_off", "closed", 7.0),
    ]
    (stop,) = model.stop_rules
    assert (stop.finding, stop.results) == ("battery_shape", ("swollen",))
    assert stop.say == "Stop. Do not press or charge it."


def test_repairs_proofs_and_the_retest_are_read(model: FaultModel) -> None:
    reseat = model.repairs_by_name["reseat_connector"]
    assert reseat.mends == {"connector": {"half": 0.97, "off": 0.95}, "corroded": {"yes": 0.1}}
    assert (reseat.part.low, reseat.part.likely, reseat.part.high) == (0.0, 1.0, 2.0)
    assert reseat.risk is not None
    assert (reseat.risk.chance, reseat.risk.cost) == (0.01, 60.0)
    assert reseat.basis == Basis("guess", "bench experience", 10.0)
    assert model.repairs_by_name["send_away"].hand_over
    assert model.repairs_by_name["send_away"].lead_days == 5.0
    assert model.proofs[0].before_cover
    assert model.retest is not None
    assert (model.retest.minutes, model.retest.missed) == (3.0, 0.03)


def test_the_digest_is_that_of_the_bytes(model: FaultModel) -> None:
    assert model.digest == hashlib.sha256(SMALL_MODEL.encode()).hexdigest()
    assert parse_model(SMALL_MODEL.encode(), "small.yaml") == model


def test_anchors_and_aliases_may_be_used() -> None:
    text = SMALL_MODEL.replace(
        'basis: {guess: "bench experience", worth: 40}',
        'basis: &bench {guess: "bench experience", worth: 40}',
    )
    text = text.replace("    chance: {yes: 0.05}\n", "    chance: {yes: 0.05}\n    basis: *bench\n")
    read = parse_model(text, "small.yaml")
    assert read.by_name["liquid"].basis == read.by_name["knock"].basis


def test_windows_line_ends_and_a_byte_order_mark_do_no_harm(model: FaultModel) -> None:
    content = b"\xef\xbb\xbf" + SMALL_MODEL.replace("\n", "\r\n").encode()
    read = parse_model(content, "small.yaml")
    assert read.variables == model.variables


# --- finding the file


def test_a_file_is_read_from_its_path(tmp_path: Path, model: FaultModel) -> None:
    path = tmp_path / "small.yaml"
    path.write_text(SMALL_MODEL, encoding="utf-8")
    assert read_model(path) == model
    assert find_model(str(path)) == path


def test_a_missing_file_and_a_folder_are_refused_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match=r"There is no file .*nowhere\.yaml\."):
        read_model(tmp_path / "nowhere.yaml")
    with pytest.raises(MisuseError, match="is a folder"):
        read_model(tmp_path)
    with pytest.raises(MisuseError, match="cannot be read"):
        read_model(tmp_path / "with\0zero.yaml")


def test_a_huge_file_is_refused_without_reading_it_whole(tmp_path: Path) -> None:
    path = tmp_path / "huge.yaml"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)  # sparse
    with pytest.raises(ModelFileError, match="A model file holds at most 1,000,000"):
        read_model(path)


@pytest.fixture
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """FAULTFINDER_MODELS set to an empty folder, and no other models about."""
    folder = tmp_path / "own"
    folder.mkdir()
    monkeypatch.setenv("FAULTFINDER_MODELS", str(folder))
    monkeypatch.setattr(locate, "_PACKAGE", tmp_path / "checkout" / "faultfinder")
    monkeypatch.chdir(tmp_path)
    return folder


def test_a_name_is_looked_up_in_ones_own_folder_then_checkout_then_wheel(own_folder: Path) -> None:
    checkout = own_folder.parent / "checkout" / "models"
    wheel = own_folder.parent / "checkout" / "faultfinder" / "_models"
    for folder, names in ((own_folder, "a"), (checkout, "ab"), (wheel, "abc")):
        folder.mkdir(parents=True, exist_ok=True)
        for name in names:
            (folder / f"{name}.yaml").touch()
    assert find_model("a") == own_folder / "a.yaml"
    assert find_model("b") == checkout / "b.yaml"
    assert find_model("c") == find_model("c.yaml") == wheel / "c.yaml"
    assert list(available_models()) == ["a", "b", "c"]


def test_an_unknown_name_is_answered_with_the_nearest_and_the_list(own_folder: Path) -> None:
    (own_folder / "thin_lid.yaml").touch()
    (own_folder / "thick.yaml").touch()
    with pytest.raises(MisuseError) as caught:
        find_model("thin-lit")
    assert str(caught.value) == ("There is no model called thin-lit. Did you mean thin_lid?")


def test_an_empty_model_folder_is_said_to_be_empty(own_folder: Path) -> None:
    with pytest.raises(MisuseError, match="that folder holds no readable model file"):
        find_model("thin_lid")
    with pytest.raises(MisuseError, match="holds no model file"):
        find_model(str(own_folder))


def test_without_any_model_anywhere_the_folders_looked_in_are_named(
    own_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FAULTFINDER_MODELS")
    with pytest.raises(MisuseError, match=r"There is no model file .*models\. Put one there"):
        available_models()


def test_a_folder_variable_that_names_no_folder_is_refused(
    own_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(own_folder / "gone"))
    with pytest.raises(MisuseError, match="which is not a folder"):
        find_model("thin_lid")


def test_a_folder_in_the_way_does_not_hide_the_model_of_that_name(own_folder: Path) -> None:
    (own_folder / "thin_lid.yaml").touch()
    Path("thin_lid").mkdir()
    assert find_model("thin_lid") == own_folder / "thin_lid.yaml"


@pytest.mark.parametrize("given", ["", "  ", "a\0b", "x" * 5000, "no/such/file.yaml", ".."])
def test_nonsense_for_a_model_is_refused_in_a_sentence(own_folder: Path, given: str) -> None:
    (own_folder / "thin_lid.yaml").touch()
    with pytest.raises(MisuseError):
        find_model(given)


def test_a_mistyped_path_is_answered_with_the_nearest_file_beside_it(own_folder: Path) -> None:
    (own_folder / "thin_lid.yaml").touch()
    with pytest.raises(MisuseError, match=r"Did you mean thin_lid\.yaml\?"):
        find_model(str(own_folder / "thin_lad.yaml"))


def test_finding_a_model_loads_neither_yaml_nor_numpy() -> None:
    code = (
        "import sys, faultfinder.model.locate; "
        "print([m for m in ('yaml', 'numpy', 'difflib') if m in sys.modules])"
    )
    # -S: nothing but what the module itself asks for.
    root = Path(locate.__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-S", "-c", code],
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[]"


# --- two parsers


ODD = """\
a: &x {no: "c d", e: [1, 2.0, 'f g', ~]}
on: *x
h: |
  text
  more
i: >-
  folded
  text
'j': !!str k
empty:
l:
- m
- {n: , o: p}
"""


@pytest.mark.skipif(not yaml.__with_libyaml__, reason="libyaml is not there")
def test_with_libyaml_a_file_is_read_as_without(monkeypatch: pytest.MonkeyPatch) -> None:
    texts = [path.read_bytes() for path in sorted(MODELS_BEFORE.rglob("*.yaml"))]
    texts += [text.encode() for text in (SMALL_MODEL, ODD)]
    quick = [yaml_nodes.read_nodes(text, "f", True) for text in texts]
    monkeypatch.setattr(yaml, "__with_libyaml__", False)
    assert [yaml_nodes.read_nodes(text, "f", True) for text in texts] == quick


@pytest.mark.parametrize(
    "wrong", ["a: {b", "a: b: c", "a: 'b", "a:\tb: c", "- a\nb", "a: *b", "? a\n: b\n?c", "a: \x07"]
)
def test_with_libyaml_what_is_wrong_is_told_in_the_same_words(
    wrong: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = f"first: line\n{wrong}\n".encode()
    said = []
    for there in (True, False):
        monkeypatch.setattr(yaml, "__with_libyaml__", there)
        with pytest.raises(ModelFileError) as raised:
            yaml_nodes.read_nodes(text, "f.yaml")
        said.append(str(raised.value))
    assert said[0] == said[1]
