"""Logs read on several cores: the same tickets, whichever process reads them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from faultfinder.cli import cores, standings
from faultfinder.cli.known import key_of
from faultfinder.cli.on_ticket import case_of
from faultfinder.errors import FaultfinderError
from faultfinder.tickets.events import (
    Closed,
    Entry,
    Found,
    Held,
    Intake,
    Judged,
    Moved,
    Note,
    Ordered,
    Outcome,
    Repaired,
    TakenBack,
    Tried,
    Waiting,
)
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.searching import each_ticket
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket
from tests import MODELS_BEFORE
from tests.stores import new_database

AT = "2026-11-02T08:00:00Z"
DESK = Intake("thin_clamshell", complaint="Invented: dark", customer="invented ada")
LOGS: tuple[tuple[Entry, ...], ...] = (
    (DESK,),
    (DESK, Found("backlight", "off")),
    (DESK, Found("backlight", None)),
    (DESK, Found("backlight", "off"), Note("invented words"), Moved("cover_off")),
    (DESK, Found("backlight", "off"), Tried("reseat_light", "cover_off")),
    (DESK, Tried("reseat_light", "cover_off"), Found("backlight", "off")),
    (DESK, Found("image", "none"), Judged("panel", "dead")),
    (Intake("thin_clamshell", worth=90.0), Found("image", "none")),
    (Intake("bezel_clamshell", limit=90.0), Found("backlight", "off")),
    (DESK, Held(str(Waiting.CUSTOMER), "invented reason")),
    (DESK, Ordered("invented part", due="2026-12-01")),
    (DESK, Found("backlight", "off"), TakenBack(2)),
    (DESK, Repaired("reseat_light", "lid_off")),
)


@pytest.fixture(params=["sqlite", "postgresql"])
def store(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Store]:
    """Each log four times, and two comebacks."""
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))
    if request.param == "sqlite":
        yield _filled(open_store(tmp_path / "tickets.db", make=True))
    else:
        with new_database() as address:
            yield _filled(open_store(address))


def _filled(store: Store) -> Store:
    for _ in range(4):
        for log in LOGS:
            store.intake(log[0].model, AT, "invented ben", log)  # type: ignore[attr-defined]
    store.append(1, 1, AT, "invented ben", [Closed(str(Outcome.REPAIRED), ("backlight_cable",))])
    for _ in range(2):
        store.intake("thin_clamshell", AT, "invented ben", [DESK], first_ticket=1)
    return store


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of two tickets, none of which is read in the process of the test."""
    own = os.getpid()

    def elsewhere(store: Store, numbers: Sequence[int]) -> Iterator[Ticket]:
        assert os.getpid() != own
        return each_ticket(store, numbers)

    monkeypatch.setattr(cores, "_cores", lambda: 2)
    monkeypatch.setattr(standings, "AT_ONCE", 2)
    monkeypatch.setattr(standings, "each_ticket", elsewhere)


@pytest.mark.usefixtures("two_cores")
def test_tickets_read_elsewhere_are_those_read_here(store: Store) -> None:
    numbers = list(range(1, len(LOGS) * 4 + 3))
    every = list(each_ticket(store, numbers))
    read = list(standings.each_briefly(store, numbers))
    assert [brief for brief, _ in read] == [ticket.in_brief() for ticket in every]
    cases = [case_of(store, ticket) for ticket in every]
    keys = [key_of(case) for case in cases]
    assert [key_of(case_of(store, alike)) for _, alike in read] == keys
    assert len(set(keys)) > len(LOGS) // 2
    # What a state follows from comes once from each process, and nobody's words with it.
    handed = {id(alike): alike for _, alike in read}.values()
    assert len(handed) <= 2 * len({standings._holds(ticket) for ticket in every})
    assert not any("nvented" in repr((one.intake, one.person, one.events)) for one in handed)
    assert [ticket.complaint for ticket, _ in read] == [ticket.complaint for ticket in every]


@pytest.mark.usefixtures("two_cores")
def test_what_is_refused_elsewhere_is_a_sentence_here(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(store: Store, numbers: Sequence[int]) -> Iterator[Ticket]:
        raise FaultfinderError("The file is damaged.")

    monkeypatch.setattr(standings, "each_ticket", refused)
    with pytest.raises(FaultfinderError, match="The file is damaged"):
        list(standings.each_briefly(store, range(1, 50)))


def test_few_tickets_are_read_here(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    own = os.getpid()
    seen: list[int] = []

    def here(store: Store, numbers: Sequence[int]) -> Iterator[Ticket]:
        seen.append(os.getpid())
        return each_ticket(store, numbers)

    monkeypatch.setattr(cores, "_cores", lambda: 2)
    monkeypatch.setattr(standings, "each_ticket", here)
    assert len(list(standings.each_briefly(store, range(1, 50)))) == 49
    assert seen == [own]
