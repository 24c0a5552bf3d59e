"""Pages in a real browser: headless Chromium, without a network."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def chromium() -> str:
    """The browser's command; a missing one skips the test, or fails it in CI."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    if os.environ.get("CI"):
        pytest.fail("Chromium is missing: .ci/run should have installed it.")
    pytest.skip("Chromium is not installed.")


def _run(profile: Path, *arguments: str) -> str:
    command = [chromium(), *FLAGS, f"--user-data-dir={profile}", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


def printed_pages(page: Path, folder: Path, paper: str) -> int:
    """How many sheets of "A4" or "letter" the page takes when printed."""
    sized = folder / f"{page.stem}-{paper}.html"
    text = page.read_text(encoding="utf-8").replace("@page {", f"@page {{ size: {paper};")
    assert f"size: {paper}" in text
    sized.write_text(text, encoding="utf-8")
    target = folder / f"{sized.stem}.pdf"
    _run(
        folder / "profile",
        "--no-pdf-header-footer",
        f"--print-to-pdf={target}",
        sized.as_uri(),
    )
    return len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))


def measured(page: Path, folder: Path, width: int, script: str) -> str:
    """What a script says of the page at a window width, in pixels."""
    probe = folder / f"{page.stem}-{width}.html"
    text = page.read_text(encoding="utf-8")
    # A frame has the width asked for, whatever the smallest window is.
    probe.write_text(
        f'<!DOCTYPE html><body><iframe id="f" style="width:{width}px;height:800px;border:0">'
        "</iframe><p id=said></p><script>const f=document.getElementById('f');"
        f"f.srcdoc={_js(text)};f.onload=()=>{{const d=f.contentDocument;const w=f.contentWindow;"
        f"document.getElementById('said').textContent=String({script});}};</script>",
        encoding="utf-8",
    )
    dom = _run(folder / "profile", "--virtual-time-budget=4000", "--dump-dom", probe.as_uri())
    found = re.search(r'<p id="said">(.*?)</p>', dom, re.S)
    assert found is not None
    return found[1]


def _js(text: str) -> str:
    import json

    return json.dumps(text).replace("</", "<\\/")
