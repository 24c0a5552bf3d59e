"""Where a shop's model versions lie: a folder beside a file of tickets, or a server's table.

A shelf knows numbered documents of a model, and nothing of what they mean. A number is taken
once: of two who would add the same one, the second is refused. On a server whoever may not
write the table is refused by the server.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from faultfinder.errors import FaultfinderError
from faultfinder.files import private_folder, read_some, refused, whole_file
from faultfinder.inference.cache import cache_folder
from faultfinder.tickets.address import SERVERS
from faultfinder.tickets.kept_models import Files, checked_files, plain_path
from faultfinder.written import lasting

if TYPE_CHECKING:
    import sqlalchemy as sa

    from faultfinder.tickets.database import Database

Document = Mapping[str, Any]
"""A version as JSON; `files` in it are the model's, a list of [path, text], its own first."""

_WRITTEN = "version.json"
_NUMBER = re.compile("[1-9][0-9]{0,8}")
PROPOSAL = 0
"""The number under which a proposal lies; it is replaced by the next one."""

READ_AT_MOST = 100_000_000
"""Bytes of one file that are read; a version with all its files is far below."""

Put = Callable[[str], None]
"""Puts what was made ready in place; what was there goes beside the place named, if any is."""


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

    def root(self, file: Path) -> Path | None:
        """The folder that holds all files of the version that `file` is of; None: of none."""

    def add(self, model: str, number: int, document: Document, like: Path | None = None) -> None:
        """Add a version; it gets the mode of the file `like`. Raises FaultfinderError when the
        number is taken, or nothing can be written."""

    def propose(self, model: str, document: Document) -> str:
        """Keep a proposal instead of an earlier one; returns where it lies, in words."""

    def drop_proposal(self, model: str) -> None:
        """The proposal was adopted."""

    def instead(self, source: Shelf) -> AbstractContextManager[Put]:
        """Read and check all that another shelf holds, and make it ready: once put it is what
        this one holds, and nothing else. Raises FaultfinderError before anything was changed."""


def shelf_at(place: str) -> Shelf:
    """The shelf of the tickets at `place`, a file or a server."""
    return ServerShelf(place) if place.startswith(SERVERS) else FolderShelf(place)


def _documents(shelf: Shelf) -> Iterator[tuple[str, int, Document]]:
    """All versions and proposals of a shelf, with their files as they stand."""
    for model in shelf.models():
        if not plain_path(model) or "/" in model:
            raise FaultfinderError(f'"{model}" is no name of a model. Restore another backup.')
        for number in (PROPOSAL, *shelf.numbers(model)):
            document = shelf.read(model, number)
            if document is not None:
                as_stands = [list(pair) for pair in shelf.files(model, number)]
                yield model, number, {**document, "files": as_stands}


def _taken(model: str) -> FaultfinderError:
    return FaultfinderError(
        f"Somebody put another version of {model} in force meanwhile. Nothing was changed: look "
        f'at it ("faultfinder rollback -m {model} --list"), then tune again.'
    )


def _as_text(value: object) -> str:
    import json  # most commands only look whether a version is there

    return json.dumps(value)


def _checked(text: str | bytes, where: str) -> Document:
    import json

    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        document = None
    if isinstance(document, dict):
        files = checked_files(document.get("files"))
        if files is not None and all(
            name.casefold() != _WRITTEN and _can_be_written(text) for name, text in files
        ):
            return document
    raise FaultfinderError(f"{where} is damaged: it is no version of a model. Restore a backup.")


def _can_be_written(text: str) -> bool:
    try:
        return text.encode("utf-8") is not None
    except UnicodeEncodeError:
        return False


def _remove(folder: Path) -> None:
    import shutil  # most commands only look whether a version is there

    shutil.rmtree(folder, ignore_errors=True)


class FolderShelf:
    """`TICKETS.models/MODEL/NUMBER/`: the files of a version, and version.json, which holds them
    as they were added."""

    def __init__(self, place: str) -> None:
        self._folder = Path(f"{os.path.realpath(place)}.models")

    def _own(self, *parts: str) -> Path:
        """A place on the shelf. Raises FaultfinderError where a link leads elsewhere: a folder
        of versions may come with a backup from anywhere."""
        place = self._folder.joinpath(*parts)
        if os.path.realpath(place) != str(place):
            raise FaultfinderError(
                f"{place} is a link, or behind one. Versions of models lie in plain folders; "
                "nothing was read or written there."
            )
        return place

    def models(self) -> list[str]:
        return sorted(self._own(p.name).name for p in self._own().glob("*") if p.is_dir())

    def numbers(self, model: str) -> list[int]:
        try:
            inside = os.listdir(self._own(model))
        except OSError:
            return []
        return sorted(int(name) for name in inside if _NUMBER.fullmatch(name))

    def read(self, model: str, number: int) -> Document | None:
        place = self._own(model, str(number), _WRITTEN)
        with refused(f"{place} cannot be read"):
            try:
                return _checked(read_some(place, READ_AT_MOST), str(place))
            except FileNotFoundError:
                return None

    def files(self, model: str, number: int) -> Files:
        document = self.read(model, number) or {"files": ()}
        return tuple((name, self._text(model, number, name)) for name, _ in document["files"])

    def _text(self, model: str, number: int, name: str) -> str:
        place = self._own(model, str(number), name)
        with refused(f"{place} cannot be read"):
            return read_some(place, READ_AT_MOST).decode("utf-8")

    def root(self, file: Path) -> Path | None:
        if not file.is_relative_to(self._folder):
            return None
        return self._folder.joinpath(*file.relative_to(self._folder).parts[:2])

    def place(self, model: str) -> Path | None:
        numbers = self.numbers(model)
        if not numbers:
            return None
        folder = self._own(model, str(numbers[-1]))
        # The model's own file lies no deeper than any part of the same name.
        found = sorted(folder.rglob(f"{model}.y*ml"), key=lambda path: len(path.parts))
        if not found:
            raise FaultfinderError(f"{folder} lacks the model's file. Restore a backup.")
        return self._own(*found[0].relative_to(self._folder).parts)

    def add(self, model: str, number: int, document: Document, like: Path | None = None) -> None:
        target = self._own(model, str(number))
        aside = self._folder / model / f".{os.urandom(8).hex()}"
        try:
            with refused(f"{target} cannot be made"):
                self._write(aside, document, like)
                with lasting(_stands(model, number)):
                    if number == PROPOSAL:
                        self.drop_proposal(model)
                    os.rename(aside, target)
        except FaultfinderError as error:
            _remove(aside)
            if number != PROPOSAL and target.is_dir():
                raise _taken(model) from error
            raise

    def _write(self, folder: Path, document: Document, like: Path | None = None) -> None:
        private_folder(folder)
        with whole_file(folder / _WRITTEN, private=True) as stream:
            stream.write(_as_text(document).encode("utf-8"))
        for place, (name, text) in enumerate(document["files"]):
            private_folder((folder / name).parent)
            with whole_file(folder / name, private=True) as stream:
                stream.write(text.encode("utf-8"))
            if like is not None and place == 0:
                (folder / name).chmod(stat.S_IMODE(like.stat().st_mode))

    def propose(self, model: str, document: Document) -> str:
        self.add(model, PROPOSAL, document)
        return str(self._own(model, str(PROPOSAL)) / document["files"][0][0])

    def drop_proposal(self, model: str) -> None:
        _remove(self._own(model, str(PROPOSAL)))

    @contextmanager
    def instead(self, source: Shelf) -> Iterator[Put]:
        self._own()
        aside, before = (Path(f"{self._folder}.{os.urandom(8).hex()}") for _ in range(2))

        def put(older: str) -> None:
            if self._folder.exists():
                os.rename(self._folder, FolderShelf(older)._folder if older else before)
            if aside.exists():
                os.rename(aside, self._folder)

        try:
            with refused(f"{self._folder} cannot be made", after="Nothing was changed."):
                for model, number, document in _documents(source):
                    self._write(aside / model / str(number), document)
            yield put
        finally:
            for folder in (aside, before):
                _remove(folder)


class ServerShelf:
    """The table `model_line` of a server: the lead's, read by all."""

    def __init__(self, place: str) -> None:
        self._address = place

    @contextmanager
    def _reading(self) -> Iterator[tuple[sa.Connection | None, sa.Table]]:
        """A reading transaction with the table, without a connection where nobody made it."""
        import sqlalchemy as sa

        with self._database() as (database, table), database.transaction(False) as connection:
            there = sa.inspect(connection).has_table(table.name)
            yield (connection if there else None), table

    @contextmanager
    def _writing(self, says: str = "") -> Iterator[tuple[sa.Connection, sa.Table]]:
        """A transaction with the table, which is made where there is none."""
        with self._database() as (database, table), database.transaction(True, says) as connection:
            table.metadata.create_all(connection)
            yield connection, table

    @contextmanager
    def _database(self) -> Iterator[tuple[Database, sa.Table]]:
        from faultfinder.tickets.database import Database
        from faultfinder.tickets.tables import MODEL_LINE

        database = Database(self._address)
        try:
            yield database, MODEL_LINE
        finally:
            database.close()

    def models(self) -> list[str]:
        with self._reading() as (connection, table):
            if connection is None:
                return []
            query = table.select().with_only_columns(table.c.model).distinct()
            return sorted(connection.execute(query).scalars())

    def numbers(self, model: str) -> list[int]:
        with self._reading() as (connection, table):
            if connection is None:
                return []
            query = table.select().where(table.c.model == model, table.c.number > 0)
            return sorted(connection.execute(query.with_only_columns(table.c.number)).scalars())

    def read(self, model: str, number: int) -> Document | None:
        with self._reading() as (connection, table):
            if connection is None:
                return None
            which = table.c.model == model, table.c.number == number
            found = connection.execute(table.select().where(*which)).first()
        where = f"Version {number} of {model}"
        return None if found is None else _checked(found.document, where)

    def files(self, model: str, number: int) -> Files:
        document = self.read(model, number)
        return tuple((name, text) for name, text in (document or {"files": ()})["files"])

    def place(self, model: str) -> Path | None:
        """The version's files, written out in the cache."""
        numbers = self.numbers(model)
        if not numbers:
            return None
        files = self.files(model, numbers[-1])
        whole = _as_text(files).encode("utf-8")
        folder = self._versions() / _digest(whole)
        with refused(f"{folder} cannot be written"):
            for name, text in files:
                content = text.encode("utf-8")
                place = folder / name
                if not place.is_file() or place.read_bytes() != content:
                    private_folder(place.parent)
                    with whole_file(place, private=True) as stream:
                        stream.write(content)
        return folder / files[0][0]

    def _versions(self) -> Path:
        return Path(os.path.realpath(cache_folder())) / "versions"

    def root(self, file: Path) -> Path | None:
        base = self._versions()
        return base / file.relative_to(base).parts[0] if file.is_relative_to(base) else None

    def add(self, model: str, number: int, document: Document, like: Path | None = None) -> None:
        import sqlalchemy as sa

        row = {"model": model, "number": number, "document": _as_text(document)}
        with self._writing(_stands(model, number)) as (connection, table):
            # Held until commit, so that of two adoptions one sees the other.
            connection.execute(sa.text("select pg_advisory_xact_lock(hashtext(:m))"), {"m": model})
            which = table.c.model == model, table.c.number == number
            if connection.execute(table.select().where(*which)).first() is not None:
                raise _taken(model)
            connection.execute(table.insert().values(row))

    def propose(self, model: str, document: Document) -> str:
        row = {"model": model, "number": PROPOSAL, "document": _as_text(document)}
        with self._writing(_stands(model, PROPOSAL)) as (connection, table):
            which = table.c.model == model, table.c.number == PROPOSAL
            connection.execute(table.delete().where(*which))
            connection.execute(table.insert().values(row))
            name = connection.engine.url.render_as_string(hide_password=True)
        return f"proposal for {model} on {name}"

    def drop_proposal(self, model: str) -> None:
        with self._writing() as (connection, table):
            which = table.c.model == model, table.c.number == PROPOSAL
            connection.execute(table.delete().where(*which))

    @contextmanager
    def instead(self, source: Shelf) -> Iterator[Put]:
        for _ in _documents(source):
            pass
        yield lambda older: self._put(source)

    def _put(self, source: Shelf) -> None:
        with self._writing("The versions of models are restored.") as (connection, table):
            connection.execute(table.delete())
            for model, number, document in _documents(source):
                row = {"model": model, "number": number, "document": _as_text(document)}
                connection.execute(table.insert().values(row))


def _stands(model: str, number: int) -> str:
    """What is told of a document once it lies on the shelf."""
    if number == PROPOSAL:
        return f"A proposal for {model} is kept."
    return f"Version {number} of {model} is in force."


def _digest(content: bytes) -> str:
    import hashlib

    return hashlib.sha256(content).hexdigest()[:24]
