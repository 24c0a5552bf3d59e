"""What a browser put on paper: the texts of a PDF with the size of their letters, in points.

Reads what Chromium writes: plain objects, Flate streams, fonts with a map to Unicode.
"""

from __future__ import annotations

import re
import zlib
from math import sqrt
from pathlib import Path

from tests.chromium import print_to_pdf

_OBJECT = re.compile(rb"(?:^|\n)(\d+) 0 obj(.*?)\nendobj", re.S)
_STREAM = re.compile(rb"stream\r?\n")
_LENGTH = re.compile(rb"/Length (\d+)")
_FONT = re.compile(rb"/(F\d+) (\d+) 0 R")
_TOKEN = re.compile(rb"<([0-9A-Fa-f]*)>|/?[^\s<>\[\]()/]+")


def texts_on_paper(page: Path, folder: Path) -> list[tuple[float, str]]:
    """(points, text) of each run of letters on the printed page, in the order drawn."""
    data = print_to_pdf(page, folder).read_bytes()
    objects = {int(number): body for number, body in _OBJECT.findall(data)}
    fonts = {
        name: _letters(objects, int(number))
        for body in objects.values()
        for name, number in _FONT.findall(body)
    }
    found: list[tuple[float, str]] = []
    for body in objects.values():
        drawn = _stream(body)
        if b" Tf" in drawn:
            found += _runs(drawn, fonts)
    return found


def _stream(body: bytes) -> bytes:
    begin, length = _STREAM.search(body), _LENGTH.search(body)
    if begin is None or length is None:
        return b""
    held = body[begin.end() : begin.end() + int(length[1])]
    return zlib.decompress(held) if b"FlateDecode" in body[: begin.start()] else held


def _letters(objects: dict[int, bytes], font: int) -> dict[int, str]:
    """Glyph -> letter of a font."""
    told = re.search(rb"/ToUnicode (\d+) 0 R", objects[font])
    assert told is not None, "a font without a map to Unicode"
    text, made = _stream(objects[int(told[1])]).decode("ascii"), {}
    for block in re.findall(r"beginbfchar(.*?)endbfchar", text, re.S):
        for glyph, letter in re.findall(r"<(\w+)> <(\w+)>", block):
            made[int(glyph, 16)] = bytes.fromhex(letter).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", text, re.S):
        for first, last, letter in re.findall(r"<(\w+)> <(\w+)> <(\w+)>", block):
            for step in range(int(last, 16) - int(first, 16) + 1):
                made[int(first, 16) + step] = chr(int(letter, 16) + step)
    return made


def _runs(drawn: bytes, fonts: dict[bytes, dict[int, str]]) -> list[tuple[float, str]]:
    """Follow the scale through the drawing: `cm` within q and Q, `Tm` and `Tf` within BT and ET."""
    found: list[tuple[float, str]] = []
    scale, kept, stack = 1.0, [], []
    font, size, matrix, said = b"", 0.0, 1.0, ""
    for match in _TOKEN.finditer(drawn):
        token = match[0]
        if token == b"q":
            kept.append(scale)
        elif token == b"Q":
            scale = kept.pop()
        elif token == b"cm":
            scale *= _stretch(stack[-6:])
        elif token == b"BT":
            matrix, said = 1.0, ""
        elif token == b"Tf":
            font, size = stack[-2].removeprefix(b"/"), float(stack[-1])
        elif token == b"Tm":
            matrix = _stretch(stack[-6:])
        elif token == b"Tj":
            hexes = stack[-1].strip(b"<>").decode("ascii")
            glyphs = [int(hexes[at : at + 4], 16) for at in range(0, len(hexes), 4)]
            said += "".join(fonts[font].get(glyph, "") for glyph in glyphs)
        elif token == b"ET":
            found.append((size * matrix * scale, said))
        else:
            stack.append(token)
            continue
        stack = []
    return found


def _stretch(numbers: list[bytes]) -> float:
    """By how much a matrix stretches lengths."""
    a, b, c, d = map(float, numbers[:4])
    return sqrt(abs(a * d - b * c))


def check_paper(page: Path, folder: Path, cautions: bool = True) -> None:
    """No letter on paper is under 9 points, and no caution smaller than the text around it."""
    runs = [(size, text.strip()) for size, text in texts_on_paper(page, folder) if text.strip()]
    lengths: dict[float, int] = {}
    for size, text in runs:
        lengths[round(size, 1)] = lengths.get(round(size, 1), 0) + len(text)
    body = max(lengths, key=lambda size: lengths[size])
    smallest = min(runs)
    assert smallest[0] >= 9.0 - 0.01, f"too small on paper: {smallest}"
    warned = [one for one in runs if one[1].startswith("Caution")]
    assert bool(warned) == cautions, f"cautions on paper: {warned}"
    assert all(size >= body - 0.05 for size, _ in warned), (body, warned)
