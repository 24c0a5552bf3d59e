"""Compiled models kept on disk: found again, made anew when stale or damaged, never harmful."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from faultfinder import files
from faultfinder.inference import cache
from faultfinder.inference.cache import cache_folder, key_of, load_or_compile
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.model.reading.reader import parse_model
from tests.consulted import look_at
from tests.invented_models import SMALL_LID, write_small_lid

CONTENT = SMALL_LID.encode()
HEAD = cache._BEFORE


@pytest.fixture(scope="module")
def made() -> CompiledModel:
    return compile_model(parse_model(CONTENT, "small_lid.yaml"))


class Maker:
    """Compiles on demand and counts how often it was asked."""

    def __init__(self, made: CompiledModel) -> None:
        self.times = 0
        self._made = made

    def __call__(self) -> CompiledModel:
        self.times += 1
        return self._made


@pytest.fixture
def make(made: CompiledModel) -> Maker:
    return Maker(made)


def the_kept_file(folder: Path) -> Path:
    (kept,) = folder.glob("*.model")
    return kept


def sealed(body: bytes) -> bytes:
    """A kept file around the pickle `body`, with a checksum that fits it."""
    joined = cache._joined([body])
    return cache._MAGIC + cache._checksum(joined) + joined


def causes(compiled: CompiledModel) -> dict[str, float]:
    return dict(look_at(compiled, {"backlight": "off"}).causes)


def test_a_model_is_compiled_once_and_then_found(make: Maker, tmp_path: Path) -> None:
    first = load_or_compile(CONTENT, "a", make, tmp_path)
    second = load_or_compile(CONTENT, "a", make, tmp_path)
    assert make.times == 1
    assert second is not first
    assert causes(second) == causes(first)


def test_other_content_is_compiled_anew(make: Maker, tmp_path: Path) -> None:
    load_or_compile(CONTENT, "a", make, tmp_path)
    load_or_compile(CONTENT + b"\n", "a", make, tmp_path)
    assert make.times == 2


def test_another_compiler_version_compiles_anew(
    make: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_or_compile(CONTENT, "a", make, tmp_path)
    monkeypatch.setattr(cache, "COMPILER_VERSION", cache.COMPILER_VERSION + 1)
    load_or_compile(CONTENT, "a", make, tmp_path)
    assert make.times == 2


def test_a_changed_file_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    path = write_small_lid(tmp_path)
    before = causes(load_model(path))["strip"]
    path.write_text(SMALL_LID.replace("chance: {dead: 0.05}", "chance: {dead: 0.25}"))
    assert causes(load_model(path))["strip"] > before


def test_the_place_is_told_by_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    monkeypatch.delenv("FAULTFINDER_CACHE", raising=False)
    assert cache_folder() == tmp_path / "xdg" / "faultfinder"
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "own"))
    assert cache_folder() == tmp_path / "own"


# Damage


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"",
        lambda data: data[: HEAD - 5],
        lambda data: data[: len(data) // 2],
        lambda data: data[:-1],
        lambda data: data[:HEAD] + bytes([data[HEAD] ^ 1]) + data[HEAD + 1 :],
        lambda data: b"something else altogether",
        lambda data: sealed(b""),
        lambda data: sealed(b"\x80\x05 no pickle"),
        lambda data: sealed(pickle.dumps({"not": "a model"})),
        lambda data: sealed(pickle.dumps([1, 2, 3])),
    ],
    ids=[
        "empty",
        "head-cut",
        "half",
        "last-byte-gone",
        "bit-flipped",
        "foreign",
        "nothing-sealed",
        "no-pickle",
        "another-value",
        "a-list",
    ],
)
def test_a_damaged_file_is_made_anew_and_replaced(
    damage: Callable[[bytes], bytes], make: Maker, tmp_path: Path
) -> None:
    good = load_or_compile(CONTENT, "a", make, tmp_path)
    kept = the_kept_file(tmp_path)
    kept.write_bytes(damage(kept.read_bytes()))
    assert causes(load_or_compile(CONTENT, "a", make, tmp_path)) == causes(good)
    assert make.times == 2
    load_or_compile(CONTENT, "a", make, tmp_path)
    assert make.times == 2


class RunsSomething:
    """A pickle of this would touch a file when it is loaded."""

    def __init__(self, command: tuple[Any, ...]) -> None:
        self.command = command

    def __reduce__(self) -> tuple[Any, ...]:
        return self.command


@pytest.mark.parametrize("way", ["os.system", "builtins.open", "builtins.eval", "os.mkdir"])
def test_a_malicious_file_with_a_fitting_checksum_runs_nothing(
    way: str, make: Maker, tmp_path: Path
) -> None:
    mark = tmp_path / "mark"
    command: tuple[Any, ...] = {
        "os.system": (os.system, (f"touch {mark}",)),
        "builtins.open": (open, (str(mark), "w")),
        "builtins.eval": (eval, (f"open({str(mark)!r}, 'w')",)),
        "os.mkdir": (os.mkdir, (str(mark),)),
    }[way]
    body = pickle.dumps(RunsSomething(command))
    pickle.loads(body)
    assert mark.exists(), "the attack itself must work, or this test shows nothing"
    mark.rmdir() if mark.is_dir() else mark.unlink()
    folder = tmp_path / "kept"
    folder.mkdir()
    (folder / f"{key_of(CONTENT, 'a')}.model").write_bytes(sealed(body))
    load_or_compile(CONTENT, "a", make, folder)
    assert make.times == 1
    assert not mark.exists()


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("faultfinder.inference.cache", "os.system"),
        ("faultfinder.inference.cache", "load_or_compile"),
        ("faultfinder.model.locate", "find_model"),
        ("numpy", "load"),
        ("numpy.f2py", "main"),
    ],
)
def test_only_values_of_a_compiled_model_may_be_named_in_a_kept_file(
    module: str, name: str, make: Maker, tmp_path: Path
) -> None:
    # Protocol 0: GLOBAL module name, then STOP.
    body = f"c{module}\n{name}\n.".encode()
    (tmp_path / f"{key_of(CONTENT, 'a')}.model").write_bytes(sealed(body))
    load_or_compile(CONTENT, "a", make, tmp_path)
    assert make.times == 1


# Folders that will not do


def test_a_folder_that_cannot_be_made_costs_time_only(make: Maker, tmp_path: Path) -> None:
    (tmp_path / "a_file").write_text("in the way")
    for folder in (tmp_path / "a_file", tmp_path / "a_file" / "below"):
        before = make.times
        assert causes(load_or_compile(CONTENT, "a", make, folder))
        assert make.times == before + 1


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_without_write_permission_costs_time_only(make: Maker, tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    assert causes(load_or_compile(CONTENT, "a", make, tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_a_failed_write_leaves_nothing_behind(
    make: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(files.os, "replace", refuse)
    assert causes(load_or_compile(CONTENT, "a", make, tmp_path))
    assert list(tmp_path.iterdir()) == []


# Two at once


def test_two_processes_at_once_both_get_the_model_and_leave_one_whole_file(
    tmp_path: Path, make: Maker
) -> None:
    path = write_small_lid(tmp_path)
    kept = tmp_path / "kept"
    program = (
        "import sys, time\n"
        "from faultfinder import Case, consult, load_model\n"
        "import faultfinder.model.reading.reader\n"
        "print('ready', flush=True)\n"
        "sys.stdin.readline()\n"
        "for _ in range(5):\n"
        "    m = load_model(sys.argv[1])\n"
        "    print(consult(Case(m, {'backlight': 'off'})).causes['cable'])\n"
    )
    both = [
        subprocess.Popen(
            [sys.executable, "-c", program, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "FAULTFINDER_CACHE": str(kept)},
        )
        for _ in range(2)
    ]
    for one in both:
        assert one.stdout is not None
        assert one.stdout.readline() == "ready\n"
    said = []
    for one in both:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in both:
        out, _ = one.communicate(timeout=120)
        assert one.returncode == 0
        said += out.split()
    assert len(said) == 10
    assert len(set(said)) == 1
    assert [item.suffix for item in kept.iterdir()] == [".model"]
    load_or_compile(path.read_bytes(), str(path.resolve()), make, kept)
    assert make.times == 0
