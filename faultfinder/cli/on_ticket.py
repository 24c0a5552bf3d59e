"""What commands on a ticket share: the store, the ticket's bench, and who writes when."""

from __future__ import annotations

import getpass
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import click

from faultfinder.cli.lines import load_at, model_place, named_place
from faultfinder.consultation.case import Case
from faultfinder.consultation.comeback import likelier_after
from faultfinder.consultation.consult import consult
from faultfinder.decide.belief import Tried
from faultfinder.decide.shop import Shop
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, ModelFileError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_kept, model_files
from faultfinder.model.locate import available_models
from faultfinder.model.was import Was
from faultfinder.report.consultation.view import View
from faultfinder.tickets.events import Entry, Found
from faultfinder.tickets.kept_models import version_of
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.store import Store
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


def the_store(make: bool = False) -> Store:
    """The tickets: where --db says, or the usual place; with `make` a missing file is made."""
    store = open_store(named_place(), make)
    context = click.get_current_context(silent=True)
    if context is not None:
        # The last one to close a file writes all of it into the one file that people copy.
        context.call_on_close(store.close)
    return store


def open_ticket(number: int) -> tuple[Store, Ticket]:
    """The store and the ticket. Raises FaultfinderError when the ticket is closed."""
    store = the_store()
    ticket = store.ticket(number)
    if not ticket.open:
        raise FaultfinderError(
            f"Ticket {number} is closed ({ticket.outcome}). Take the closing back to go on with it."
        )
    return store, ticket


def write(store: Store, ticket: Ticket, by: str | None, entries: Sequence[Entry]) -> Ticket:
    """Add entries to a ticket as it was read."""
    return store.append(ticket.number, ticket.last, now(), who(by), entries)


def keep_model(store: Store, compiled: CompiledModel, name: str) -> str:
    """Keep the model's files beside the tickets; returns the digest that tickets carry."""
    digest = version_of(compiled.model)
    store.keep_model(digest, compiled.model.name, now(), model_files(model_place(name), compiled))
    return digest


def compiled_of(store: Store, ticket: Ticket) -> CompiledModel:
    """The model version a ticket goes by: the one it began with, until told otherwise.

    A ticket that names no version (written before versions were kept, or brought in) goes
    by the model as it is now.
    """
    if not ticket.version:
        return present_model(ticket.model)
    try:
        present = present_model(ticket.model)
    except FaultfinderError:
        present = None
    if present is not None and present.model.digest.startswith(ticket.version):
        return present
    kept = store.kept_model(ticket.version)
    if kept is not None:
        return _kept_model(ticket.version, kept)
    if present is None:
        present = present_model(ticket.model)
    raise FaultfinderError(
        f"Ticket {ticket.number} goes by version {ticket.version} of {ticket.model}, which is not "
        f'kept here. "faultfinder remodel {ticket.number}" goes on with the present one.'
    )


def case_of(store: Store, ticket: Ticket, shop: Shop | None = None) -> Case:
    """What a ticket holds, as a case; `shop` is what the settings say, where they were read."""
    compiled = compiled_of(store, ticket)
    was = _was(compiled)
    tried = tuple(Tried(was.repair(t.repair), was.findings(t.results_since)) for t in ticket.tried)
    seen, worth, likelier = was.findings(ticket.findings), ticket.intake.worth, {}
    if ticket.first_ticket is not None:
        first = store.ticket(ticket.first_ticket)
        made = [*(step.repair for step in first.tried), *filter(None, [first.repaired])]
        likelier = likelier_after(
            compiled.model, [was.repair(repair) for repair in made], was.causes(first.causes)
        )
    judged = {
        cause: state
        for cause, state in was.findings(ticket.judged).items()
        if state is not None and cause in compiled.model.by_name
    }
    shop = read_shop() if shop is None else shop
    return Case(compiled, seen, ticket.stage, tried, worth, shop, likelier, judged)


@cache
def _was(compiled: CompiledModel) -> Was:
    return Was(compiled.model)


def view_of(store: Store, ticket: Ticket) -> View:
    """What is said of a ticket as it stands."""
    return View(consult(case_of(store, ticket)), ticket.number, entries=found_by(ticket))


def remember(store: Store, ticket: Ticket, view: View) -> None:
    """Keep where the ticket stands, for lists, once its page is shown."""
    from faultfinder.cli.known import remember  # not before somebody reads the page

    remember(store.database.name, ticket, view.told)


def found_by(ticket: Ticket) -> dict[str, int]:
    """The number of the entry that holds a finding, by its name; the newest counts."""
    return {
        event.entry.finding: event.number
        for event in ticket.counting()
        if isinstance(event.entry, Found)
    }


def present_model(name: str) -> CompiledModel:
    """The model that a ticket names, as it is now.

    A ticket may come from elsewhere and name any file: what is in a file that is no model is
    not shown for its sake.
    """
    path = model_place(name)
    try:
        return _model_at(path)
    except ModelFileError as error:
        if path in available_models().values():
            raise
        raise FaultfinderError(
            f'The model file "{name}" cannot be used. "faultfinder model check FILE" says why.'
        ) from error


@cache
def _model_at(path: Path) -> CompiledModel:
    """A command may look at many tickets of one model.

    Kept by file, not by name: which file a name stands for can change while Python runs.
    """
    return load_at(path)


@cache
def _kept_model(digest: str, files: tuple[tuple[str, str], ...]) -> CompiledModel:
    return load_kept(digest, files)
