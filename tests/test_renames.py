"""Entries of a model that were renamed, merged or split: tickets and figures follow."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from demo_data.make_shop import FILES, FIRST
from faultfinder.cli.main import commands
from faultfinder.errors import ModelFileError
from faultfinder.inference.compiled import compile_model
from faultfinder.inference.loading import load_model
from faultfinder.learning.beliefs import figures_of
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.from_tickets import closed_tickets, readings
from faultfinder.learning.judge import changed_advice
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.versions import Line
from faultfinder.model.was import Was
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.shelf import FolderShelf
from tests.test_versions import AT, MODEL, PARTS, drawn, propose

RENAMED = (
    MODEL.replace("  a:\n    states: [ok, bad]", "  worn:\n    was: [a]\n    states: [ok, bad]")
    .replace("first_of: [a, b]", "first_of: [worn, b]")
    .replace("any_of: [a, b]", "any_of: [worn, b]")
    .replace("  f:\n    states: [no, yes]\n    test: {of: a,",
             "  seen:\n    was: [f]\n    states: [dark, lit]\n"
             "    states_were: {dark: [no], lit: [yes]}\n    test: {of: worn,")
    .replace("      a: {no: 0.3", "      worn: {no: 0.3")
)  # fmt: skip
RENAMED_PARTS = PARTS.replace('"a, b"', '"worn, b"').replace("[f, g, h]", "[seen, g, h]")

SPLIT = (
    MODEL.replace(
        "  a:\n    states: [ok, bad]\n    chance: {bad: 0.30}",
        "  a1:\n    was: [a]\n    share: 0.7\n    states: [ok, bad]\n    chance: {bad: 0.21}\n"
        "  a2:\n    was: [a]\n    share: 0.3\n    states: [ok, bad]\n    chance: {bad: 0.09}",
    )
    .replace("[a, b]", "[a1, a2, b]")
    .replace("of: a,", "of: a1,")
    .replace("      a: {no: 0.3", "      a1: {no: 0.3")
)
SPLIT_PARTS = PARTS.replace('"a, b"', '"a1, a2, b"')

MERGED = (
    MODEL.replace("  a:\n    states: [ok, bad]\n    chance: {bad: 0.30}  # by feel\n  b:\n"
                  "    states: [ok, bad]\n    chance: {bad: 0.20}",
                  "  c:\n    was: [a,  b]\n    states: [ok, bad]\n    chance: {bad: 0.5}")
    .replace("[a, b]", "[c]")
    .replace("of: a,", "of: c,")
    .replace("      a: {no: 0.3", "      c: {no: 0.3")
)  # fmt: skip
MERGED_PARTS = PARTS.replace('"a, b"', "c")


def written(folder: Path, text: str, parts: str) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "parts.yaml").write_text(parts, encoding="utf-8")
    (folder / "m.yaml").write_text(text, encoding="utf-8")
    return folder / "m.yaml"


def today(path: Path, tickets: list[ClosedTicket]) -> list[ClosedTicket]:
    """The tickets as the model of a file takes them."""
    was = Was(load_model(path).model)
    return [one for t in tickets for one in readings(t, t.findings, t.causes, was)]


def figures(tuned: Tuned) -> list[tuple[float, ...]]:
    return [figure.after for figure in tuned.figures]


def test_a_renamed_model_learns_from_tickets_what_it_learnt_before(tmp_path: Path) -> None:
    old = written(tmp_path / "old", MODEL, PARTS)
    new = written(tmp_path / "new", RENAMED, RENAMED_PARTS)
    tickets = drawn(80)
    before = figures(tune(load_model(old), tickets))
    after = figures(tune(load_model(new), today(new, tickets)))
    assert len(after) == len(before) > 8
    for one, other in zip(after, before, strict=True):
        assert one == pytest.approx(other, abs=1e-9)


def test_adopted_figures_keep_their_evidence_through_a_rename(tmp_path: Path) -> None:
    line = Line(FolderShelf(str(tmp_path / "t.db")), "m", written(tmp_path / "s", MODEL, PARTS))
    propose(line, drawn(120))
    line.adopt("lena", AT)
    text, parts = (text for _, text in line.in_force())
    assert "# tuned" in text
    for old, new in (
        ("  a:\n    states", "  worn:\n    was: [a]\n    states"),
        ("[a, b]", "[worn, b]"),
        ("  f:\n    states: [no, yes]", "  seen:\n    was: [f]\n    states_were: {dark: [no], "
         "lit: [yes]}\n    states: [dark, lit]"),
        ("of: a,", "of: worn,"),
        ("      a: {no", "      worn: {no"),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    path = written(tmp_path / "mine", text, parts.replace('"a, b"', '"worn, b"')
                   .replace("[f, g, h]", "[seen, g, h]"))  # fmt: skip
    line.take(path, "lena", AT)
    beliefs = tune(compile_model(line.base().believed), today(path, drawn(120)))
    fresh = written(tmp_path / "new", RENAMED, RENAMED_PARTS)
    at_once = tune(load_model(fresh), today(fresh, drawn(120)))
    said = {
        (f.place.variable, tuple(round(b, 9) for b in f.before)): f.after for f in at_once.figures
    }
    assert len(said) > 8
    for figure in beliefs.figures:
        key = figure.place.variable, tuple(round(b, 9) for b in figure.before)
        assert figure.after == pytest.approx(said[key], abs=1e-9)


def test_tickets_of_a_split_cause_count_by_share_until_they_are_labelled_anew(
    tmp_path: Path,
) -> None:
    path = written(tmp_path / "new", SPLIT, SPLIT_PARTS)
    tickets = [t for t in drawn(200) if t.causes == ("a",)]
    assert len(tickets) > 30
    read = today(path, tickets)
    assert [(t.causes, t.again) for t in read[:2]] == [(("a1",), False), (("a2",), True)]
    tuned = tune(load_model(path), read)
    assert tuned.tickets == len(tickets)
    spoken = {f.place.variable: f for f in tuned.figures if f.place.kind == "sensitivity"}
    # The test of a1 speaks on the share of tickets that a1 inherits.
    assert spoken["f"].tickets == pytest.approx(0.7 * len(tickets), rel=1e-6)
    anew = ClosedTicket(1, "2026-01-01", {}, ("a2",))
    assert [(t.causes, t.share) for t in today(path, [anew])] == [(("a2",), 1.0)]


def test_merged_causes_are_one_and_findings_that_disagree_are_unknown(tmp_path: Path) -> None:
    path = written(tmp_path / "new", MERGED, MERGED_PARTS)
    both = ClosedTicket(1, "2026-01-01", {"h": "much"}, ("a", "b"))
    assert [t.causes for t in today(path, [both])] == [("c",)]
    two = written(tmp_path / "two", MODEL.replace("  h:\n    states:", "  h:\n    was: [h1, h2]\n"
                  "    states:", 1), PARTS)  # fmt: skip
    was = Was(load_model(two).model)
    assert was.findings({"h1": "some", "h2": "some", "g": "no"}) == {"h": "some", "g": "no"}
    assert was.findings({"h1": "some", "h2": "much"}) == {"h": None}
    assert was.findings({"h1": None, "h2": "much"}) == {"h": "much"}


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (("  b:\n", "  b:\n    was: [a]\n"), 10, "which is still there"),
        (("  b:\n", "  b:\n    was: [old]\n    share: 0.4\n"), 10, "add up to 0.4"),
        (("  b:\n", "  b:\n    share: 0.4\n"), 11, "a share, and not of what"),
        (("  b:\n", "  b:\n    was: [Old Name]\n"), 11, "An earlier name"),
        (("  b:\n", "  b:\n    states_were: {worse: [bad2]}\n"), 11, "names the state"),
        (("  b:\n", "  b:\n    states_were: {bad: [ok]}\n"), 11, "still one of its states"),
    ],
)
def test_a_rename_that_cannot_be_followed_is_told_at_its_line(
    tmp_path: Path, change: tuple[str, str], line: int, words: str
) -> None:
    path = written(tmp_path / "new", MODEL.replace(*change, 1), PARTS)
    with pytest.raises(ModelFileError) as told:
        load_model(path)
    said = str(told.value)
    assert words in said
    assert f"m.yaml:{line}:" in said


def run(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(commands, list(words))
    assert done.exit_code == status, done.output
    return done


def test_tickets_and_their_labels_go_on_under_the_new_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(tmp_path / "models"))
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    written(tmp_path / "models", MODEL, PARTS)
    run("intake", "-m", "m", "-s", "f=yes", "--by", "x")
    run("close", "1", "--cause", "a", "--without-proof", "--by", "x")
    run("intake", "-m", "m", "-s", "f=yes", "-s", "g=no", "--by", "x")
    before = json.loads(run("next", "2", "--json").output)
    path = written(tmp_path / "models", RENAMED, RENAMED_PARTS)
    run("remodel", "2", "--by", "x")
    after = json.loads(run("next", "2", "--json").output)
    chances = [{c["cause"]: c["probability"] for c in told["causes"]} for told in (before, after)]
    assert chances[1]["worn"] == pytest.approx(chances[0]["a"])
    run("found", "2", "h=much", "--by", "x")
    store = open_store()
    learnt = list(closed_tickets(store, load_model(path).model))
    store.close()
    assert [(t.findings, t.causes) for t in learnt] == [({"seen": "lit"}, ("worn",))]


def replayed(
    work: Path, patch: pytest.MonkeyPatch, upgrade: str | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The invented shop's first year: adopted after some months, another file shipped (the same
    one, unless an `upgrade` is given), tuned and replayed; what both said."""
    patch.setenv("FAULTFINDER_MODELS", str(work / "models"))
    patch.setenv("FAULTFINDER_DB", str(work / "tickets.db"))
    patch.setenv("FAULTFINDER_CACHE", str(work / "kept"))
    shop = ("-m", "invented_portable")
    (work / "models").mkdir(parents=True)
    place = work / "models" / FIRST.name
    place.write_bytes(FIRST.read_bytes())
    run("import", str(FILES[0]))
    run("tune", *shop, "--until", "2025-11-30")
    run("adopt", *shop, "--by", "lena", "--unjudged")
    if upgrade is not None:
        place.write_text(upgrade, encoding="utf-8")
    tuned = run("tune", *shop, "--json").stdout
    told = run("replay", *shop, "--played", "25", "--json").stdout
    return json.loads(tuned), json.loads(told)


def test_a_replay_over_renames_judges_as_without_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cause, a finding, a state, a check and two repairs are called otherwise from one tuning to
    the next: figures in force under the old names are judged as under the new ones."""
    text = FIRST.read_text(encoding="utf-8")
    names = ("lid_cable", "torch", "worn", "move_lid", "replace_cable", "drain_power")
    for old in names:
        text = re.sub(rf"\b{old}\b(?! at)", f"{old}2", text)
        text = re.sub(rf"^(  {old}2:\n)", rf"\1    was: [{old}]\n", text, count=1, flags=re.M)
    text = text.replace("move_lid2: {", "move_lid2: {was: [move_lid], ")
    text = text.replace(
        "    states: [sound, worn2]", "    states: [sound, worn2]\n    states_were: {worn2: [worn]}"
    )
    assert text.count("was: [") == 5
    # Each looks at the advice along so many tickets' logs.
    monkeypatch.setattr(changed_advice, "LAST", 20)
    same = replayed(tmp_path / "same", monkeypatch, None)
    other = replayed(tmp_path / "other", monkeypatch, text)
    assert len(same[0]["changed"]) == len(other[0]["changed"]) > 10
    told, again = same[1], other[1]
    assert told["verdict"] == again["verdict"]
    assert len(told["against"]) == len(again["against"]) >= 1
    for one, two in zip(told["against"], again["against"], strict=True):
        assert one["rival"] == two["rival"]
        assert (one["verdict"], one["against"]) == (two["verdict"], two["against"])
        assert one["tickets"] == two["tickets"] > 50
    back = json.dumps(again)
    for old in names:
        back = re.sub(rf"\b{old}2\b", old, back)
    assert close({**told, "proposal": ""}, {**json.loads(back), "proposal": ""})
    assert told["advice"]["tickets"] == 20
    assert told["advice"]["changes"]


def close(one: object, other: object) -> bool:
    """Whether two plain forms say the same, numbers to 1e-6 of their size."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(close(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(close, one, other))
    if isinstance(one, float) and isinstance(other, float | int):
        return one == pytest.approx(other, rel=1e-6, abs=1e-9)
    return one == other


def test_a_belief_of_the_shops_own_goes_on_where_the_shipped_file_renames(tmp_path: Path) -> None:
    line = Line(FolderShelf(str(tmp_path / "t.db")), "m", written(tmp_path / "s", MODEL, PARTS))
    propose(line, drawn(120))
    line.adopt("lena", AT)
    mine = MODEL.replace("{bad: 0.30}", "{bad: 0.45}").replace(
        "      a: {no: 0.3, yes: 0.7}", "      a: {no: 0.15, yes: 0.85}"
    )
    line.take(written(tmp_path / "mine", mine, PARTS), "lena", AT)
    written(tmp_path / "s", RENAMED.replace("{bad: 0.20}", "{bad: 0.25}"), RENAMED_PARTS)
    base = line.base()
    assert base.upgrade
    assert not base.both
    told = figures_of(base.believed)
    assert told["worn", ROW] == pytest.approx((0.55, 0.45))
    assert told["b", ROW] == pytest.approx((0.75, 0.25))
    given = json.dumps(["row", None, None, {"leading": ["worn.bad"]}])
    assert told["g", given] == pytest.approx((0.15, 0.85))


ROW = json.dumps(["row", None, None, {}])
