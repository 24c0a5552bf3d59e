"""The lead's commands: propose from closed tickets, judge, adopt, go back."""

from __future__ import annotations

import json
import math
import re
import shlex
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from faultfinder.cli.lines import model_place
from faultfinder.cli.main import commands
from faultfinder.errors import FaultfinderError
from faultfinder.inference.loading import load_model
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.from_tickets import closed_tickets
from faultfinder.learning.proposal import (
    check_same,
    effect,
    figure_in,
    moved,
    propose,
    states_named,
)
from faultfinder.model.figures import Place
from faultfinder.model.reading.reader import parse_model
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.shelf import FolderShelf

ROOT = Path(__file__).parent.parent
NAME = "thin_clamshell"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented tickets in a store of their own."""
    place = tmp_path_factory.mktemp("demo") / "tickets.db"
    demo_file = str(ROOT / "tests" / "demo_before" / "invented_tickets.jsonl")
    done = CliRunner().invoke(commands, ["import", demo_file, "--db", str(place)])
    assert done.exit_code == 0, done.output
    return place


@pytest.fixture
def models(tmp_path: Path, demo: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "models"
    shutil.copytree(ROOT / "tests" / "models_before", folder)
    monkeypatch.setenv("FAULTFINDER_MODELS", str(folder))
    shutil.copy(demo, tmp_path / "tickets.db")
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    return folder


def in_force() -> Path:
    """The file that a ticket opened now would go by."""
    return model_place(NAME)


def run(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(commands, list(words))
    assert done.exit_code == status, done.output
    return done


def test_tuning_proposes_and_leaves_the_model_in_use_alone(models: Path) -> None:
    file = models / f"{NAME}.yaml"
    before = file.read_bytes()
    page = run("tune", "-m", NAME, "--label-error", "0.03").output
    assert file.read_bytes() == before
    assert "from 600 closed tickets" in page
    # One technician of the invented shop misreads the torch look: that stands first, in words.
    moved = page[page.index("What changes beliefs most") :].split("\n\n")[0]
    first = moved.split("  - ")[1]
    title = load_model(file).model.by_name["torch_image"].title
    assert " ".join(first.split()).startswith(f"{title}, in all other cases: ")
    assert "torch_image" not in moved
    assert max(map(len, page.splitlines())) <= 80
    assert run("model", "list").output == run("model", "list").output


def test_adopting_keeps_comments_counts_and_the_file_before(models: Path) -> None:
    shipped = models / f"{NAME}.yaml"
    before = shipped.read_text(encoding="utf-8")
    old = load_model(shipped).model
    told = json.loads(run("tune", "-m", NAME, "--json").output)
    assert in_force() == shipped
    run("adopt", "-m", NAME, status=2)
    adopted = run("adopt", "-m", NAME, "--by", "invented lead", "--unjudged").output
    assert "in force" in adopted
    file = in_force()
    assert file.is_relative_to(models.parent / "tickets.db.models")
    after = file.read_text(encoding="utf-8")
    comments = [line for line in before.splitlines() if line.lstrip().startswith("#")]
    assert comments
    assert set(comments) <= set(after.splitlines())
    assert "# tuned (600 tickets, " in after
    # Nothing of the installation is touched, so the next one wipes nothing.
    for path in (ROOT / "tests" / "models_before").rglob("*.yaml"):
        copy = models / path.relative_to(ROOT / "tests" / "models_before")
        assert copy.read_bytes() == path.read_bytes()
    new = load_model(file).model
    assert [c.name for c in new.checks] == [c.name for c in old.checks]
    best = told["changed"][0]
    assert new.by_name[best["variable"]] != old.by_name[best["variable"]]
    # What is adopted is what is used: on a ticket, and without one.
    run("intake", "-m", NAME, "-s", "knock=yes", "--by", "x")
    shown = [json.loads(run("next", *words, "--json").output)
             for words in (["613"], ["-m", NAME, "-s", "knock=yes"])]  # fmt: skip
    assert shown[0]["causes"] == shown[1]["causes"]
    by_path = json.loads(run("next", "-m", str(shipped), "-s", "knock=yes", "--json").output)
    assert by_path["causes"] != shown[1]["causes"]
    # Tuning again starts from the author's figures, so that no ticket counts twice.
    again = json.loads(run("tune", "-m", NAME, "--json").output)
    assert len(again["changed"]) == len(told["changed"])
    for one, other in zip(again["changed"], told["changed"], strict=True):
        assert one["variable"] == other["variable"]
        assert one["before"] == pytest.approx(other["before"], abs=1e-9)
        assert one["after"] == pytest.approx(other["after"], abs=1e-9)
    run("rollback", "-m", NAME, status=2)
    run("rollback", "-m", NAME, "--by", "invented lead")
    assert in_force().read_text(encoding="utf-8") == before
    log = run("rollback", "-m", NAME, "--list").output
    assert "invented lead: adopted, from version 1; 600 tickets up to 2026-" in log
    assert "invented lead: rolled back" in log
    run("rollback", "-m", NAME, "--to", "2", "--by", "invented lead")
    assert in_force().read_text(encoding="utf-8") == after


def test_a_proposal_for_a_file_changed_since_is_refused(models: Path, tmp_path: Path) -> None:
    shelf = models.parent / "tickets.db.models" / NAME
    run("adopt", "-m", NAME, "--by", "x", status=1)
    run("tune", "-m", NAME)
    proposal = shelf / "0" / f"{NAME}.yaml"
    proposal.write_text(proposal.read_text(encoding="utf-8") + "# by hand\n", encoding="utf-8")
    assert "by hand" in run("adopt", "-m", NAME, "--by", "x", status=1).output
    # A file edited elsewhere is put in force by itself; the proposal was made from another.
    run("rollback", "-m", NAME, "--write", str(tmp_path / "mine"))
    mine = tmp_path / "mine" / f"{NAME}.yaml"
    again = ("rollback", "-m", NAME, "--write")
    run(*again, str(tmp_path / "mine"), status=2)
    run(*again, str(tmp_path / "mine"), "--replace")
    assert "cannot be made" in run(*again, str(mine), status=1).output
    assert "already" in run("adopt", "-m", NAME, "--by", "x", "--file", str(mine), status=1).output
    mine.write_text(mine.read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    run("adopt", "-m", NAME, "--by", "x", "--file", str(mine))
    assert in_force().read_bytes() == mine.read_bytes()
    assert "Tune again" in run("adopt", "-m", NAME, "--by", "x", status=1).output


def test_tickets_opened_with_a_path_are_learnt_from_like_others(models: Path) -> None:
    path = str(models / f"{NAME}.yaml")
    run("intake", "-m", path, "-s", "knock=yes", "--by", "x")
    run("close", "613", "--cause", "panel", "--without-proof", "--by", "x")
    store = open_store()
    learnt = list(closed_tickets(store, load_model(path).model))
    store.close()
    assert len(learnt) == 601
    assert learnt[-1].number == 613
    assert learnt[-1].key.endswith(":613")


def test_a_proposal_is_judged_before_it_is_adopted(
    models: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faultfinder.learning.judge.changed_advice.LAST", 6)
    before = (models / f"{NAME}.yaml").read_bytes()
    assert "no proposal" in run("replay", "-m", NAME, status=1).output
    run("tune", "-m", NAME, "--since", "2026-09-01")
    said = run("adopt", "-m", NAME, "--by", "lena", status=1).output
    assert "was not judged" in said
    assert "--unjudged" in said
    page = run("replay", "-m", NAME, "--folds", "2", "--played", "6").output
    verdict = re.search(r"Against the figures in force: (BETTER|WORSE|CANNOT TELL YET)", page)
    assert verdict is not None
    assert "Dear parts for nothing" in page
    assert "Wrong repairs" in page
    assert max(map(len, page.splitlines())) <= 80
    assert (models / f"{NAME}.yaml").read_bytes() == before
    assert f"(judged: {verdict[1].lower()})" in " ".join(
        run("adopt", "-m", NAME, "--by", "lena").output.split()
    )
    # A verdict is on one proposal, and on no other.
    run("tune", "-m", NAME, "--since", "2026-09-05")
    run("adopt", "-m", NAME, "--by", "lena", status=1)
    assert "(unjudged)" in run("adopt", "-m", NAME, "--by", "lena", "--unjudged").output


def test_too_few_tickets_and_other_families_are_a_sentence(models: Path) -> None:
    said = run("tune", "-m", NAME, "--since", "2026-10-25", status=1).output
    assert "at least 20 are needed" in said
    assert "at least 20" in run("tune", "-m", "bezel_clamshell", status=1).output
    run("replay", "-m", "bezel_clamshell", status=1)
    run("tune", "-m", NAME, "--since", "soon", status=2)
    assert "panel_colour" in run("tune", "-m", NAME, "--unwritten", "panel_colour", status=2).output


def test_no_text_and_no_person_reaches_learning(models: Path) -> None:
    store = open_store()
    model = load_model(NAME).model
    names = model.by_name.keys()
    allowed = {"number", "closed_at", "findings", "causes", "key", "unclear", "share", "again"}
    for ticket in closed_tickets(store, model):
        assert set(vars(ticket)) == allowed
        assert ticket.unclear <= names
        assert all("Invented" not in value for value in ticket.findings.values())
    store.close()


def test_the_commands_of_the_readme_work_as_shown(
    models: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A few short tickets: the commands are what is tried here. Only doubts asks for many.
    rows = (ROOT / "tests" / "demo_before" / "invented_tickets.jsonl").read_text(encoding="utf-8")
    ended = [
        row for row in rows.splitlines() if json.loads(row)["events"][-1]["data"].get("causes")
    ]
    some = tmp_path / "some.jsonl"
    some.write_text("\n".join(sorted(ended, key=len)[:24]) + "\n", encoding="utf-8")
    many, few = str(models.parent / "tickets.db"), str(tmp_path / "some.db")
    monkeypatch.setenv("FAULTFINDER_DB", few)
    monkeypatch.setattr("faultfinder.learning.judge.changed_advice.LAST", 6)
    monkeypatch.setattr("faultfinder.learning.watch.agreement.AGREEMENT_TICKETS", 6)
    run("import", str(some))
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = [block.split("```")[0] for block in text.split("```sh\n")[1:]]
    blocks = [block for block in blocks if "faultfinder tune" in block]
    lines = [line.split("  #")[0] for block in blocks for line in block.splitlines()]
    assert len(lines) >= 4
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "faultfinder"
        monkeypatch.setenv("FAULTFINDER_DB", many if words[0] == "doubts" else few)
        run(*(str(tmp_path / word) if word.endswith(".html") else word for word in words))


SMALL = """\
# the file's own comment
faultfinder_model: 1
causes:
  a:
    states: [ok, bad]  # states
    noisy_or:
      leak: 0.01
      links:
        h: {yes: 0.20}
  b:
    states: [ok, bad]
    chance: {bad: 0.10}
findings:
  f:
    states: [no, yes]
    test: {of: a, sensitivity: 0.90, specificity: 0.80}
"""


def figure(place: Place, before: tuple[float, ...], after: tuple[float, ...]) -> Figure:
    return Figure(place, ("x", "y"), before, after, after, after, 7.0)


def test_each_kind_of_figure_is_written_where_it_stands() -> None:
    figures = [
        figure(Place("a", "leak"), (0.99, 0.01), (0.98, 0.02)),
        figure(Place("b", "chance"), (0.9, 0.1), (0.7, 0.3)),
        figure(Place("f", "sensitivity"), (0.1, 0.9), (0.25, 0.75)),
        figure(Place("f", "specificity"), (0.8, 0.2), (0.8, 0.2)),
    ]
    figures[1] = Figure(figures[1].place, ("ok", "bad"), (0.9, 0.1), (0.7, 0.3), (), (), 1.0)
    link = Place("a", "link", parent="h", state="yes")
    figures.append(figure(link, (0.8, 0.2), (0.66667, 0.33333)))
    done = propose(SMALL, {}, figures, "2026-01-02")
    assert [f.place for f in done.changed] == [figures[i].place for i in (0, 1, 2, 4)]
    lines = done.text.splitlines()
    assert lines[0] == "# the file's own comment"
    assert "    states: [ok, bad]  # states" in lines
    assert "      leak: 0.02  # tuned (7 tickets, 2026-01-02); was leak: 0.01" in lines
    assert "        h: {yes: 0.3333}  # tuned (7 tickets, 2026-01-02); was h: {yes: 0.20}" in lines
    assert (
        "    chance: {bad: 0.3}  # tuned (1 ticket, 2026-01-02); was chance: {bad: 0.10}" in lines
    )
    assert any("sensitivity: 0.75, specificity: 0.80}" in line for line in lines)
    # Tuned once more, the comment tells of the last time only.
    twice = propose(done.text, {}, [figure(Place("a", "leak"), (0.98, 0.02), (0.97, 0.03))], "d")
    assert "      leak: 0.03  # tuned (7 tickets, d); was leak: 0.02" in twice.text.splitlines()


def test_what_did_not_move_is_put_back_where_something_else_stands() -> None:
    place, states = Place("b", "chance"), ("ok", "bad")
    stays = Figure(place, states, (0.9, 0.1), (0.9, 0.1), (), (), 7.0)
    moves = Figure(place, states, (0.9, 0.1), (0.7, 0.3), (), (), 7.0)
    tuned = SMALL.replace("{bad: 0.10}", "{bad: 0.25}  # tuned (7 tickets, d); was 0.10")
    assert (
        "    chance: {bad: 0.1}\n" in propose(tuned, {}, [stays], "d", lambda f: (0.75, 0.25)).text
    )
    assert propose(SMALL, {}, [stays], "d", lambda f: (0.9, 0.1)).text == SMALL
    assert propose(SMALL, {}, [stays], "d").text == SMALL
    for now in ((0.75, 0.25), (0.9, 0.1)):
        done = propose(SMALL, {}, [moves], "d", lambda f, now=now: now)
        assert done.changed == (moves,)
        assert (
            "    chance: {bad: 0.3}  # tuned (7 tickets, d); was chance: {bad: 0.10}" in done.text
        )


OWN = """faultfinder_model: 1
causes:
  a:
    extends: yes
    title: Ours
findings:
  f:
    chance: {bad: 0.2}
"""
THEIRS = """faultfinder_parts: 1
causes:
  a:
    title: Theirs
    states: [ok, bad]
    chance: {bad: 0.10}
  b:
    states: [ok, bad]
    noisy_or:
      leak: 0.01
      links:
        h: {yes: 0.20}
"""


def test_what_stands_in_a_part_that_others_share_is_written_into_an_entry_of_ones_own() -> None:
    figures = [
        Figure(Place("a", "chance"), ("ok", "bad"), (0.9, 0.1), (0.7, 0.3), (), (), 1.0),
        figure(Place("b", "leak"), (0.99, 0.01), (0.98, 0.02)),
    ]
    done = propose(OWN, {"p.yaml": THEIRS}, figures, "d")
    assert done.text == OWN.replace(
        "causes:\n  a:\n",
        """causes:
  b:
    extends: yes
    noisy_or:
      leak: 0.02  # tuned (7 tickets, d); was leak: 0.01
      links:
        h: {yes: 0.20}
  a:
    chance: {bad: 0.3}  # tuned (1 ticket, d); was chance: {bad: 0.10}
""",
    )
    with pytest.raises(FaultfinderError, match="z, chance was tuned, but it is not in the file"):
        propose(OWN, {}, [replace(figures[0], place=Place("z", "chance"))], "d")


def test_the_states_that_a_figure_gives_are_those_named_in_the_first_file_that_has_it() -> None:
    named = states_named([OWN, THEIRS, SMALL])
    assert named(Place("a", "chance")) == {"bad"}
    assert named(Place("b", "leak")) == frozenset()
    assert named(Place("b", "link", parent="h", state="yes")) == frozenset()
    assert named(Place("f", "chance")) == {"bad"}
    assert named(Place("z", "chance")) == frozenset()
    assert states_named([SMALL])(Place("f", "sensitivity")) == frozenset()


def test_a_proposal_that_came_out_wrong_is_not_written() -> None:
    path = ROOT / "tests" / "models_before" / f"{NAME}.yaml"
    model = load_model(path).model
    place = Place("knock", "chance")
    wrong = Figure(place, ("no", "yes"), (0.8, 0.2), (0.5, 0.5), (0, 0), (1, 1), 9.0)
    assert figure_in(model, place) == pytest.approx((0.8, 0.2))
    with pytest.raises(FaultfinderError, match="other figures at knock"):
        check_same(model, parse_model(path.read_bytes(), str(path)), [wrong])


def test_effect_is_relative_entropy_times_tickets() -> None:
    assert effect(figure(Place("a", "leak"), (0.5, 0.5), (0.5, 0.5))) == 0.0
    moved = figure(Place("a", "leak"), (0.75, 0.25), (0.5, 0.5))
    # The textbook example of two coins (as worked out in lecture notes, read there): with
    # p = (1/2, 1/2) and q = (3/4, 1/4), D(p||q) = 0.2075 bits.
    assert effect(moved) == pytest.approx(7 * 0.2075, abs=5e-4)


def test_what_is_seen_for_the_first_time_adds_no_bits() -> None:
    # The part that can be compared fell: never below nothing.
    assert effect(figure(Place("a", "leak"), (0.0, 1.0), (0.5, 0.5))) == 0.0
    some = figure(Place("a", "leak"), (0.0, 0.25, 0.75), (0.25, 0.5, 0.25))
    bits = 0.5 * math.log2(0.5 / 0.25) + 0.25 * math.log2(0.25 / 0.75)
    assert effect(some) == pytest.approx(7 * bits)


@pytest.mark.parametrize(
    ("before", "least"), [(0.5, 1e-3), (0.01, 2e-5), (0.99, 2e-5), (0.0, 2e-7), (1.0, 2e-7)]
)
def test_a_figure_is_written_anew_from_a_share_of_itself_on(before: float, least: float) -> None:
    """A fifth of a percent of the rarer side, and of one in ten thousand where that is rarer."""
    towards = -1.0 if before > 0.5 else 1.0
    for share, wanted in ((0.9, False), (1.1, True), (-1.1, True)):
        after = before + towards * share * least
        if 0.0 <= after <= 1.0:
            told = figure(Place("a", "leak"), (1.0 - before, before), (1.0 - after, after))
            assert moved(told) == wanted


def test_a_folder_that_cannot_be_written_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "tickets.db.models").write_text("a file in the way", encoding="utf-8")
    shelf = FolderShelf(str(tmp_path / "tickets.db"))
    with pytest.raises(FaultfinderError, match="cannot be made"):
        shelf.propose("m", {"files": [["m.yaml", "text"]]})
