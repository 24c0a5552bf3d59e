"""Hardship at a scale that takes too long for every test run.

    python -m tests.benchmarks.bench_hardship kills --count 10000 [--server ADDRESS] [--seed 1]
    python -m tests.benchmarks.bench_hardship stops --count 1000 [--server ADDRESS] [--seed 1]
    python -m tests.benchmarks.bench_hardship adoptions --count 1000 [--server ADDRESS] [--seed 1]
    python -m tests.benchmarks.bench_hardship writers --count 32 [--server ADDRESS]
    python -m tests.benchmarks.bench_hardship inputs --count 1000000 [--seconds 3000] [--seed 1]
    python -m tests.benchmarks.bench_hardship disk

`disk` mounts a small file system, which takes the right to do so. Prints what was done and what
was lost, which should be nothing; the exit status tells as well.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path

from faultfinder.cli.main import run
from faultfinder.errors import FaultfinderError
from faultfinder.learning.versions import Evidence, Line, digest_of
from faultfinder.tickets.checking import check_store
from faultfinder.tickets.events import Intake, Note
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.searching import Wanted, find_tickets
from faultfinder.tickets.shelf import shelf_at
from faultfinder.tickets.store import StaleTicket
from faultfinder.tickets.ticket import Ticket
from tests.stores import SERVER, new_database
from tests.test_versions import MODEL, PARTS

AT = "2026-01-01T00:00:00Z"
TICKETS = 40
MARK = "# life "


class Forked:
    """A child of this process, so that thousands of them need not import everything anew."""

    def __init__(self, work: Callable[[], None]) -> None:
        self._out = tempfile.TemporaryFile()  # noqa: SIM115
        self._err = tempfile.TemporaryFile()  # noqa: SIM115
        self.pid = os.fork()
        if self.pid:
            return
        status = 1
        try:
            os.dup2(self._out.fileno(), 1)
            os.dup2(self._err.fileno(), 2)
            signal.signal(signal.SIGINT, signal.default_int_handler)
            work()
            status = 0
        except BaseException as error:
            os.write(2, "".join(traceback.format_exception(error)).encode())
        finally:
            os._exit(status)

    def wait_for_word(self) -> None:
        """Until it has said something, or is over."""
        while not os.fstat(self._out.fileno()).st_size:
            if os.waitid(os.P_PID, self.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT):
                return
            time.sleep(0.0005)

    def end(self) -> tuple[str, str, int]:
        """What it said on both streams, and its status."""
        _, status = os.waitpid(self.pid, 0)
        said = []
        for stream in (self._out, self._err):
            stream.seek(0)
            said.append(stream.read().decode())
            stream.close()
        return said[0], said[1], os.waitstatus_to_exitcode(status)


def write(name: str, count: int, tickets: int, first: int = 0) -> None:
    """Two entries at a time, each pair told once it is acknowledged."""
    store = open_store()
    for place in range(count):
        number = 1 + (first + place) % tickets
        while True:
            seen = store.ticket(number).last
            try:
                store.append(number, seen, AT, name, [Note(f"{name} {place} {h}") for h in "ab"])
                break
            except StaleTicket:
                continue
        os.write(1, f"{place}\n".encode())


def command(*words: str) -> None:
    """A command as the shell runs it."""
    sys.argv = ["faultfinder", *words]
    run()


def filled(tickets: int = TICKETS) -> None:
    store = open_store(make=True)
    for _ in range(tickets):
        store.intake("m", AT, "x", [Intake("m")])
    store.close()


def kept() -> tuple[set[str], int]:
    """The writes that are there whole, and how many are half there."""
    whole: set[str] = set()
    halves = 0
    store = open_store()
    for ticket in store.open_tickets():
        notes = [e.entry.note for e in ticket.events if isinstance(e.entry, Note)]
        notes = [note for note in notes if note.endswith((" a", " b"))]
        for first, second in zip(notes[0::2], notes[1::2], strict=False):
            halves += first[:-2] != second[:-2]
            whole.add(first[:-2])
        halves += len(notes) % 2
        halves += bool(ticket.damage)
    store.close()
    return whole, halves


def kills(count: int, seed: int) -> int:
    """Kill `count` writers: each eighth at a random moment of its start, the others while they
    write, up to 30 ms after the first write that was acknowledged.
    """
    tickets = max(TICKETS, count // 2)
    filled(tickets)
    dice = random.Random(seed)
    told: set[str] = set()
    for life in range(count):
        first = dice.randrange(tickets)
        writer = Forked(partial(write, f"life{life}", 100_000, tickets, first))
        if life % 8:
            writer.wait_for_word()
        time.sleep(dice.uniform(0.0, 0.03))
        os.kill(writer.pid, signal.SIGKILL)
        lines, _, _ = writer.end()
        told |= {f"life{life} {line}" for line in lines.split("\n")[:-1]}
    whole, halves = kept()
    faults = len(check_store().faults)
    print(
        f"{count:,} kills: {len(told):,} acknowledged writes of two entries, {len(told - whole)} "
        f"lost, {halves} half there, {len(whole - told):,} there without being told (at most one "
        f"a kill), {faults} faults found by store check; seed {seed}"
    )
    return len(told - whole) + halves + faults


def stops(count: int, seed: int) -> int:
    """Stop a command at random moments, every other time near those at which it mostly writes;
    what it says is held against what is there.
    """
    filled(count)
    dice = random.Random(seed)
    # Once beforehand, so that what a command imports is there.
    Forked(partial(command, "note", "1", "first")).end()
    begin = time.monotonic()
    Forked(partial(command, "note", "1", "second")).end()
    longest = 1.5 * (time.monotonic() - begin)
    false = wrote = stood = nothing = 0
    near, step = longest * 0.6, longest / 50
    for turn in range(count):
        number = str(1 + turn)
        before = _newest(1 + turn)
        child = Forked(partial(command, "note", number, f"turn {turn}"))
        wait = max(dice.gauss(near, 2 * step), 0.0) if turn % 2 else dice.uniform(0.0, longest)
        time.sleep(wait)
        os.kill(child.pid, signal.SIGINT)
        out, err, status = child.end()
        there = _newest(1 + turn) > before
        # Where it wrote the moment was late, and else early: so the moments close in on it.
        near += step if turn % 2 and not there else -step if turn % 2 else 0
        wrote += there
        nothing += "Nothing was written" in err
        stood += "stands" in err
        lie = ("Nothing was written" in err and there) or ("stands" in err and not there)
        odd = "Traceback" in err or status not in (0, 2) or (status == 0) > there
        if lie or odd:
            false += 1
            print(f"turn {turn}: there={there} status={status} {out!r} {err[-300:]!r}")
    print(
        f"{count:,} stops within {longest:.2f} s of the start: {wrote:,} wrote, {stood} told that "
        f"it stands, {nothing:,} that nothing was written; {false} false or odd; seed {seed}"
    )
    return false


def adopt(line: Line, life: int) -> None:
    """Propose and adopt one version of a model after the other, each told once it is in force."""
    for turn in range(100_000):
        base = line.base()
        text = f"{base.text.split(MARK)[0]}{MARK}{life} {turn}\n"
        files = ((base.files[0][0], text), *base.files[1:])
        line.propose(base, files, (), Evidence({"s": "1-3"}, 3, AT[:10]), AT)
        version = line.adopt(f"life{life}", AT)
        os.write(1, f"{version.number} {turn}\n".encode())


def adoptions(count: int, seed: int) -> int:
    """Kill `count` processes while they put versions in force; each version that was told must be
    there as it was told, and the one in force must load.
    """
    filled(1)
    shelf = shelf_at(os.environ["FAULTFINDER_DB"])
    folder = Path(tempfile.mkdtemp())
    (folder / "m.yaml").write_text(MODEL, encoding="utf-8")
    (folder / "parts.yaml").write_text(PARTS, encoding="utf-8")
    line = Line(shelf, "m", folder / "m.yaml")
    dice = random.Random(seed)
    lost = odd = told = 0
    for life in range(count):
        writer = Forked(partial(adopt, line, life))
        if life % 8:
            writer.wait_for_word()
        time.sleep(dice.uniform(0.0, 0.03))
        os.kill(writer.pid, signal.SIGKILL)
        lines, errors, _ = writer.end()
        odd += bool(errors)
        there = {version.number: version for version in line.versions()}
        odd += sorted(there) != list(range(1, len(there) + 1))
        for number, turn in (map(int, said.split()) for said in lines.split("\n")[:-1]):
            told += 1
            lost += number not in there or not there[number].files[0][1].endswith(
                f"{MARK}{life} {turn}\n"
            )
        odd += bool(there) and digest_of(line.in_force()) != digest_of(there[len(there)].files)
        odd += line.base().believed.name != "m"
        if len(there) > 200:  # A line that grows for ever makes each look at it slower.
            with shelf.instead(shelf_at(str(folder / "nothing.db"))) as put:
                put("")
    print(
        f"{count:,} kills while adopting: {told:,} versions told as in force, {lost} of them lost "
        f"or otherwise, {odd} lines damaged; seed {seed}"
    )
    return lost + odd


def writers(count: int, each: int = 24) -> int:
    """Many processes at once."""
    filled()
    many = [Forked(partial(write, f"w{name}", each, 8)) for name in range(count)]
    ends = [one.end() for one in many]
    refused = [err[-300:] for _, err, status in ends if status]
    whole, halves = kept()
    told = sum(out.count("\n") for out, _, _ in ends)
    print(
        f"{count} writers: {told:,} acknowledged writes of two entries on 8 tickets, "
        f"{told - len(whole)} lost, {halves} half there, {len(refused)} refused"
    )
    for one in set(refused):
        print(one)
    return told - len(whole) + halves + len(refused)


def _newest(number: int) -> int:
    store = open_store()
    try:
        return store.ticket(number).last
    finally:
        store.close()


SHARES = {
    "model": 6, "store": 14, "json_lines": 40, "mapped_table": 40, "table": 50,
    "column_map": 100, "answers": 250, "shop": 500,
}  # fmt: skip
"""Of a thousand inputs, how many each target gets: fewer where one takes longer."""


def inputs(count: int, seconds: float, seed: int) -> int:
    """Mutated inputs over all targets, in processes of their own, one after the other."""
    done = failed = 0
    for target, share in SHARES.items():
        words = [target, "--count", str(count * share // 1000), "--seed", str(seed)]
        words += ["--seconds", str(seconds / len(SHARES)), "--keep", "/tmp/broken_inputs"]
        told = subprocess.run(
            [sys.executable, "-m", "tests.fuzz", *words], stdout=subprocess.PIPE, text=True
        )
        print(told.stdout, end="", flush=True)
        said = re.search(r": ([0-9,]+) inputs .* failures (\d+) ", told.stdout)
        done += int(said[1].replace(",", "")) if said else 0
        failed += int(said[2]) if said else 1
    print(f"{done:,} inputs, {failed} failures; seed {seed}")
    return failed


# A small file system: full, and for reading only


def disk() -> int:
    """What a full disk and one for reading only do to each command that writes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "small", name], check=True)
        os.environ["FAULTFINDER_DB"] = str(folder / "tickets.db")
        os.environ["FAULTFINDER_CACHE"] = str(folder / "cache")
        try:
            filled()
            command_of = partial(command, *WRITERS[1])
            Forked(command_of).end()
            return _full(folder) + _for_reading(folder)
        finally:
            os.chdir("/")
            subprocess.run(["umount", name], check=True)


ENTRIES = ("note", "intake", "hold", "erase")
WRITERS = (
    ("note", "1", "x" * 20_000),
    ("intake", "-m", "thin_clamshell", "-s", "backlight=off"),
    ("hold", "2", "customer"),
    ("erase", "3", "--yes"),
    ("store", "backup", "backup.db"),
    ("export", "out.jsonl"),
    ("sheet", "41", "--html", "sheet.html"),
    ("model", "export", "thin_clamshell", "--bif", "m.bif"),
)
READERS = (("tickets",), ("ticket", "1"), ("export", "-"), ("store", "check"), ("next", "41"))


def _full(folder: Path) -> int:
    written = 0
    room = folder / "room"
    room.write_bytes(b"x" * 1_000_000)
    store = open_store()
    while written < 10_000:
        try:
            seen = store.ticket(1).last
            store.append(1, seen, AT, "x", [Note(f"w {written} {half}") for half in "ab"])
            written += 1
        except FaultfinderError as error:
            print(f"after {written} writes: {error}")
            break
    store.close()
    filler = folder / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as stream:
        while True:
            stream.write(b"x" * 4096)
    wrong = _each(folder, "full disk")
    whole, halves = kept()
    lost = written - len(whole)
    room.unlink()
    after = [Forked(partial(command, *words)).end() for words in (WRITERS[0], ("store", "check"))]
    wrong += sum(status != 0 for _, _, status in after)
    print(
        f"full disk: {written} writes, {lost} lost, {halves} half there; with room again: "
        f"{after[0][1].strip()}{after[1][0].strip()}"
    )
    return wrong + lost + halves


def _for_reading(folder: Path) -> int:
    """Closed whole, tickets cannot even be read there: SQLite keeps a file beside them."""
    (folder / "filler").unlink()
    before = sum(ticket.last for ticket in _all())
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    ends = [(words, *Forked(partial(command, *words)).end()) for words in (*WRITERS, *READERS)]
    subprocess.run(["mount", "-o", "remount,rw", str(folder)], check=True)
    for words, _, err, status in ends:
        print(f"disk for reading only: {' '.join(words)[:14]}: status {status}; {err.strip()}")
    changed = sum(ticket.last for ticket in _all()) - before
    print(f"disk for reading only: {changed} entries more")
    return changed + sum(status != 1 or "Traceback" in err for _, _, err, status in ends)


def _each(folder: Path, what: str) -> int:
    """Run each command; a writer is refused with a sentence and leaves nothing, readers read."""
    os.chdir(folder)
    wrong, had = 0, sum(ticket.last for ticket in _all())
    before = {path.name for path in folder.iterdir()}
    for words in (*WRITERS, *READERS):
        out, err, status = Forked(partial(command, *words)).end()
        entries = sum(ticket.last for ticket in _all())
        wrote = entries > had or (words[0] not in ENTRIES and words in WRITERS and not status)
        had = entries
        fits = status == int(words in WRITERS and not wrote) and "Traceback" not in out + err
        wrong += not fits
        said = " ".join((err or out[:80]).split())
        print(f"{'' if fits else 'WRONG '}{what}: {' '.join(words)[:14].strip()}: "
              f"status {status}; {entries} entries; {said[:200]}")  # fmt: skip
    left = {path.name for path in folder.iterdir()} - before - {"cache"}
    print(f"{what}: {len(left)} files left lying {sorted(left)}")
    return wrong + len(left)


def _all() -> list[Ticket]:
    store = open_store()
    try:
        return find_tickets(store, Wanted(open=None), 1_000)[0]
    finally:
        store.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "what", choices=["kills", "stops", "adoptions", "writers", "inputs", "disk"]
    )
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=1e9, help="at most, for inputs")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--server", help="a server on which a database may be made")
    given = parser.parse_args()
    begin = time.monotonic()

    def hold() -> int:
        match given.what:
            case "writers":
                return writers(given.count)
            case "inputs":
                return inputs(given.count, given.seconds, given.seed)
            case "disk":
                return disk()
            case "adoptions":
                return adoptions(given.count, given.seed)
        return (kills if given.what == "kills" else stops)(given.count, given.seed)

    def end(lost: int) -> int:
        print(f"{time.monotonic() - begin:.0f} s", flush=True)
        return 1 if lost else 0

    if given.server:
        os.environ[SERVER] = given.server
        with new_database() as address:
            os.environ["FAULTFINDER_DB"] = address
            return end(hold())
    with tempfile.TemporaryDirectory() as folder:
        os.environ["FAULTFINDER_DB"] = str(Path(folder) / "tickets.db")
        return end(hold())


if __name__ == "__main__":
    sys.exit(main())
