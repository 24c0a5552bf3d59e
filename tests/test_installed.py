"""The installed wheel runs from any folder and brings its models along."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from tests.conftest import made_once

ROOT = Path(__file__).resolve().parent.parent


def run(words: list[str], folder: Path, **more: str) -> subprocess.CompletedProcess[str]:
    own = {k: v for k, v in os.environ.items() if not k.startswith(("FAULTFINDER", "PYTHONPATH"))}
    done = subprocess.run(
        words,
        cwd=folder,
        env={**own, **more},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from this checkout; pip fetches the build backend."""

    def build(folder: Path) -> None:
        words = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(folder)]
        run([*words, str(ROOT)], folder)

    folder = made_once(tmp_path_factory, "wheel", build)
    (built,) = folder.glob("faultfinder-*.whl")
    return built


@pytest.fixture(scope="module")
def command(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`faultfinder` in a fresh environment that holds the wheel and sees our dependencies."""
    folder = tmp_path_factory.mktemp("fresh") / "venv"
    run([sys.executable, "-m", "venv", "--without-pip", str(folder)], folder.parent)
    pip = [sys.executable, "-m", "pip", "--python", str(folder / "bin" / "python"), "install"]
    run([*pip, "--quiet", "--no-deps", "--no-index", str(wheel)], folder.parent)
    (site,) = (folder / "lib").glob("python*/site-packages")
    # After the wheel's own folder, so that the checkout cannot be found instead of it.
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return folder / "bin" / "faultfinder"


def test_the_wheel_holds_models_and_templates_and_no_tests(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    for path in (ROOT / "models").rglob("*.yaml"):
        assert f"faultfinder/_models/{path.relative_to(ROOT / 'models').as_posix()}" in names
    assert not [name for name in names if name.startswith(("tests/", "demo_data/"))]
    for path in (ROOT / "faultfinder" / "report" / "templates").iterdir():
        assert f"faultfinder/report/templates/{path.name}" in names


def test_next_runs_from_another_folder_with_the_models_of_the_wheel(
    command: Path, tmp_path: Path
) -> None:
    kept = str(tmp_path / "kept")
    where = run(
        [
            str(command.parent / "python"),
            "-c",
            "import faultfinder; print(faultfinder.__file__);"
            "from faultfinder.model.locate import find_model; print(find_model('thin_clamshell'))",
        ],
        tmp_path,
    ).stdout.splitlines()
    assert all(str(command.parent.parent) in place for place in where), where
    said = run(
        [str(command), "next", "--full", "-m", "thin_clamshell", "-s", "screen_light=dark"],
        tmp_path,
        FAULTFINDER_CACHE=kept,
    ).stdout
    assert "Next check:" in said
    assert "thin_clamshell" in run([str(command), "model", "list"], tmp_path).stdout
    # A page needs the templates of the wheel.
    page, db = tmp_path / "slip.html", ["--db", str(tmp_path / "tickets.db")]
    seen = ["-m", "thin_clamshell", "-s", "screen_light=dark", "--by", "x"]
    run([str(command), "intake", *seen, *db], tmp_path, FAULTFINDER_CACHE=kept)
    run([str(command), "slip", "1", "--html", str(page), *db], tmp_path, FAULTFINDER_CACHE=kept)
    assert "Thin clamshell" in page.read_text(encoding="utf-8")
