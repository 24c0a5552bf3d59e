"""What commands on a ticket share: the store, the ticket's bench, and who writes when."""

from __future__ import annotations

import getpass
import os
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

from faultfinder.cli.looking import Answer, Bench
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.report.view import View
from faultfinder.tickets.store import Entry, Store, open_store
from faultfinder.tickets.ticket import Ticket


def now() -> str:
    """The time to write down: UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def who(named: str | None) -> str:
    """Who writes: as named, FAULTFINDER_WHO, or the user's name on this machine."""
    if named:
        return named
    own = os.environ.get("FAULTFINDER_WHO")
    if own:
        return own
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


def open_ticket(number: int) -> tuple[Store, Ticket]:
    """The store and the ticket. Raises FaultfinderError when the ticket is closed."""
    store = open_store()
    ticket = store.ticket(number)
    if not ticket.open:
        raise FaultfinderError(
            f"Ticket {number} is closed ({ticket.outcome}). Take the closing back to go on with it."
        )
    return store, ticket


def write(store: Store, ticket: Ticket, by: str | None, entries: Sequence[Entry]) -> Ticket:
    """Add entries to a ticket as it was read."""
    return store.append(ticket.number, ticket.last, now(), who(by), entries)


def bench_of(ticket: Ticket) -> tuple[Bench, tuple[Answer, ...]]:
    """The bench of a ticket, and its findings before any repair as answers."""
    bench = Bench(_model(ticket.model), read_shop(), tried=ticket.tried, rank_histories=False)
    return bench, tuple(Answer(name, result) for name, result in ticket.findings.items())


def view_of(ticket: Ticket) -> View:
    """The diagnosis of a ticket as it stands."""
    bench, answers = bench_of(ticket)
    return replace(bench.view(answers, ticket.stage), ticket=ticket.number)


@cache
def _model(name: str) -> CompiledModel:
    """A command may look at many tickets of one model."""
    return load_model(name)
