"""A shop's line of versions: nothing is counted twice, nothing is lost, one decides at a time."""

from __future__ import annotations

import json
import os
import random
import re
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import compile_model
from faultfinder.inference.loading import load_model, read_kept
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.proposing import keep_proposal
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.versions import Evidence, Line, packed, uncounted
from faultfinder.tickets.roles import give_roles
from faultfinder.tickets.shelf import FolderShelf, ServerShelf, Shelf, shelf_at
from faultfinder.written import forget, stands
from tests.stores import new_database, server_address

AT = "2026-01-01T00:00:00Z"

MODEL = """\
faultfinder_model: 1
name: m
title: Invented
include: [parts.yaml]
start: closed
causes:
  a:
    states: [ok, bad]
    chance: {bad: 0.30}  # by feel
  b:
    states: [ok, bad]
    chance: {bad: 0.20}
conditions:
  leading: {first_of: [a, b]}
findings:
  f:
    states: [no, yes]
    test: {of: a, sensitivity: 0.90, specificity: 0.80}
  h:
    states: [none, some, much]
figures:
  g:
    extends: yes
    given:
      a: {no: 0.3, yes: 0.7}
  h:
    default: {none: 0.2, some: 0.5, much: 0.3}
    none: {none: 0.9, some: 0.05, much: 0.05}
complaint: {name: dark, title: Dark, any_of: [a, b]}
stages: {closed: {title: Closed, powered: yes}}
"""

PARTS = """\
faultfinder_parts: 1
findings:
  g:
    states: [no, yes]
figures:
  g:
    default: {no: 0.6, yes: 0.4}
    none: {no: 0.95, yes: 0.05, basis: {guess: invented, worth: 7}}
    given:
      "a, b": {no: 0.2, yes: 0.8}
checks:
  look: {title: Look, observes: [f, g, h], minutes: 2, stage: closed}
"""


@pytest.fixture
def origin(tmp_path: Path) -> Path:
    (tmp_path / "shipped").mkdir()
    (tmp_path / "shipped" / "parts.yaml").write_text(PARTS, encoding="utf-8")
    path = tmp_path / "shipped" / "m.yaml"
    path.write_text(MODEL, encoding="utf-8")
    return path


@pytest.fixture
def line(origin: Path, tmp_path: Path) -> Line:
    return Line(FolderShelf(str(tmp_path / "tickets.db")), "m", origin)


def drawn(number: int, seed: int = 1) -> list[ClosedTicket]:
    """Invented tickets."""
    dice = random.Random(seed)
    found = []
    for n in range(1, number + 1):
        cause = dice.choices(["a", "b"], [1, 3])[0]
        findings = {
            "f": "yes" if dice.random() < (0.6 if cause == "a" else 0.3) else "no",
            "g": "yes" if dice.random() < 0.5 else "no",
            "h": dice.choice(["none", "some", "much"]),
        }
        found.append(ClosedTicket(n, f"2026-01-{n % 28 + 1:02}", findings, (cause,), f"s:{n}"))
    return found


def propose(line: Line, tickets: list[ClosedTicket]) -> Tuned:
    base = line.base()
    tuned = tune(compile_model(base.believed), tickets)
    evidence = Evidence(packed(t.key for t in tickets), len(tickets), tickets[-1].closed_at)
    keep_proposal(line, base, tuned.figures, evidence, AT)
    return tuned


def edit(line: Line, change: Callable[[str], str]) -> None:
    """A hand edit of the file in force, where it lies."""
    place = line._shelf.place("m")
    assert place is not None
    text = place.read_text(encoding="utf-8")
    assert change(text) != text
    place.write_text(change(text), encoding="utf-8")


def set_chance(cause: str, to: str) -> Callable[[str], str]:
    pattern = rf"(  {cause}:\n    states: \[ok, bad\]\n    chance: {{bad: )[0-9.]+"
    return lambda text: re.sub(pattern, rf"\g<1>{to}", text)


@pytest.mark.parametrize("seed", range(3))
def test_ten_steps_with_edits_and_rollbacks_are_one_tuning_from_the_last_belief(
    line: Line, origin: Path, seed: int
) -> None:
    dice = random.Random(seed)
    tickets = drawn(150, seed)
    beliefs = {0: {"a": "0.30", "b": "0.20"}}  # of each version, by the numbers written by hand
    beliefs[1] = dict(beliefs[0])
    propose(line, tickets[:30])
    newest = line.adopt("lena", AT).number
    beliefs[newest] = dict(beliefs[0])
    for step in range(10):
        count = 30 + 12 * step
        edited = dict(beliefs[newest])
        if dice.random() < 0.5:
            cause = dice.choice("ab")
            edited[cause] = f"0.{dice.randrange(110, 890)}"
            edit(line, set_chance(cause, edited[cause]))
        if dice.random() < 0.4:
            # Rows may move: a figure is known by what it is of.
            edit(line, lambda text: text.replace("figures:\n", "figures:\n  # looked at\n"))
        if dice.random() < 0.35 and newest > 2:
            to = dice.randrange(1, newest)
            before = newest
            try:
                newest = line.roll_back("lena", AT, to).number
            except FaultfinderError:  # It is in force already.
                beliefs[newest] = edited
            else:
                for number in range(before + 1, newest):
                    beliefs[number] = edited
                beliefs[newest] = dict(beliefs[to])
        else:
            propose(line, tickets[:count])
            before = newest
            newest = line.adopt("lena", AT).number
            for number in range(before + 1, newest + 1):
                beliefs[number] = edited
    in_steps = tune(compile_model(line.base().believed), tickets)
    text = MODEL
    for cause, belief in beliefs[newest].items():
        text = re.sub(rf"(  {cause}:\n    states: \[ok, bad\]\n    chance: {{bad: )[0-9.]+",
                      rf"\g<1>{belief}", text)  # fmt: skip
    origin.write_text(text, encoding="utf-8")
    at_once = tune(load_model(origin), tickets)

    def by_spot(tuned: Tuned) -> dict[object, tuple[float, ...]]:
        # Rows of a table may have got other numbers: told apart by what the author believed.
        return {
            (f.place.variable, f.place.kind, tuple(round(b, 9) for b in f.before)): f.after
            for f in tuned.figures
        }

    one, other = by_spot(in_steps), by_spot(at_once)
    assert one.keys() == other.keys()
    for key, after in other.items():
        assert one[key] == pytest.approx(after, abs=1e-9), key


def test_an_edit_after_an_adoption_changes_one_belief_and_counts_no_ticket_again(
    line: Line,
) -> None:
    tickets = drawn(100)
    first = {(f.place.variable, f.place.kind): f for f in propose(line, tickets).figures}
    line.adopt("lena", AT)
    edit(line, set_chance("a", "0.77"))
    again = {(f.place.variable, f.place.kind): f for f in propose(line, tickets).figures}
    assert again["a", "chance"].before == pytest.approx((0.23, 0.77))
    for key in (("b", "chance"), ("f", "sensitivity"), ("f", "specificity")):
        assert again[key].before == first[key].before
    line.adopt("lena", AT)
    assert [v.what for v in line.versions()] == ["shipped", "adopted", "edited", "adopted"]
    assert line.versions()[-1].evidence.tickets == {"s": "1-100"}


def test_an_included_row_that_the_file_lacks_is_added_to_its_own_entry_with_its_basis(
    line: Line,
) -> None:
    told = propose(line, drawn(150))
    rows = {f.place.key: f for f in told.figures if f.place.variable == "g"}
    line.adopt("lena", AT)
    model = read_kept(line.in_force())
    told_now = {row.key: row for row in model.by_name["g"].distribution.rows}  # type: ignore[union-attr]
    assert told_now["b.bad"].gives == pytest.approx(rows["a, b"].after, abs=1e-3)
    assert told_now["a"].gives == pytest.approx(rows["a"].after, abs=1e-3)
    # Nobody saw a machine without a fault: that row, and what it is worth, is as it was.
    assert told_now["none"].basis is not None
    assert told_now["none"].basis.worth == 7


def test_a_new_shipped_file_is_a_proposal_that_keeps_what_the_shop_believes_and_learnt(
    line: Line, origin: Path
) -> None:
    tickets = drawn(100)
    propose(line, tickets)
    line.adopt("lena", AT)
    edit(line, set_chance("a", "0.77"))
    assert not line.base().upgrade
    newer = MODEL.replace("bad: 0.20", "bad: 0.12").replace("0.90", "0.96")
    newer = newer.replace("bad: 0.30", "bad: 0.33")
    origin.write_text(newer, encoding="utf-8")
    base = line.base()
    assert base.upgrade
    assert base.both == ["a"]
    propose(line, tickets)
    in_force = read_kept(line.in_force()).by_name["f"].distribution
    version = line.adopt("lena", AT)
    assert version.shipped == version.number
    assert read_kept(line.in_force()).by_name["f"].distribution != in_force
    assert not line.base().upgrade
    before = {f.place.variable: f.before for f in propose(line, tickets).figures}
    assert before["a"] == pytest.approx((0.23, 0.77))
    assert before["b"] == pytest.approx((0.88, 0.12))
    # Going back to before the upgrade, it is offered again.
    line.roll_back("lena", AT, 2)
    assert line.base().upgrade


def test_a_shop_s_own_changes_beside_figures_are_not_lost_to_an_upgrade(
    line: Line, origin: Path, tmp_path: Path
) -> None:
    tickets = drawn(100)
    propose(line, tickets)
    line.adopt("lena", AT)
    edit(line, lambda text: text.replace("title: Invented", "title: Invented and ours"))
    origin.write_text(MODEL.replace("bad: 0.20", "bad: 0.12"), encoding="utf-8")
    with pytest.raises(FaultfinderError, match="other changes than figures"):
        line.base()
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "parts.yaml").write_text(PARTS, encoding="utf-8")
    mine = tmp_path / "mine" / "m.yaml"
    mine.write_text(
        MODEL.replace("bad: 0.20", "bad: 0.12").replace("Invented", "Ours"), encoding="utf-8"
    )
    line.take(mine, "lena", AT)
    assert not line.base().upgrade
    assert line.base().model.title == "Ours"


def test_line_ends_and_mode_survive_an_adoption(line: Line, origin: Path) -> None:
    origin.write_bytes(MODEL.replace("\n", "\r\n").encode())
    origin.chmod(0o640)
    for _ in range(2):
        propose(line, drawn(100))
        line.adopt("lena", AT)
        place = line._shelf.place("m")
        assert place is not None
        content = place.read_bytes()
        assert content.count(b"\r\n") == content.count(b"\n") > 30
        assert b"# tuned" in content
        assert place.stat().st_mode & 0o777 == 0o640
        edit(line, lambda text: text.replace("title: Invented", "title: Invented again"))
        # Edited with other line ends, it keeps those of the rest.
        place.write_bytes(place.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
        place.chmod(0o640)


def test_the_last_line_of_a_file_keeps_what_it_has(line: Line, origin: Path) -> None:
    origin.write_text(MODEL.rstrip("\n"), encoding="utf-8")
    propose(line, drawn(100))
    line.adopt("lena", AT)
    assert line.in_force()[0][1].endswith("stages: {closed: {title: Closed, powered: yes}}")


@pytest.fixture(params=["file", "server"])
def shelf(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shelf]:
    if request.param == "file":
        yield FolderShelf(str(tmp_path / "tickets.db"))
        return
    server_address()
    with new_database() as place:
        yield shelf_at(place)


def test_of_two_adoptions_at_once_one_is_refused(shelf: Shelf, origin: Path) -> None:
    line = Line(shelf, "m", origin)
    propose(line, drawn(60))
    line.adopt("lena", AT)
    propose(line, drawn(90))
    taken = shelf.add

    def first_the_other(
        model: str, number: int, document: object, like: Path | None = None
    ) -> None:
        taken(model, number, document, like)  # type: ignore[arg-type]
        taken(model, number, document, like)  # type: ignore[arg-type]

    shelf.add = first_the_other  # type: ignore[method-assign,assignment]
    with pytest.raises(FaultfinderError, match="Somebody put another version of m in force"):
        line.adopt("erik", AT)
    assert [v.number for v in line.versions()] == [1, 2, 3]


def test_versions_go_with_a_backup_and_come_back(
    shelf: Shelf, origin: Path, tmp_path: Path
) -> None:
    line = Line(shelf, "m", origin)
    propose(line, drawn(60))
    line.adopt("lena", AT)
    with FolderShelf(str(tmp_path / "backup.db")).instead(shelf) as put:
        put("")
    kept = line.versions()
    line.roll_back("lena", AT, 1)
    with shelf.instead(FolderShelf(str(tmp_path / "backup.db"))) as put:
        put("")
    assert line.versions() == kept
    assert shelf.models() == ["m"]
    place = shelf.place("m")
    assert place is not None
    assert load_model(place).model.name == "m"


def test_on_a_server_the_role_decides_who_may_adopt(origin: Path) -> None:
    import secrets

    import sqlalchemy as sa

    server_address()
    bench, lead = f"bench_{secrets.token_hex(4)}", f"lead_{secrets.token_hex(4)}"
    with new_database() as place:
        give_roles(place, bench, lead)
        url = sa.make_url(place)
        as_role = {
            role: url.set(username=role, password=None).render_as_string(hide_password=False)
            for role in (bench, lead)
        }
        theirs = Line(ServerShelf(as_role[lead]), "m", origin)
        propose(theirs, drawn(60))
        at_bench = Line(ServerShelf(as_role[bench]), "m", origin)
        with pytest.raises(FaultfinderError, match="take the lead's role"):
            at_bench.adopt("erik", AT)
        assert at_bench.versions() == ()
        theirs.adopt("lena", AT)
        assert at_bench.in_force() == theirs.in_force() != at_bench._shipped()
        with pytest.raises(FaultfinderError, match="take the lead's role"):
            at_bench.roll_back("erik", AT, 1)
        engine = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    admin = sa.create_engine(sa.make_url(server_address()), isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        for role in (bench, lead):
            connection.exec_driver_sql(f"drop role {role}")
    engine.dispose()
    admin.dispose()


def test_tickets_are_kept_by_key_and_missed_when_they_are_gone() -> None:
    told = packed(["a:1", "a:2", "b:9", "a:4"])
    assert uncounted(told, ["a:1", "a:4"]) == 2
    assert uncounted(told, ["a:1", "a:2", "a:3", "a:4", "b:9"]) == 0


# A folder of versions may come with a backup from anywhere.


@pytest.fixture
def begun(line: Line, tmp_path: Path) -> Path:
    """The folder of a version in force."""
    propose(line, drawn(60))
    line.adopt("lena", AT)
    return tmp_path / "tickets.db.models" / "m" / "2"


def change(version: Path, **values: object) -> None:
    place = version / "version.json"
    place.write_text(json.dumps(json.loads(place.read_bytes()) | values), encoding="utf-8")


def used(line: Line) -> None:
    """All that reads versions."""
    list(line.versions())
    line.in_force()
    line.base()
    with FolderShelf(str(line.origin.parent / "copy.db")).instead(line._shelf):
        pass


@pytest.mark.parametrize("what", ["the text", "the version", "the model", "the shelf"])
def test_no_link_on_a_shelf_is_followed(what: str, line: Line, begun: Path, tmp_path: Path) -> None:
    place = {"the text": begun / "parts.yaml", "the version": begun, "the model": begun.parent,
             "the shelf": begun.parent.parent}[what]  # fmt: skip
    elsewhere = tmp_path / "elsewhere"
    place.rename(elsewhere)
    place.symlink_to(elsewhere)
    before = sorted(elsewhere.rglob("*"))
    for act in (lambda: used(line), lambda: line.roll_back("lena", AT)):
        with pytest.raises(FaultfinderError, match="is a link, or behind one"):
            act()
    assert sorted(elsewhere.rglob("*")) == before


@pytest.mark.parametrize("name", ["version.json", "parts.yaml"])
def test_a_pipe_on_a_shelf_is_not_waited_for(name: str, line: Line, begun: Path) -> None:
    (begun / name).unlink()
    os.mkfifo(begun / name)
    with pytest.raises(FaultfinderError, match="no regular file"):
        used(line)


@pytest.mark.parametrize(
    "values",
    [
        {"number": "2"}, {"number": 7}, {"parent": None}, {"shipped": 9}, {"by": ["x"]},
        {"learnt": [3]}, {"learnt": [{"variable": 1}]}, {"evidence": []}, {"sung": 1},
        {"evidence": {"tickets": {"s": 3}}}, {"evidence": {"tickets": {"s": "1-x"}}},
        {"evidence": {"options": {"label_error": "much"}}}, {"evidence": {"options": 4}},
        {"files": []}, {"files": [["../m.yaml", "x"]]}, {"files": [["m.yaml", "\ud800"]]},
        {"files": [["m.yaml", "x"], ["M.yaml", "y"]]}, {"files": [["Version.JSON", "{}"]]},
    ],
)  # fmt: skip
def test_a_version_that_is_none_of_ours_is_a_sentence(
    values: dict[str, object], line: Line, begun: Path
) -> None:
    change(begun, **values)
    with pytest.raises(FaultfinderError, match=r"damaged|no version"):
        used(line)


def test_tickets_without_end_are_counted_at_once() -> None:
    assert uncounted({"s": "1-999999999999"}, ["s:1", "s:5"]) == 10**12 - 3


def test_a_kept_version_takes_in_its_own_files_only(line: Line, begun: Path) -> None:
    (begun / "sub").mkdir()
    secret = line.origin.parent / "parts.yaml"
    text = (begun / "m.yaml").read_text(encoding="utf-8")
    (begun / "m.yaml").write_text(
        text.replace("[parts.yaml]", f"[{os.path.relpath(secret, begun)}]"), encoding="utf-8"
    )
    place = line._shelf.place("m")
    assert place is not None
    with pytest.raises(FaultfinderError, match="none of the version's own files"):
        load_model(place, line._shelf.root(place))


def test_versions_are_for_their_owner_only_whatever_the_umask(
    line: Line, origin: Path, tmp_path: Path
) -> None:
    origin.chmod(0o600)
    before = os.umask(0)
    try:
        propose(line, drawn(60))
        line.adopt("lena", AT)
    finally:
        os.umask(before)
    made = list((tmp_path / "tickets.db.models").rglob("*"))
    assert len(made) > 6
    for path in made:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


def test_what_was_put_in_force_is_told_to_whoever_stops(shelf: Shelf, origin: Path) -> None:
    forget()
    line = Line(shelf, "m", origin)
    propose(line, drawn(60))
    assert stands() == ("A proposal for m is kept.",)
    line.adopt("lena", AT)
    assert stands()[-1] == "Version 2 of m is in force."


def test_a_shelf_is_as_it_was_when_another_cannot_take_its_place(
    line: Line, begun: Path, tmp_path: Path
) -> None:
    kept = line.versions()
    other = FolderShelf(str(tmp_path / "other.db"))
    other.add("m", 1, kept[0].as_plain())
    other.add("n", 1, kept[0].as_plain())
    (tmp_path / "other.db.models" / "n" / "1" / "version.json").write_text("{", encoding="utf-8")
    with pytest.raises(FaultfinderError, match="damaged"), line._shelf.instead(other) as put:
        put("")
    assert line.versions() == kept
    assert sorted(p.name for p in tmp_path.glob("tickets.db*")) == ["tickets.db.models"]
