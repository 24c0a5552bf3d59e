"""`faultfinder model export` and `model skeleton`: out to BIF and XMLBIF, and back."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.interchange.formats import (
    Node,
    SafeNames,
    _one_to_one,
    bif_text,
    read_network,
    safe_names,
    xmlbif_text,
)
from faultfinder.interchange.skeleton import GUESSED_MINUTES, skeleton
from faultfinder.model.parts import FaultModel, Kind, Link, NoisyMax
from faultfinder.model.reading.reader import parse_model
from tests.conftest import Run
from tests.consulted import look_at
from tests.networks import Case, cases
from tests.small_shop import small_shop

WRITERS = {"bif": bif_text, "xmlbif": xmlbif_text}


def written(compiled: CompiledModel, folder: Path, kind: str) -> tuple[Node, ...]:
    path = folder / f"model.{kind}"
    path.write_text(WRITERS[kind](compiled), encoding="utf-8")
    return read_network(path)


def assert_the_same(compiled: CompiledModel, nodes: tuple[Node, ...], names: SafeNames) -> None:
    """The network of the file is the model's own, names mapped back, to the last digit."""
    network = compiled.network
    model_name = {node: name for name, node in names.nodes.items()}
    assert {model_name[node.name] for node in nodes} == set(network.names)
    for node in nodes:
        name = model_name[node.name]
        number = network.index[name]
        back = {there: here for here, there in names.states[name].items()}
        assert tuple(back[state] for state in node.states) == network.states[number]
        parents = tuple(network.index[model_name[parent]] for parent in node.parents)
        assert parents == network.parents[number]
        assert np.abs(node.table - network.tables[number]).max() <= 1e-12


def awkward() -> FaultModel:
    """Names that the formats, or their readers, do not take as they are."""
    model = small_shop()
    links = {
        name: {state: Link((0.3, 0.7))}
        for name, state in (("strip", "dead"), ("panel", "damaged"), ("board", "dead"))
    }
    noisy = NoisyMax(tuple(links), Link((0.95, 0.05)), links)
    renamed = []
    for variable in model.variables:
        if variable.name == "no_picture":
            variable = replace(variable, distribution=noisy)
        if variable.name == "look":
            variable = replace(variable, states=("type", "half-lit", "half_lit"))
        if variable.name == "plug_seen":
            variable = replace(variable, states=("unknown", "default"))
        renamed.append(variable)
    return replace(model, name="probability", variables=tuple(renamed))


@pytest.mark.parametrize("kind", ["bif", "xmlbif"])
def test_the_shop_model_comes_back_the_same(kind: str, tmp_path: Path) -> None:
    compiled = load_model("thin_clamshell")
    assert_the_same(compiled, written(compiled, tmp_path, kind), safe_names(compiled))


@pytest.mark.parametrize("kind", ["bif", "xmlbif"])
def test_awkward_names_and_split_families_come_back_the_same(kind: str, tmp_path: Path) -> None:
    compiled = compile_model(awkward())
    names = safe_names(compiled)
    assert any("~" in line for line in names.changes())
    assert names.states["look"] == {
        "type": "type_",
        "half-lit": "half_lit_2",
        "half_lit": "half_lit",
    }
    assert_the_same(compiled, written(compiled, tmp_path, kind), names)


@pytest.mark.parametrize("kind", ["bif", "xmlbif"])
@given(case=cases())
@settings(max_examples=8, deadline=None)
def test_models_of_every_form_come_back_the_same(
    kind: str, case: Case, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("forms")
    assert_the_same(case.compiled, written(case.compiled, folder, kind), safe_names(case.compiled))


@given(st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=8, unique=True))
@settings(max_examples=80, deadline=None)
def test_safe_names_are_one_to_one_and_safe(names: list[str]) -> None:
    found = _one_to_one(names, "v")
    assert list(found) == names
    assert len({word.lower() for word in found.values()}) == len(names)
    for word in found.values():
        assert word.isascii()
        assert word.replace("_", "a").isalnum()
        assert word[0].isalpha()


def test_the_file_lists_the_names_it_changed_and_what_counts_as_seen() -> None:
    compiled = compile_model(awkward())
    for text in (bif_text(compiled), xmlbif_text(compiled)):
        for line in safe_names(compiled).changes():
            assert line in text
        assert "no_picture = yes" in text


def test_the_export_command_writes_both(run: Run, tmp_path: Path) -> None:
    bif, xml = tmp_path / "a.bif", tmp_path / "a.xml"
    done = run("model", "export", "small_lid", "--bif", str(bif), "--xmlbif", str(xml))
    assert done.exit_code == 0, done.output
    compiled = load_model("small_lid")
    for path in (bif, xml):
        assert_the_same(compiled, read_network(path), safe_names(compiled))


# --- skeletons


def alarm_like() -> tuple[Node, ...]:
    """Invented: two causes over a condition, a history, two findings, names a file refuses."""
    even = np.array([[0.9, 0.1], [0.2, 0.8]])
    either = np.array([[[1.0, 0.0], [0.1, 0.9]], [[0.2, 0.8], [0.0, 1.0]]])
    return (
        Node("Wet?", ("no", "yes"), (), np.array([0.7, 0.3])),
        Node("Cable", ("Broken", "Normal"), ("Wet?",), even[:, ::-1]),
        Node("Lamp", ("0", "1"), (), np.array([0.95, 0.05])),
        Node("Dark", ("0", "1"), ("Cable", "Lamp"), either[::-1]),
        Node("seen", ("no", "yes"), ("Dark",), even),
        Node("heard", ("no", "yes"), ("Cable",), even[::-1]),
    )


def test_a_skeleton_has_the_roles_asked_for_and_the_numbers_of_the_network() -> None:
    made = skeleton(
        alarm_like(), "begun", "x.bif", causes=["Cable", "Lamp"], histories=["Wet?"],
        normal={"Lamp": "0"},
    )  # fmt: skip
    model = parse_model(made.text, "begun.yaml")
    kinds = {v.name: v.kind for v in model.variables}
    assert kinds["wet"] is Kind.HISTORY
    assert kinds["cable"] is kinds["lamp"] is Kind.CAUSE
    assert kinds["dark"] is Kind.CONDITION
    assert kinds["seen"] is kinds["heard"] is Kind.FINDING
    # The normal state goes first, with its column.
    assert model.by_name["cable"].states == ("normal", "broken")
    compiled = compile_model(model)
    index = compiled.network.index
    assert compiled.network.tables[index["cable"]].tolist() == [[0.9, 0.1], [0.2, 0.8]]
    dark = compiled.network.tables[index["dark"]]
    assert dark[1].tolist() == [[0.2, 0.8], [0.0, 1.0]]
    assert dark[0].tolist() == [[1.0, 0.0], [0.1, 0.9]]


def test_what_is_guessed_is_marked_and_listed() -> None:
    made = skeleton(alarm_like(), "begun", "x.bif", causes=["Cable", "Lamp"])
    todo = " ".join(made.todo)
    assert made.text.count(f"minutes: {GUESSED_MINUTES}  # a guess") == 2
    for word in ("minutes", "guess", "complaint", "stage", "repairs", "wet", "caution", "--normal"):
        assert word in todo
    # Lamp and Dark have no state that says it is the normal one; Cable has.
    assert "lamp (0)" in todo
    assert "cable (" not in todo
    model = parse_model(made.text, "begun.yaml")
    assert all(v.basis is not None and v.basis.kind == "source" for v in model.of_kind(Kind.CAUSE))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"causes": ["Cabel"]}, "Cable"),
        ({"causes": ["Cable"], "histories": ["Cable"]}, "Name it once"),
        ({"histories": ["Cable"]}, "depends on"),
        ({"causes": ["Dark"], "histories": ["Wet?"]}, "cannot be a cause"),
        ({"causes": ["Cable", "Lamp"], "complaint": "Drak"}, "Dark"),
        ({"causes": ["Cable", "Lamp"], "complaint": "Wet?", "histories": ["Wet?"]}, "history"),
        ({"causes": ["Cable", "Lamp"], "normal": {"Lamp": "2"}}, "no state"),
        ({"histories": ["Wet?", "Lamp"]}, "No node is left to be a cause"),
        ({"causes": ["Cable", "Lamp", "seen", "heard"]}, "left to be a finding"),
        ({"causes": ["Cable", "Lamp", "heard"]}, "do not make a model"),
    ],
)
def test_roles_that_cannot_be_are_refused_with_a_sentence(
    options: dict[str, object], said: str
) -> None:
    with pytest.raises(FaultfinderError, match=said.replace("?", r"\?")):
        skeleton(alarm_like(), "begun", "x.bif", **options)  # type: ignore[arg-type]


@given(case=cases())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
def test_what_a_skeleton_hands_over_passes_the_check_of_model_files(case: Case) -> None:
    network = case.compiled.network
    nodes = tuple(
        Node(
            name,
            network.states[number],
            tuple(network.names[p] for p in network.parents[number]),
            network.tables[number],
        )
        for number, name in enumerate(network.names)
    )
    try:
        made = skeleton(
            nodes,
            "begun",
            "x.bif",
            causes=case.causes,
            histories=[v.name for v in case.model.of_kind(Kind.HISTORY)],
        )
    except FaultfinderError:
        # A state that never occurs, say. With no network left over the test would fail.
        assume(False)
        return
    compiled = compile_model(parse_model(made.text, "begun.yaml"))
    # The placeholder complaint tells nothing, so that priors stay what they were.
    told = look_at(compiled)
    for variable in compiled.model.of_kind(Kind.CAUSE):
        exact = case.joint.posterior(variable.name.replace("_1", "~1"), {})
        assert told.cause_states[variable.name] == pytest.approx(exact, abs=1e-9)


def test_the_skeleton_command_writes_a_file_that_model_check_accepts(
    run: Run, tmp_path: Path
) -> None:
    bif = tmp_path / "small.bif"
    assert run("model", "export", "small_lid", "--bif", str(bif)).exit_code == 0
    new = tmp_path / "begun.yaml"
    words = ("model", "skeleton", str(bif), "-o", str(new), "--causes", "cable,strip,panel,driver",
             "--histories", "knock")  # fmt: skip
    done = run(*words)
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines()[1:])) <= 80
    checked = run("model", "check", str(new))
    assert checked.exit_code == 0, checked.output
    again = run(*words)
    assert again.exit_code == 1
    assert "not overwritten" in again.output


def test_a_packed_file_is_read_and_a_rounded_column_scaled(tmp_path: Path) -> None:
    text = (
        "network n {\n}\nvariable a {\n    type discrete [ 3 ] { x, y, z };\n}\n"
        "probability ( a ) {\n    table 0.3333333, 0.3333333, 0.3333333;\n}\n"
    )
    path = tmp_path / "a.bif.gz"
    path.write_bytes(gzip.compress(text.encode()))
    (node,) = read_network(path)
    assert node.table.sum() == pytest.approx(1.0, abs=1e-15)
    wrong = tmp_path / "b.bif"
    wrong.write_text(text.replace("0.3333333;", "0.9;"), encoding="utf-8")
    with pytest.raises(MisuseError, match=r"sum to one|BIF"):
        read_network(wrong)


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (b"", "a.bif"),
        (b"garbage { ( } |", "a.bif"),
        (b"<BIF><NETWORK>", "a.xml"),
        (b"<html></html>", "a.xmlbif"),
        (b"\xff\xfe\x00network", "a.bif"),
        (b"not packed", "a.bif.gz"),
        (gzip.compress(b"network n {\n}\n" * 50, mtime=0)[:30], "a.bif.gz"),
        (b"network n {\n}\nvariable a {\n type discrete [ 2 ] { x, y };\n}\n", "a.bif"),
    ],
)
def test_what_is_no_network_gets_a_sentence(
    run: Run, tmp_path: Path, content: bytes, name: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    done = run("model", "skeleton", str(path), "-o", str(tmp_path / "new.yaml"))
    assert done.exit_code == 2, done.output
    assert "Traceback" not in done.output
    assert name in done.output or "The network" in done.output
    assert not (tmp_path / "new.yaml").exists()


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("export", "small_lid"), 2, "--bif FILE"),
        (("export", "small_lid", "--bif", "/nowhere/a.bif"), 1, "cannot be written"),
        (("skeleton", "/nowhere/a.bif", "-o", "/tmp/never_written.yaml"), 2, "cannot be read"),
        (("skeleton", "a.bif", "-o", "New.yaml"), 2, "cannot be a model file"),
        (("skeleton", "a.bif", "-o", "new.txt"), 2, "cannot be a model file"),
        (("skeleton", "a.bif", "-o", "new.yaml", "--normal", "a"), 2, "NODE=STATE"),
    ],
)
def test_bad_input_gets_a_sentence(
    run: Run, words: tuple[str, ...], status: int, said: str
) -> None:
    done = run("model", *words)
    assert done.exit_code == status, done.output
    assert said in done.output
    assert "Traceback" not in done.output


def test_everyday_commands_do_not_import_the_readers() -> None:
    """Asked of a fresh interpreter, as other tests here have imported pgmpy by now."""
    import subprocess
    import sys

    code = (
        "import sys; import faultfinder.cli.model_command, faultfinder.cli.next_command; "
        "import faultfinder.assess.testability, faultfinder.assess.sensitivity; "
        "print([m for m in ('pgmpy', 'pandas', 'scipy', 'yaml', 'networkx') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
