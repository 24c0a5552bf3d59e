"""What tests of commands share: folders of their own, and a way to run a command."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from faultfinder.cli.main import commands
from tests.invented_models import write_small_lid

Run = Callable[..., Result]
LIT_BUT_EMPTY = ("--saw", "backlight=on", "--saw", "image=none")
DARK = ("-s", "backlight=dark", "-s", "image=none")


@pytest.fixture(scope="session", autouse=True)
def no_folder_of_the_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Neither tickets, adopted models nor settings of whoever runs the tests are looked at."""
    with pytest.MonkeyPatch.context() as patch:
        for kind in ("DATA", "CONFIG"):
            patch.setenv(f"XDG_{kind}_HOME", str(tmp_path_factory.mktemp(kind.lower())))
        for named in ("FAULTFINDER_DB", "FAULTFINDER_SHOP"):
            patch.delenv(named, raising=False)
        yield


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that `make` fills for all workers of this run: the first to ask makes it, the
    others wait. Whoever changes what is in it takes a copy."""
    root = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    folder, whole = root / name, root / f"{name}.whole"
    with open(root / f"{name}.lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not whole.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            whole.touch()
    return folder


@pytest.fixture
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Models, kept results and settings of this test alone."""
    models = tmp_path / "models"
    models.mkdir()
    write_small_lid(models)
    monkeypatch.setenv("FAULTFINDER_MODELS", str(models))
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.delenv("FAULTFINDER_SHOP", raising=False)
    return models


@pytest.fixture
def run(own_folders: Path) -> Run:
    def invoke(*words: str) -> Result:
        return CliRunner().invoke(commands, list(words), prog_name="faultfinder")

    return invoke


def ask(run: Run, *words: str) -> Result:
    """`next` with all that it can say."""
    return run("next", "-m", "small_lid", "--full", *words)
