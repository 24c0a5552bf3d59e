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


WIDTHS = (360, 800, 1280)
"""Pixels of a phone, a tablet and a desk."""

PAPER = 194 * 96 / 25.4
"""Pixels of an A4 sheet between its margins."""

LOOK = (
    "(()=>{const seen=[...d.body.querySelectorAll('*')].filter(e=>[...e.childNodes].some(n=>"
    "n.nodeType===3&&n.textContent.trim())&&e.tagName!=='STYLE');"
    "const size=e=>{const s=e.closest('svg');const k=s?s.getBoundingClientRect().width/"
    "s.viewBox.baseVal.width:1;return parseFloat(w.getComputedStyle(e).fontSize)*k};"
    "const body=parseFloat(w.getComputedStyle(d.body).fontSize);"
    "const warn=[...d.querySelectorAll('.caution')].map(size);"
    "const right=Math.max(...[...d.body.querySelectorAll('*')].map(e=>"
    "e.getBoundingClientRect().right));"
    "return [d.documentElement.scrollWidth,Math.ceil(right),Math.min(...seen.map(size)),body,"
    "warn.length?Math.min(...warn):body,warn.length].join(' ')})()"
)
"""Width of the page, farthest right edge, smallest letters, those of the body, of cautions, and
how many cautions: pixels. Letters of drawings count as large as they are shown."""


def check_look(text: str, folder: Path, cautions: bool = False) -> None:
    """A page fits a phone, a tablet and a desk; on paper no letter is under 9 points; cautions
    are no smaller than the text around them anywhere."""
    page = folder / "look.html"
    page.write_text(text, encoding="utf-8")
    paper = folder / "paper.html"
    assert "@media print {" in text
    printed = text.replace("@media print {", "@media all {")
    paper.write_text(re.sub(r"@media \(max-width[^{]*{", "@media not all {", printed), "utf-8")
    frames = [*((page, width) for width in WIDTHS), (paper, round(PAPER))]
    for (one, width), said in zip(frames, _measured(frames, folder, LOOK), strict=True):
        wide, right, smallest, body, warned, warnings = map(float, said.split())
        assert max(wide, right) <= width, f"cut off at {width} pixels: {said}"
        assert warned >= body, f"a caution is too small at {width} pixels: {said}"
        assert bool(warnings) == cautions
        if one is paper:
            assert smallest * 72 / 96 >= 9.0 - 1e-6, f"too small on paper: {said}"


def policy_of(text: str) -> str:
    """What a page lets run and fetch, from its one policy."""
    found = re.findall(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', text)
    assert len(found) == 1
    return str(found[0])


POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def printed_pages(page: Path, folder: Path, paper: str) -> int:
    """How many sheets of "A4" or "letter" the page takes when printed."""
    sized = folder / f"{page.stem}-{paper}.html"
    text = page.read_text(encoding="utf-8").replace("@page {", f"@page {{ size: {paper};")
    assert f"size: {paper}" in text
    sized.write_text(text, encoding="utf-8")
    printed = print_to_pdf(sized, folder).read_bytes()
    return len(re.findall(rb"/Type\s*/Page\b", printed))


def print_to_pdf(page: Path, folder: Path) -> Path:
    """The page as the browser prints it, without headers and footers."""
    target = folder / f"{page.stem}.pdf"
    _run(
        folder / "profile",
        "--no-pdf-header-footer",
        f"--print-to-pdf={target}",
        page.as_uri(),
    )
    return target


def measured(page: Path, folder: Path, width: int, script: str) -> str:
    """What a script says of the page at a window width, in pixels."""
    (said,) = _measured([(page, width)], folder, script)
    return said


def _measured(frames: list[tuple[Path, int]], folder: Path, script: str) -> list[str]:
    """The same of several pages, each at its width, in one start of the browser."""
    probe = folder / f"probe-{frames[0][0].stem}-{frames[0][1]}.html"
    # A frame has the width asked for, whatever the smallest window is.
    made = ""
    for i, (page, width) in enumerate(frames):
        made += (
            f'<iframe id="f{i}" style="width:{width}px;height:800px;border:0"></iframe>'
            f'<p id="s{i}"></p><script>{{const f=document.getElementById("f{i}");'
            f"f.srcdoc={_js(page.read_text(encoding='utf-8'))};"
            "f.onload=()=>{const d=f.contentDocument;const w=f.contentWindow;"
            f'document.getElementById("s{i}").textContent=String({script});}};}}</script>'
        )
    probe.write_text(f"<!DOCTYPE html><body>{made}", encoding="utf-8")
    dom = _run(folder / "profile", "--virtual-time-budget=4000", "--dump-dom", probe.as_uri())
    said = re.findall(r'<p id="s\d+">(.*?)</p>', dom, re.S)
    assert len(said) == len(frames)
    return [str(one) for one in said]


def _js(text: str) -> str:
    import json

    return json.dumps(text).replace("</", "<\\/")
