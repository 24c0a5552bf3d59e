"""Hand edits of a line's file as people make them: no ticket counts twice in any of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from faultfinder.inference.compiled import compile_model
from faultfinder.learning.beliefs import same_but_figures
from faultfinder.learning.em.estimates import Tuned, tune
from faultfinder.learning.proposing import keep_proposal
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.versions import Evidence, Line
from faultfinder.model.parts import FaultModel, NoisyMax, Row, Table
from faultfinder.tickets.shelf import FolderShelf
from tests.closed_tickets import drawn
from tests.leading_model import TEXT, leading_model
from tests.small_shop import small_shop

AT = "2026-01-01T10:00:00Z"
TICKETS = drawn(compile_model(leading_model()), 200, seed=3)

EDITS = {
    r"(  crack:\n    default: \{yes: )[\d.]+": ("0.0412345", "0.25"),
    r"(      lamp: \{)lit: [\d.]+, dim: [\d.]+, dark: [\d.]+": (
        "lit: 0.2, dim: 0.3, dark: 0.5",
        "lit: 0.123456, dim: 0.7, dark: 0.176544",
    ),
    r"(chance: \{torn: )[\d.]+": ("0.07", "0.031"),
    # Four figures stand on this line, and one number of one of them is edited.
    r"(noisy_max: \{leak: \{dead: )[\d.]+": ("0.06", "0.012"),
}


def fitted(model: FaultModel, tickets: Sequence[ClosedTicket]) -> Tuned:
    # A set number of rounds, since a last digit can decide in which one the search settles.
    return tune(
        compile_model(model), tickets, leave_out_impossible=True, max_rounds=5, tolerance=0.0
    )


def proposed(line: Line, tickets: Sequence[ClosedTicket]) -> Tuned:
    base = line.base()
    found = fitted(base.believed, tickets)
    keep_proposal(line, base, found.figures, Evidence({}, len(tickets)), AT)
    return found


def edit(text: str, where: str, told: str) -> str:
    """New numbers at the first such place; a note may repeat it."""
    new, count = re.subn(where, rf"\g<1>{told}", text, count=1)
    assert count == 1, where
    return new


def split_row(text: str) -> str:
    """The row of two causes as a row each, with the numbers it has."""
    return re.sub(r'^( +)"hinge, cable.cut"(: .*)', r"\1hinge\2\n\1cable.cut\2", text, flags=re.M)


@pytest.fixture
def line(tmp_path: Path) -> Line:
    origin = tmp_path / "shipped" / "leading.yaml"
    origin.parent.mkdir()
    origin.write_text(TEXT, encoding="utf-8")
    return Line(FolderShelf(str(tmp_path / "tickets.db")), "leading", origin)


def place_of(line: Line) -> Path:
    place = line._shelf.place("leading")
    assert place is not None
    return place


@pytest.mark.parametrize("seed", range(3))
def test_ten_tunings_with_edits_between_are_one_from_the_last_belief(line: Line, seed: int) -> None:
    rng = np.random.default_rng(seed)
    # What the author believes, by the text in force; kept without looking at versions.
    author = {TEXT: TEXT}
    for step in range(1, 11):
        believed = author[line.in_force()[0][1]]
        proposed(line, TICKETS[: 20 * step])
        line.adopt("invented lead", AT)
        author.setdefault(line.in_force()[0][1], believed)
        for _ in range(rng.integers(0, 3)):
            text = line.in_force()[0][1]
            what = rng.choice(["edit", "back", "by hand", "split"], p=[0.5, 0.2, 0.2, 0.1])
            where = list(EDITS)[rng.integers(len(EDITS))]
            told = EDITS[where][rng.integers(2)]
            if what == "back":
                known = [v for v in line.versions() if v.files[0][1] in author]
                version = known[rng.integers(len(known))]
                if version.files[0][1] != text:
                    line.roll_back("invented lead", AT, version.number)
                continue
            if what == "edit":
                new, believed = edit(text, where, told), edit(author[text], where, told)
            elif what == "split":
                new, believed = split_row(text), split_row(author[text])
            else:
                # An older file is copied over this one, and edited there.
                older = list(author)[rng.integers(len(author))]
                new, believed = edit(older, where, told), edit(author[older], where, told)
            author.setdefault(new, believed)
            place_of(line).write_text(new, encoding="utf-8")
    believed = author[line.in_force()[0][1]]
    found, once = proposed(line, TICKETS), fitted(leading_model(believed), TICKETS)
    for name, table in once.tables.items():
        np.testing.assert_allclose(found.tables[name], table, rtol=0.0, atol=1e-9, err_msg=name)


def test_one_number_edited_in_a_cause_of_three_states_leaves_the_others_counted_once(
    line: Line,
) -> None:
    proposed(line, TICKETS)
    line.adopt("invented lead", AT)
    where = r"(noisy_max: \{leak: \{dead: )[\d.]+"
    text = line.in_force()[0][1]
    board = next(one for one in text.splitlines() if re.search(where, one))
    assert "dead: 0.03, hung: 0.02}" not in board.partition("  # tuned")[0]
    place_of(line).write_text(edit(text, where, "0.06"), encoding="utf-8")
    told = line.base().believed.by_name["board"].distribution
    assert isinstance(told, NoisyMax)
    assert told.leak.gives == pytest.approx((0.92, 0.06, 0.02), abs=1e-12)
    assert told.links["liquid"]["yes"].gives == pytest.approx((0.75, 0.2, 0.05), abs=1e-12)


def test_a_row_of_which_every_chance_is_written_is_edited_as_a_whole(line: Line) -> None:
    proposed(line, TICKETS)
    line.adopt("invented lead", AT)
    text = line.in_force()[0][1]
    lamp = re.search(r"      lamp: \{lit: [\d.]+, dim: ([\d.]+),", text)
    assert lamp is not None
    dim = float(lamp[1])
    new = f"lit: {0.9 - dim:.4f}, dim: {lamp[1]}, dark: 0.1"
    place_of(line).write_text(edit(text, list(EDITS)[1], new), encoding="utf-8")
    told = line.base().believed.by_name["light"].distribution
    assert isinstance(told, Table)
    row = next(row for row in told.rows if row.key == "lamp")
    assert row.gives == pytest.approx((0.9 - dim, dim, 0.1), abs=1e-4)


def test_tickets_that_answer_whether_there_is_anything_else_can_be_learnt_from(
    line: Line,
) -> None:
    answered = [ticket for ticket in TICKETS if "anything_else" in ticket.findings]
    assert len(answered) > 50
    told = {figure.place.variable for figure in proposed(line, answered).figures}
    assert "lines" in told
    # It says what was not mentioned; how often it is given is no figure of the file.
    assert "anything_else" not in told


def test_models_that_differ_in_figures_alone_are_told_from_all_others() -> None:
    model = small_shop()
    strip = model.by_name["strip"]
    rarer = replace(strip, distribution=Table((), (Row({}, (0.99, 0.01)),)))
    variables = tuple(rarer if v.name == "strip" else v for v in model.variables)
    assert same_but_figures(model, replace(model, variables=variables, digest="other"))
    named = tuple(replace(v, title=f"{v.title}!") for v in model.variables)
    mends = replace(model.repairs[0], mends={"plug": {"half": 0.95}})
    for other in (
        replace(model, variables=named),
        replace(model, variables=model.variables[:-1]),
        replace(model, checks=model.checks[::-1]),
        replace(model, repairs=(mends, *model.repairs[1:])),
        replace(model, complaint=None),
    ):
        assert not same_but_figures(model, other)
