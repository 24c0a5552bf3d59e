"""Where a shop's model versions lie: a folder beside a file of tickets, or a server's table.

A shelf knows numbered documents of a model, and nothing of what they mean. A number is taken
once: of two who would add the same one, the second is refused. On a server whoever may not
write the table is refused by the server.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from faultfinder.errors import FaultfinderError
from faultfinder.files import private_folder, whole_file
from faultfinder.inference.cache import cache_folder
from faultfinder.tickets.kept_models import Files, plain_path
from faultfinder.tickets.place import SERVERS

if TYPE_CHECKING:
    import sqlalchemy as sa

    from faultfinder.tickets.database import Database

Document = Mapping[str, Any]
"""A version as JSON; `files` in it are the model's, a list of [path, text], its own first."""

_WRITTEN = "version.json"
PROPOSAL = 0
"""The number under which a proposal lies; it is replaced by the next one."""


class Shelf(Protocol):
    """The kept versions of models."""

    def models(self) -> list[str]:
        """The models that have versions or a proposal here."""

    def numbers(self, model: str) -> list[int]:
        """The numbers of a model's versions, rising; the last one is in force."""

    def read(self, model: str, number: int) -> Document | None:
        """What was added under a number."""

    def files(self, model: str, number: int) -> Files:
        """The files of a version as they stand, with what was edited by hand since."""

    def place(self, model: str) -> Path | None:
        """The file of the version in force, to be loaded; None when there is no version."""

    def add(self, model: str, number: int, document: Document, like: Path | None = None) -> None:
        """Add a version; it gets the mode of the file `like`. Raises FaultfinderError when the
        number is taken, or nothing can be written."""

    def propose(self, model: str, document: Document) -> str:
        """Keep a proposal instead of an earlier one; returns where it lies, in words."""

    def drop_proposal(self, model: str) -> None:
        """The proposal was adopted."""

    def drop(self, model: str) -> None:
        """Forget a model, before what a backup holds takes its place."""


def shelf_at(place: str) -> Shelf:
    """The shelf of the tickets at `place`, a file or a server."""
    return ServerShelf(place) if place.startswith(SERVERS) else FolderShelf(place)


def replace_versions(source: Shelf, target: Shelf) -> None:
    """Let a shelf hold all versions and proposals of another, and no others."""
    for model in target.models():
        target.drop(model)
    for model in source.models():
        if not plain_path(model) or "/" in model:
            raise FaultfinderError(f'"{model}" is no name of a model. Restore another backup.')
        for number in source.numbers(model):
            document = source.read(model, number) or {}
            as_stands = [list(pair) for pair in source.files(model, number)]
            target.add(model, number, {**document, "files": as_stands})
        proposal = source.read(model, PROPOSAL)
        if proposal is not None:
            target.propose(model, proposal)


def _taken(model: str) -> FaultfinderError:
    return FaultfinderError(
        f"Somebody put another version of {model} in force meanwhile. Nothing was changed: look "
        f'at it ("faultfinder rollback -m {model} --list"), then tune again.'
    )


def _checked(document: object, where: str) -> Document:
    if isinstance(document, dict):
        files = document.get("files")
        if isinstance(files, list) and files:
            pairs = [p for p in files if isinstance(p, list) and len(p) == 2]
            if len(pairs) == len(files) and all(
                isinstance(name, str) and isinstance(text, str) and plain_path(name)
                for name, text in pairs
            ):
                return document
    raise FaultfinderError(f"{where} is damaged: it is no version of a model. Restore a backup.")


class FolderShelf:
    """`TICKETS.models/MODEL/NUMBER/`: the files of a version, and version.json, which holds them
    as they were added."""

    def __init__(self, place: str) -> None:
        self._folder = Path(f"{os.path.realpath(place)}.models")

    def models(self) -> list[str]:
        return sorted(p.name for p in self._folder.glob("*") if p.is_dir())

    def numbers(self, model: str) -> list[int]:
        try:
            inside = os.listdir(self._folder / model)
        except OSError:
            return []
        return sorted(int(name) for name in inside if name.isdecimal() and int(name) > 0)

    def read(self, model: str, number: int) -> Document | None:
        place = self._folder / model / str(number) / _WRITTEN
        try:
            return _checked(json.loads(place.read_bytes()), str(place))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise FaultfinderError(f"{place} cannot be read: {error}.") from error

    def files(self, model: str, number: int) -> Files:
        folder = self._folder / model / str(number)
        document = self.read(model, number)
        try:
            return tuple(
                (name, (folder / name).read_bytes().decode("utf-8"))
                for name, _ in (document or {"files": ()})["files"]
            )
        except (OSError, ValueError) as error:
            raise FaultfinderError(f"A file in {folder} cannot be read: {error}.") from error

    def place(self, model: str) -> Path | None:
        numbers = self.numbers(model)
        if not numbers:
            return None
        folder = self._folder / model / str(numbers[-1])
        # The model's own file lies no deeper than any part of the same name.
        found = sorted(folder.rglob(f"{model}.y*ml"), key=lambda path: len(path.parts))
        if not found:
            raise FaultfinderError(f"{folder} lacks the model's file. Restore a backup.")
        return found[0]

    def add(self, model: str, number: int, document: Document, like: Path | None = None) -> None:
        target = self._folder / model / str(number)
        aside = self._folder / model / f".{os.urandom(8).hex()}"
        try:
            self._write(aside, document, like)
            os.rename(aside, target)
        except OSError as error:
            shutil.rmtree(aside, ignore_errors=True)
            if target.is_dir():
                raise _taken(model) from None
            raise FaultfinderError(f"{target} cannot be made: {error.strerror}.") from error

    def _write(self, folder: Path, document: Document, like: Path | None) -> None:
        private_folder(folder)
        with whole_file(folder / _WRITTEN) as stream:
            stream.write(json.dumps(document).encode("utf-8"))
        for place, (name, text) in enumerate(document["files"]):
            private_folder((folder / name).parent)
            with whole_file(folder / name) as stream:
                stream.write(text.encode("utf-8"))
            if like is not None and place == 0:
                shutil.copymode(like, folder / name)

    def propose(self, model: str, document: Document) -> str:
        target = self._folder / model / str(PROPOSAL)
        aside = self._folder / model / f".{os.urandom(8).hex()}"
        try:
            self._write(aside, document, None)
            self.drop_proposal(model)
            os.rename(aside, target)
        except OSError as error:
            shutil.rmtree(aside, ignore_errors=True)
            raise FaultfinderError(f"{target} cannot be made: {error.strerror}.") from error
        return str(target / document["files"][0][0])

    def drop_proposal(self, model: str) -> None:
        shutil.rmtree(self._folder / model / str(PROPOSAL), ignore_errors=True)

    def drop(self, model: str) -> None:
        shutil.rmtree(self._folder / model, ignore_errors=True)


class ServerShelf:
    """The table `model_line` of a server: the lead's, read by all."""

    def __init__(self, place: str) -> None:
        self._address = place

    def _open(self) -> Database:
        from faultfinder.tickets.database import Database

        return Database(self._address)

    def models(self) -> list[str]:
        found: set[str] = set()
        with _Reading(self) as (connection, table):
            if connection is not None:
                import sqlalchemy as sa

                found = set(connection.execute(sa.select(table.c.model).distinct()).scalars())
        return sorted(found)

    def numbers(self, model: str) -> list[int]:
        with _Reading(self) as (connection, table):
            if connection is None:
                return []
            import sqlalchemy as sa

            query = sa.select(table.c.number).where(table.c.model == model, table.c.number > 0)
            return list(connection.execute(query.order_by(table.c.number)).scalars())

    def read(self, model: str, number: int) -> Document | None:
        with _Reading(self) as (connection, table):
            if connection is None:
                return None
            import sqlalchemy as sa

            query = sa.select(table.c.document).where(
                table.c.model == model, table.c.number == number
            )
            found = connection.execute(query).scalar()
        return None if found is None else _checked(json.loads(found), f"Version {number}")

    def files(self, model: str, number: int) -> Files:
        document = self.read(model, number)
        return tuple((name, text) for name, text in (document or {"files": ()})["files"])

    def place(self, model: str) -> Path | None:
        """The version's files, written out in the cache."""
        numbers = self.numbers(model)
        if not numbers:
            return None
        files = self.files(model, numbers[-1])
        whole = json.dumps(files).encode("utf-8")
        folder = cache_folder() / "versions" / _digest(whole)
        try:
            for name, text in files:
                content = text.encode("utf-8")
                place = folder / name
                if not place.is_file() or place.read_bytes() != content:
                    private_folder(place.parent)
                    with whole_file(place, private=True) as stream:
                        stream.write(content)
        except OSError as error:
            raise FaultfinderError(f"{folder} cannot be written: {error.strerror}.") from error
        return folder / files[0][0]

    def add(self, model: str, number: int, document: Document, like: Path | None = None) -> None:
        import sqlalchemy as sa

        row = {"model": model, "number": number, "document": json.dumps(document)}
        database = self._open()
        try:
            with database.transaction(write=True) as connection:
                table = _made(connection)
                there = sa.select(table.c.number).where(
                    table.c.model == model, table.c.number == number
                )
                # Held until commit, so that of two adoptions one sees the other.
                connection.execute(sa.text("select pg_advisory_xact_lock(hashtext(:m))"),
                                   {"m": model})  # fmt: skip
                if connection.execute(there).first() is not None:
                    raise _taken(model)
                connection.execute(table.insert().values(row))
        finally:
            database.close()

    def propose(self, model: str, document: Document) -> str:
        row = {"model": model, "number": PROPOSAL, "document": json.dumps(document)}
        database = self._open()
        try:
            with database.transaction(write=True) as connection:
                table = _made(connection)
                connection.execute(
                    table.delete().where(table.c.model == model, table.c.number == PROPOSAL)
                )
                connection.execute(table.insert().values(row))
        finally:
            database.close()
        return f"proposal for {model} on {database.name}"

    def drop_proposal(self, model: str) -> None:
        self._delete(model, proposal=True)

    def drop(self, model: str) -> None:
        self._delete(model, proposal=False)

    def _delete(self, model: str, proposal: bool) -> None:
        database = self._open()
        try:
            with database.transaction(write=True) as connection:
                table = _made(connection)
                which = table.c.model == model
                if proposal:
                    which &= table.c.number == PROPOSAL
                connection.execute(table.delete().where(which))
        finally:
            database.close()


class _Reading:
    """A reading transaction with the table, or without either where nobody made it."""

    def __init__(self, shelf: ServerShelf) -> None:
        self._database = shelf._open()
        self._transaction = self._database.transaction(write=False)

    def __enter__(self) -> tuple[sa.Connection | None, sa.Table]:
        import sqlalchemy as sa

        from faultfinder.tickets.tables import MODEL_LINE

        connection = self._transaction.__enter__()
        there = sa.inspect(connection).has_table(MODEL_LINE.name)
        return (connection if there else None), MODEL_LINE

    def __exit__(self, *error: Any) -> None:
        try:
            self._transaction.__exit__(*error)
        finally:
            self._database.close()


def _made(connection: sa.Connection) -> sa.Table:
    from faultfinder.tickets.tables import MODEL_LINE

    MODEL_LINE.metadata.create_all(connection)
    return MODEL_LINE


def _digest(content: bytes) -> str:
    import hashlib

    return hashlib.sha256(content).hexdigest()[:24]
