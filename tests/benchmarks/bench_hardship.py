"""Kills, stops and many writers, at a scale that takes too long for every test run.

    python -m tests.benchmarks.bench_hardship kills --count 1000 [--server ADDRESS] [--seed 1]
    python -m tests.benchmarks.bench_hardship stops --count 1000 [--seed 1]
    python -m tests.benchmarks.bench_hardship writers --count 32 [--server ADDRESS]

Prints what was done and what was lost, which should be nothing; the exit status tells as well.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path

from faultfinder.cli.main import run
from faultfinder.tickets.events import Intake, Note
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.store import StaleTicket
from tests.stores import SERVER, new_database

AT = "2026-01-01T00:00:00Z"
TICKETS = 40


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

    def end(self) -> tuple[str, str, int]:
        """What it said on both streams, and its status."""
        _, status = os.waitpid(self.pid, 0)
        said = []
        for stream in (self._out, self._err):
            stream.seek(0)
            said.append(stream.read().decode())
            stream.close()
        return said[0], said[1], os.waitstatus_to_exitcode(status)


def write(name: str, count: int, tickets: int) -> None:
    """Two entries at a time, each pair told once it is acknowledged."""
    store = open_store()
    for place in range(count):
        number = 1 + place % tickets
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


def filled() -> None:
    store = open_store(make=True)
    for _ in range(TICKETS):
        store.intake("m", AT, "x", [Intake("m")])
    store.close()


def kept() -> tuple[set[str], int]:
    """The writes that are there whole, and how many are half there."""
    whole: set[str] = set()
    halves = 0
    store = open_store()
    for ticket in store.open_tickets():
        notes = [event.entry.as_texts()["note"] for event in ticket.events[1:]]
        for first, second in zip(notes[0::2], notes[1::2], strict=False):
            halves += first[:-2] != second[:-2]
            whole.add(first[:-2])
        halves += len(notes) % 2
        halves += bool(ticket.damage)
    store.close()
    return whole, halves


def kills(count: int, seed: int) -> int:
    """Kill a writer at random moments until `count` were killed while writing."""
    filled()
    dice = random.Random(seed)
    told: set[str] = set()
    for life in range(count):
        writer = Forked(partial(write, f"life{life}", 100_000, TICKETS))
        time.sleep(dice.uniform(0.0, 0.3))
        os.kill(writer.pid, signal.SIGKILL)
        lines, _, _ = writer.end()
        told |= {f"life{life} {line}" for line in lines.split("\n")[:-1]}
    whole, halves = kept()
    print(
        f"{count:,} kills: {len(told):,} acknowledged writes of two entries, {len(told - whole)} "
        f"lost, {halves} half there, {len(whole - told)} there without being told (at most one a "
        f"kill); seed {seed}"
    )
    return len(told - whole) + halves


def stops(count: int, seed: int) -> int:
    """Stop a command at random moments; what it says is held against what is there."""
    filled()
    dice = random.Random(seed)
    # Once beforehand, so that what a command imports is there.
    Forked(partial(command, "note", "1", "first")).end()
    begin = time.monotonic()
    Forked(partial(command, "note", "1", "second")).end()
    longest = 2.5 * (time.monotonic() - begin)
    false = wrote = stood = nothing = 0
    newest = 3
    for turn in range(count):
        child = Forked(partial(command, "note", "1", f"turn {turn}"))
        time.sleep(dice.uniform(0.0, longest))
        os.kill(child.pid, signal.SIGINT)
        out, err, status = child.end()
        before, newest = newest, _newest()
        there = newest > before
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


def _newest() -> int:
    store = open_store()
    try:
        return store.ticket(1).last
    finally:
        store.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["kills", "stops", "writers"])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--server", help="a server on which a database may be made")
    given = parser.parse_args()

    def hold() -> int:
        if given.what == "writers":
            return writers(given.count)
        return (kills if given.what == "kills" else stops)(given.count, given.seed)

    if given.server:
        os.environ[SERVER] = given.server
        with new_database() as address:
            os.environ["FAULTFINDER_DB"] = address
            return 1 if hold() else 0
    with tempfile.TemporaryDirectory() as folder:
        os.environ["FAULTFINDER_DB"] = str(Path(folder) / "tickets.db")
        return 1 if hold() else 0


if __name__ == "__main__":
    sys.exit(main())
