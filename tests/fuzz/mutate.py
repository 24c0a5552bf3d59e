"""Changes to a file that a slip, a broken disk or malice could make, drawn from a seeded source."""

from __future__ import annotations

import re
import sqlite3
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

_WORD = re.compile(rb"[A-Za-z_][A-Za-z0-9_-]*")
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
ODD_NUMBERS = (
    *(b"0", b"-0", b"-1", b"1", b"2", b"1.0000001", b"0.9999999", b"1e308", b"1e999", b"-1e-320"),
    *(b"nan", b"inf", b"-inf", b".5", b"1_000", b"0x1f", b"1,5", b"5 %", b"9" * 400, b"9" * 5000),
    *("٣".encode(), "½".encode(), b"", b"~", b"18446744073709551616", b"9223372036854775808"),
)
ODD_TEXTS = (
    *(b"\x00", b"\xff\xfe", b"\xed\xa0\x80", b"\xc2\x85", b"\xe2\x80\xa8", b"\xef\xbb\xbf", b"\r"),
    *(
        b"\x1b[31m",
        b"\t",
        b'"',
        b"'",
        b"''''=",
        b"|",
        b">",
        b"%",
        b"&a ",
        b"*a",
        b"!!python/x ",
        b"? ",
    ),
    *(
        b"<<: ",
        b"---\n",
        b"...\n",
        b"%YAML 9.9\n---\n",
        b"[",
        b"]",
        b"{",
        b"}",
        b"[" * 60,
        b"{a: " * 50,
    ),
    *(
        b'"\\ud800"',
        b'"\\x00"',
        b'"\\U00110000"',
        b"{}",
        b"[]",
        b": ",
        b"- ",
        b"#",
        b"\\",
        b";",
        b",",
    ),
    *(
        b"null",
        b"NaN",
        b"-Infinity",
        b"1e999",
        b'{"a":' * 30,
        b"true",
        b"yes",
        b"no",
        b"off",
        b"otherwise",
    ),
    *(b"[" * 1000, b"../" * 30, b"include: [common/board.yaml]\n", b"extends: yes", b"x" * 5000),
)

Mutator = Callable[[Random, bytes, Sequence[bytes]], bytes]


def _span(random: Random, data: bytes, longest: int) -> tuple[int, int]:
    start = random.randrange(len(data) + 1)
    return start, min(len(data), start + random.randint(0, longest))


def _bytes_flipped(random: Random, data: bytes, _: Sequence[bytes]) -> bytes:
    made = bytearray(data)
    for _time in range(random.choice((1, 1, 2, 8))):
        if made:
            made[random.randrange(len(made))] = random.randrange(256)
    return bytes(made)


def _bytes_cut(random: Random, data: bytes, _: Sequence[bytes]) -> bytes:
    start, end = _span(random, data, random.choice((1, 8, 200, len(data))))
    return data[:start] + data[end:]


def _odd_text(random: Random, data: bytes, _: Sequence[bytes]) -> bytes:
    start, end = _span(random, data, random.choice((0, 0, 4)))
    return data[:start] + random.choice(ODD_TEXTS) + data[end:]


def _number(random: Random, data: bytes, _: Sequence[bytes]) -> bytes:
    return _replaced(random, data, _NUMBER, lambda: random.choice(ODD_NUMBERS))


def _word(random: Random, data: bytes, seeds: Sequence[bytes]) -> bytes:
    words = _WORD.findall(random.choice((data, random.choice(seeds)))[:50_000]) or [b"x"]
    odd = random.random() < 0.2
    return _replaced(random, data, _WORD, lambda: random.choice(ODD_TEXTS if odd else words))


def _replaced(
    random: Random, data: bytes, what: re.Pattern[bytes], new: Callable[[], bytes]
) -> bytes:
    start = random.randrange(len(data) + 1)
    found = what.search(data, start) or what.search(data)
    return data if found is None else data[: found.start()] + new() + data[found.end() :]


def _lines(random: Random, data: bytes, seeds: Sequence[bytes]) -> bytes:
    lines = data.splitlines(keepends=True) or [b""]
    here = random.randrange(len(lines))
    match random.randrange(6):
        case 0:
            del lines[here]
        case 1:
            lines.insert(random.randrange(len(lines) + 1), lines[here])
        case 2:
            other = random.randrange(len(lines))
            lines[here], lines[other] = lines[other], lines[here]
        case 3:
            step = random.choice((-4, -2, -1, 1, 2, 4))
            end = here + random.choice((1, 1, 5, 40))
            for place in range(here, min(end, len(lines))):
                line = lines[place]
                lines[place] = b" " * step + line if step > 0 else line.removeprefix(b" " * -step)
        case 4:
            lines[here] = lines[here] * random.choice((2, 10, 200))
        case _:
            others = random.choice(seeds).splitlines(keepends=True) or [b""]
            place = random.randrange(len(others))
            lines[here:here] = others[place : place + random.choice((1, 3, 20))]
    return b"".join(lines)


def _spliced(random: Random, data: bytes, seeds: Sequence[bytes]) -> bytes:
    other = random.choice(seeds)
    return data[: random.randrange(len(data) + 1)] + other[random.randrange(len(other) + 1) :]


_TEXT: tuple[Mutator, ...] = (
    *(_word, _word, _word, _number, _number, _lines, _lines, _lines),
    *(_odd_text, _bytes_flipped, _bytes_cut, _spliced),
)
_BINARY: tuple[Mutator, ...] = (_bytes_flipped, _bytes_flipped, _bytes_cut, _odd_text, _spliced)

ODD_CELLS: tuple[object, ...] = (
    *(None, 0, -1, 7, 2**62, 1.5, float("inf"), "", "[]", "{}", "null", "3", '"x"', b"\xff\x00"),
    *("[" * 3000, "\ud7ff\x00", "\\u12", "x" * 5000, "intake", "taken back", '{"event": 1}'),
    *(
        '{"event": "x"}',
        '{"finding": [], "result": {}}',
        '{"model": 3}',
        '{"repair": 1, "stage": 2}',
    ),
    *(
        '{"outcome": 5, "causes": 5}',
        '{"finding": "backlight", "result": 7}',
        "2026-13-45T99:00:00Z",
    ),
    *(
        '{"repair": null, "price": "dear", "due": 3}',
        '{"for": 3}',
        '{"order": {}}',
        '{"model": "thin_clamshell", "limit": "x"}',
    ),
)
_TABLES = {
    "ticket": "number key model opened_at closed_at is_open outcome causes first_ticket",
    "event": "ticket number kind at who data",
    "free_text": "ticket event field text folded personal",
    "alembic_version": "version_num",
    "store": "id",
}


def _cell(random: Random, data: bytes, _: Sequence[bytes]) -> bytes:
    """An SQLite file with one value of one row replaced by another of any type."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "odd.db"
        path.write_bytes(data)
        connection = sqlite3.connect(path, isolation_level=None)
        try:
            connection.execute("pragma journal_mode = memory")
            connection.execute("pragma synchronous = off")
            table = random.choice(tuple(_TABLES))
            column = random.choice(_TABLES[table].split())
            rows = connection.execute(f"select rowid from {table}").fetchall()
            if random.random() < 0.05:
                connection.execute(f"drop table {table}")
            elif random.random() < 0.05:
                connection.execute(f"delete from {table}")
            elif rows:
                connection.execute(
                    f"update {table} set {column} = ? where rowid = ?",
                    (random.choice(ODD_CELLS), random.choice(rows)[0]),
                )
        except (sqlite3.Error, OverflowError, UnicodeError):
            pass
        finally:
            connection.close()
        return path.read_bytes()


def mutated(random: Random, seeds: Sequence[bytes], binary: bool = False) -> bytes:
    """One seed, changed one to six times."""
    data = random.choice(seeds)
    if binary and random.random() < 0.5:
        for _time in range(random.choice((1, 1, 2, 4))):
            data = _cell(random, data, seeds)
        return data
    for _time in range(random.choice((1, 1, 1, 2, 3, 6))):
        data = random.choice(_BINARY if binary else _TEXT)(random, data, seeds)
    return data
