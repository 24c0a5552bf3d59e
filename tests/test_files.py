"""Files are written whole, or what was there stays."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.files import whole_file, write_text


def half_written(place: Path) -> None:
    with whole_file(place) as stream:
        stream.write(b"half")
        raise RuntimeError


def test_a_write_that_fails_half_way_leaves_what_was_there(tmp_path: Path) -> None:
    place = tmp_path / "page.html"
    write_text(place, "before")
    with pytest.raises(RuntimeError):
        half_written(place)
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [
        ("page.html", "before")
    ]


def test_a_private_file_is_for_its_owner_only_and_others_follow_the_usual_mask(
    tmp_path: Path,
) -> None:
    before = os.umask(0o022)
    try:
        for private, mode in ((True, 0o600), (False, 0o644)):
            place = tmp_path / str(private)
            with whole_file(place, private) as stream:
                stream.write(b"text")
            assert stat.S_IMODE(place.stat().st_mode) == mode
    finally:
        os.umask(before)


def test_a_link_keeps_pointing_and_a_device_stays_a_device(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("before")
    (tmp_path / "link").symlink_to("real")
    write_text(tmp_path / "link", "after", replace=True)
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "after"
    write_text(Path("/dev/null"), "text")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


def test_what_cannot_be_written_is_a_sentence(tmp_path: Path) -> None:
    for place in (tmp_path, Path("/")):
        with pytest.raises(MisuseError, match="is a folder"):
            write_text(place, "text", "page")
    for place in (tmp_path / "none" / "x", Path("/dev/full")):
        with pytest.raises(FaultfinderError, match=r"^The page .* cannot be written: "):
            write_text(place, "text", "page")
