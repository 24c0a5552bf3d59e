"""Model files that include others: as if written in one file, and told about file by file."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultfinder.errors import FaultfinderError, MisuseError, ModelFileError, Problem
from faultfinder.inference.loading import load_model
from faultfinder.model.locate import available_models, find_model
from faultfinder.model.parts import FaultModel
from faultfinder.model.reading.include import PART_LIMIT
from faultfinder.model.reading.reader import parse_model, read_model
from tests.conftest import Run
from tests.consulted import look_at
from tests.small_model import SMALL_MODEL

ROOT = Path(__file__).resolve().parent.parent
SECTIONS = ("histories", "causes", "conditions", "findings", "stages", "moves", "checks", "stops")
SECTIONS += ("proofs", "repairs")


def sections_of(text: str) -> tuple[str, dict[str, str]]:
    """The head of a model file, and the text of each of its sections."""
    head, sections, name = "", dict[str, str](), ""
    for line in text.splitlines(keepends=True):
        key = line.split(":")[0]
        if line[:1].strip() and line[0] != "#":
            name = key if key in SECTIONS else ""
        if name:
            sections[name] = sections.get(name, "") + line
        else:
            head += line
    return head, sections


HEAD, TEXT = sections_of(SMALL_MODEL)

Write = Callable[[Mapping[str, str]], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write files below a folder; the path of small.yaml among them."""

    def write_all(files: Mapping[str, str]) -> Path:
        for name, text in files.items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return tmp_path / "small.yaml"

    return write_all


def part(*sections: str, more: str = "") -> str:
    return "faultfinder_parts: 1\n" + more + "".join(TEXT[name] for name in sections)


def model(*includes: str, without: tuple[str, ...] = (), more: str = "") -> str:
    own = "".join(text for name, text in TEXT.items() if name not in without)
    return f"{HEAD}include: [{', '.join(includes)}]\n{own}{more}"


def problems(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(ModelFileError) as refused:
        read_model(path)
    return refused.value.problems


def only(path: Path) -> Problem:
    (problem,) = problems(path)
    return problem


def line_of(path: Path, fragment: str) -> int:
    lines = path.read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if fragment in line)


def bare(read: FaultModel) -> dict[str, object]:
    """What a model says, whatever the order of files it stands in."""
    return {
        "variables": {v.name: (v.states, v.words, v.title, v.parents) for v in read.variables},
        "checks": {c.name: (c.observes, c.minutes, c.stage, c.how, c.caution) for c in read.checks},
        "repairs": {r.name: (r.mends, r.stage, r.part, r.proof) for r in read.repairs},
        "stages": {s.name: (s.title, s.powered, s.caution) for s in read.stages},
        "moves": {(m.start, m.end): (m.minutes, m.how, m.caution) for m in read.moves},
        "stops": [(s.finding, s.results, s.say) for s in read.stop_rules],
    }


# --- as if written in one file


@pytest.mark.parametrize("section", [name for name in SECTIONS if name in TEXT])
def test_a_section_counts_in_a_part_file_as_in_the_model(write: Write, section: str) -> None:
    whole = parse_model(SMALL_MODEL, "small.yaml")
    path = write(
        {"small.yaml": model("a/part.yaml", without=(section,)), "a/part.yaml": part(section)}
    )
    read = read_model(path)
    assert bare(read) == bare(whole)
    assert read.included[0][0] == "a/part.yaml"


def test_beliefs_are_those_of_the_same_model_in_one_file(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    parts = ("histories", "causes", "stages", "moves")
    path = write({"small.yaml": model("part.yaml", without=parts), "part.yaml": part(*parts)})
    one = write({"one/small.yaml": SMALL_MODEL}).parent / "one/small.yaml"
    for name, belief in look_at(load_model(one), {}).causes.items():
        assert look_at(load_model(path), {}).causes[name] == pytest.approx(belief, abs=1e-12)


def test_a_part_file_may_include_another_by_a_path_from_its_own_folder(write: Write) -> None:
    path = write(
        {
            "small.yaml": model("a/one.yaml", without=("causes", "histories")),
            "a/one.yaml": part("causes", more="include: [b/two.yaml]\n"),
            "a/b/two.yaml": part("histories"),
        }
    )
    assert [name for name, _ in read_model(path).included] == ["a/one.yaml", "a/b/two.yaml"]


def test_a_part_file_that_two_others_include_is_read_once(write: Write) -> None:
    path = write(
        {
            "small.yaml": model("one.yaml", "two.yaml", without=("causes", "histories", "stages")),
            "one.yaml": part("causes", more="include: [three.yaml]\n"),
            "two.yaml": part("stages", more="include: [three.yaml]\n"),
            "three.yaml": part("histories"),
        }
    )
    assert len(read_model(path).included) == 3


def test_an_entry_of_the_model_takes_the_place_of_the_included_one(write: Write) -> None:
    own = TEXT["histories"].replace("chance: {yes: 0.05}", "chance: {yes: 0.5}")
    other = part("histories", "stages")
    text = model("part.yaml", without=("histories", "stages")) + own
    read = read_model(write({"small.yaml": text, "part.yaml": other}))
    assert read.by_name["liquid"].distribution.rows[0].gives == (0.5, 0.5)  # type: ignore[union-attr]


def test_with_extends_only_the_given_keys_are_other(write: Write) -> None:
    own = "histories:\n  liquid:\n    extends: yes\n    chance: {yes: 0.5}\n"
    text = model("part.yaml", without=("histories",)) + own
    path = write({"small.yaml": text, "part.yaml": part("histories")})
    liquid = read_model(path).by_name["liquid"]
    before = parse_model(SMALL_MODEL, "small.yaml").by_name["liquid"]
    assert (liquid.title, liquid.ask, liquid.words) == (before.title, before.ask, before.words)
    assert liquid.distribution.rows[0].gives == (0.5, 0.5)  # type: ignore[union-attr]


def test_another_way_to_say_a_distribution_takes_the_place_of_the_included_one(
    write: Write,
) -> None:
    own = "causes:\n  corroded:\n    extends: yes\n    chance: {yes: 0.1}\n"
    text = model("part.yaml", without=("causes",)) + own
    read = read_model(write({"small.yaml": text, "part.yaml": part("causes")}))
    assert read.by_name["corroded"].parents == ()
    assert read.by_name["corroded"].title == "Connector corroded"


def test_words_written_once_stand_for_all_of_them(write: Write) -> None:
    text = SMALL_MODEL.replace(
        "histories:\n",
        "word_lists:\n  nay: [nope, never]\nhistories:\n  smoke:\n    ask: Was there smoke?\n"
        "    states: [no, yes]\n    words: {no: [not at all, {list: nay}], yes: {list: nay2}}\n"
        "    chance: {yes: 0.1}\n",
        1,
    ).replace("  nay:", "  nay2: [sure]\n  nay:")
    text = text.replace(
        "checks:\n",
        "checks:\n  ask_smoke:\n    title: Ask about smoke\n"
        "    observes: [smoke]\n    minutes: 1\n    stage: closed\n",
        1,
    )
    words = read_model(write({"small.yaml": text})).by_name["smoke"].words
    assert words == {"no": ("not at all", "nope", "never"), "yes": ("sure",)}


# --- what can be wrong, told with the right file and line


def test_a_missing_file_is_told_where_it_is_named(write: Write) -> None:
    path = write({"small.yaml": model("gone.yaml")})
    problem = only(path)
    assert (problem.file, problem.line) == (str(path), line_of(path, "include:"))
    assert "gone.yaml" in problem.found
    assert "there is no file" in problem.found


def test_a_folder_and_an_absolute_path_are_no_part_files(write: Write, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    assert "cannot be read" in only(write({"small.yaml": model("folder")})).found
    assert "absolute" in only(write({"small.yaml": model("/etc/part.yaml")})).found


@pytest.mark.parametrize("last", ["one.yaml", "small.yaml", "two.yaml"])
def test_files_that_include_each_other_are_told(write: Write, last: str) -> None:
    path = write(
        {
            "small.yaml": model("one.yaml"),
            "one.yaml": "faultfinder_parts: 1\ninclude: [two.yaml]\n",
            "two.yaml": f"faultfinder_parts: 1\n\ninclude: [{last}]\n",
        }
    )
    problem = only(path)
    assert (Path(problem.file).name, problem.line) == ("two.yaml", 3)
    assert problem.found.endswith(f"-> {last}.")
    assert "loop" in problem.found


def test_a_fault_inside_a_part_file_names_that_file_and_its_line(write: Write) -> None:
    text = part("causes").replace("states:", "state:", 1)
    path = write({"small.yaml": model("a/part.yaml", without=("causes",)), "a/part.yaml": text})
    told = problems(path)
    inside = path.parent / "a/part.yaml"
    assert (told[0].file, told[0].line) == (str(inside), line_of(inside, "state:"))


@pytest.mark.parametrize(
    ("slip", "fragment", "found"),
    [
        ("chance: {yes: 1.5}", "chance: {yes: 1.5}", "1.5"),
        ("chanse: {yes: 0.05}", "chanse", "is not a key"),
    ],
)
def test_figures_and_keys_of_a_part_file_are_judged_in_it(
    write: Write, slip: str, fragment: str, found: str
) -> None:
    text = part("histories").replace("chance: {yes: 0.05}", slip)
    path = write({"small.yaml": model("p.yaml", without=("histories",)), "p.yaml": text})
    problem = problems(path)[0]
    assert problem.file == str(path.parent / "p.yaml")
    assert problem.line == line_of(path.parent / "p.yaml", fragment)
    assert found in problem.found


def test_what_only_the_whole_shows_names_the_file_as_well(write: Write) -> None:
    extra = "  lonely:\n    states: [no, yes]\n    chance: {yes: 0.1}\n"
    text = part("causes") + extra
    path = write({"small.yaml": model("p.yaml", without=("causes",)), "p.yaml": text})
    told = problems(path)
    assert {problem.file for problem in told} == {str(path.parent / "p.yaml")}
    assert {problem.line for problem in told} == {line_of(path.parent / "p.yaml", "lonely")}


def test_keys_that_no_part_file_has_are_told(write: Write) -> None:
    text = part("causes", more="start: closed\n")
    path = write({"small.yaml": model("p.yaml", without=("causes",)), "p.yaml": text})
    problem = only(path)
    assert (problem.file, problem.line) == (str(path.parent / "p.yaml"), 2)
    assert '"start" is not a key of the part file' in problem.found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("causes: {}\n", "has no faultfinder_parts"),
        ("faultfinder_parts: 2\n" + TEXT["causes"], 'faultfinder_parts is "2"'),
        (SMALL_MODEL, "a model of its own"),
        ("faultfinder_parts: [\n", "not YAML"),
        ("- one\n", "a list"),
        ("", "empty"),
    ],
)
def test_what_is_no_part_file_is_refused(write: Write, text: str, found: str) -> None:
    path = write({"small.yaml": model("p.yaml", without=("causes",)), "p.yaml": text})
    told = [problem for problem in problems(path) if problem.file.endswith("p.yaml")]
    assert any(found in problem.found for problem in told), told


def test_an_included_file_that_adds_nothing_is_told(write: Write) -> None:
    path = write({"small.yaml": model("p.yaml"), "p.yaml": part("causes")})
    problem = only(path)
    assert (problem.file, problem.line) == (str(path), line_of(path, "include:"))
    assert "adds nothing" in problem.found
    lists = "faultfinder_parts: 1\nword_lists: {nay: [nope]}\n"
    assert "adds nothing" in only(write({"small.yaml": model("p.yaml"), "p.yaml": lists})).found


def test_the_same_name_from_two_files_is_told_with_both_places(write: Write) -> None:
    path = write(
        {
            "small.yaml": model("one.yaml", "two.yaml", without=("causes",)),
            "one.yaml": part("causes"),
            "two.yaml": part("causes"),
        }
    )
    told = problems(path)
    assert told[0].file == str(path.parent / "two.yaml")
    assert f"line 3 of {path.parent / 'one.yaml'}" in told[0].found


def test_a_name_taken_in_another_section_tells_the_other_file(write: Write) -> None:
    text = part("causes") + "  liquid:\n    states: [no, yes]\n    chance: {yes: 0.1}\n"
    path = write({"small.yaml": model("p.yaml", without=("causes",)), "p.yaml": text})
    taken = [problem for problem in problems(path) if "is taken" in problem.found]
    assert taken[0].file == str(path.parent / "p.yaml")
    assert f"line {line_of(path, '  liquid:')} of {path})" in taken[0].found


def test_extending_what_is_not_included_is_told(write: Write) -> None:
    own = "  nowhere:\n    extends: yes\n    title: Nowhere\n"
    text = model("p.yaml", without=("causes", "histories")) + TEXT["causes"] + own
    path = write({"small.yaml": text, "p.yaml": part("histories")})
    assert any("is not a key" in p.found for p in problems(path))
    text = model("p.yaml", without=("causes",)) + "causes:\n" + own
    path = write({"small.yaml": text, "p.yaml": part("causes")})
    told = next(p for p in problems(path) if "extends" in p.found)
    assert (told.file, told.line) == (str(path), line_of(path, "extends:"))


def test_word_lists_that_are_missing_or_unused_are_told(write: Write) -> None:
    text = SMALL_MODEL.replace("histories:\n", "word_lists: {nay: [nope]}\nhistories:\n", 1)
    assert 'No words name the word list "nay"' in only(write({"small.yaml": text})).found
    text = text.replace("words: {yes: [dropped", "words: {no: {list: nya}, yes: [dropped", 1)
    told = [p.found for p in problems(write({"small.yaml": text}))]
    assert any('The word list "nya" is not there' in found for found in told)


def test_endless_inclusion_ends(write: Write) -> None:
    files = {
        f"p{n}.yaml": f"faultfinder_parts: 1\ninclude: [p{n + 1}.yaml]\n"
        for n in range(PART_LIMIT + 5)
    }
    told = problems(write({"small.yaml": model("p0.yaml"), **files}))
    assert any(f"at most {PART_LIMIT}" in problem.right for problem in told)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_a_damaged_part_file_gives_a_model_or_sentences(data: st.DataObject) -> None:
    text = part("causes", "moves", "stops", more="include: [p.yaml]\n")
    text = text.replace("include: [p.yaml]\n", data.draw(st.sampled_from(["", "include: [q]\n"])))
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 30)))
        text = (
            text[:start]
            + data.draw(st.sampled_from(["", " ", "\n", ": ", "- ", "{", "x"]))
            + text[end:]
        )
    own = model("p.yaml", without=("causes", "moves", "stops"))
    try:
        parse_model(own, "small.yaml", lambda _: text.encode())
    except ModelFileError as refused:
        for problem in refused.problems:
            assert problem.file in ("small.yaml", "p.yaml", "q")
            assert problem.line >= 1


# --- files that change, and files that are listed


def test_a_change_in_an_included_file_is_noticed(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    files = {"small.yaml": model("p.yaml", without=("histories",)), "p.yaml": part("histories")}
    path = write(files)
    before = load_model(path)
    assert load_model(path).model.digest == before.model.digest
    other = part("histories").replace("chance: {yes: 0.05}", "chance: {yes: 0.5}")
    write({"p.yaml": other})
    after = load_model(path)
    assert after.model.digest != before.model.digest
    assert dict(look_at(after, {}).causes) != dict(look_at(before, {}).causes)
    (path.parent / "p.yaml").unlink()
    with pytest.raises(ModelFileError, match="there is no file"):
        load_model(path)


def test_a_kept_model_with_included_files_is_loaded_without_yaml(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    path = write(
        {"small.yaml": model("p.yaml", without=("histories",)), "p.yaml": part("histories")}
    )
    load_model(path)
    program = (
        "import sys; from faultfinder.inference.loading import load_model; "
        "load_model(sys.argv[1]); print(sorted({'yaml', 'networkx'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
        check=True,
    )
    assert done.stdout.strip() == "[]"


def test_part_files_are_not_among_the_models(run: Run, own_folders: Path) -> None:
    (own_folders / "bits.yaml").write_text("# Bits.\n\nfaultfinder_parts: 1\n")
    assert "bits" not in available_models()
    assert "bits" not in run("model", "list").output
    with pytest.raises(MisuseError, match="no model called bits"):
        find_model("bits")
    refused = run("model", "check", str(own_folders / "bits.yaml"))
    assert refused.exit_code == 2
    assert "part file" in refused.stderr


def test_the_usual_model_is_named_in_the_shop_settings(
    run: Run, own_folders: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    refused = run("next", "-s", "backlight=off")
    assert refused.exit_code == 2
    assert "model: NAME" in refused.stderr
    shop = tmp_path / "shop.yaml"
    shop.write_text("model: small_lid\n")
    monkeypatch.setenv("FAULTFINDER_SHOP", str(shop))
    assert run("next", "-s", "backlight=off").exit_code == 0
    shop.write_text("model: small_lud\n")
    refused = run("next", "-s", "backlight=off")
    assert refused.exit_code == 2
    assert str(shop) in refused.stderr.replace("\n", "")
    assert "Did you mean small_lid?" in refused.stderr


@pytest.mark.parametrize(
    "name", ["thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop"]
)
def test_the_models_that_come_along_are_in_order_and_include_files(name: str) -> None:
    read = read_model(ROOT / "models" / f"{name}.yaml")
    assert all((ROOT / "models" / path).is_file() for path, _ in read.included)
    assert read.included


def test_every_common_file_serves_two_models_or_more() -> None:
    used = [
        {path for path, _ in read_model(path).included}
        for path in sorted((ROOT / "models").glob("*.yaml"))
    ]
    for path in sorted((ROOT / "models" / "common").glob("*.yaml")):
        assert sum(f"common/{path.name}" in one for one in used) >= 2, path.name


def test_no_refusal_of_a_model_is_anything_else_than_a_sentence(write: Write) -> None:
    for text in ("include: 3\n", "include: [[a]]\n", "include:\n", "include: {a: b}\n"):
        with pytest.raises(FaultfinderError):
            read_model(write({"small.yaml": HEAD + text + "".join(TEXT.values())}))
