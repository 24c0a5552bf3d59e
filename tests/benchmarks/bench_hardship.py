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
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from faultfinder.tickets.events import Intake
from faultfinder.tickets.opening import open_store
from tests.stores import SERVER, new_database

AT = "2026-01-01T00:00:00Z"
TICKETS = 40

WRITER = """
import sys
from faultfinder.tickets.events import Note
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.store import StaleTicket
name, count = sys.argv[1], int(sys.argv[2])
store = open_store()
for place in range(count):
    number = 1 + place % int(sys.argv[3])
    while True:
        seen = store.ticket(number).last
        try:
            entries = [Note(f"{name} {place} {half}") for half in "ab"]
            store.append(number, seen, "2026-01-01T00:00:00Z", name, entries)
            break
        except StaleTicket:
            continue
    print(place, flush=True)
"""

STOPPED = """
import os, signal, sys, threading, time, random
from faultfinder.cli.main import run
dice = random.Random(int(sys.argv[1]))
later = dice.uniform(0.0, float(sys.argv[2]))
def stop():
    time.sleep(later)
    os.kill(os.getpid(), signal.SIGINT)
threading.Thread(target=stop, daemon=True).start()
sys.argv = ["faultfinder", "note", "1", sys.argv[1]]
run()
"""


def started(code: str, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


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
        writer = started(WRITER, f"life{life}", "100000", str(TICKETS))
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(dice.uniform(0.0, 0.12))
        writer.send_signal(signal.SIGKILL)
        lines = [first, *writer.stdout.readlines()]
        writer.wait()
        told |= {f"life{life} {line.strip()}" for line in lines if line.endswith("\n")}
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
    begin = time.monotonic()
    started(STOPPED, "0", "99").wait()
    longest = 1.3 * (time.monotonic() - begin)
    false = wrote = stood = nothing = 0
    store = open_store()
    for turn in range(count):
        before = store.ticket(1).last
        child = started(STOPPED, str(seed * 1_000_000 + turn), str(longest))
        out, err = child.communicate(timeout=120)
        there = store.ticket(1).last > before
        wrote += there
        nothing += "Nothing was written" in err
        stood += "stands" in err
        lie = ("Nothing was written" in err and there) or ("stands" in err and not there)
        odd = "Traceback" in err or child.returncode not in (0, 2)
        if lie or odd:
            false += 1
            print(f"turn {turn}: there={there} status={child.returncode} {out!r} {err[-300:]!r}")
    store.close()
    print(
        f"{count:,} stops within {longest:.2f} s of the start: {wrote:,} wrote, {stood} told that "
        f"it stands, {nothing:,} that nothing was written; {false} false or odd; seed {seed}"
    )
    return false


def writers(count: int, each: int = 24) -> int:
    """Many processes at once."""
    filled()
    many = [started(WRITER, f"w{name}", str(each), "8") for name in range(count)]
    ends = [(one.communicate(timeout=900), one.returncode) for one in many]
    refused = [err[-200:] for (_, err), status in ends if status]
    whole, halves = kept()
    told = sum(out.count("\n") for (out, _), _ in ends)
    print(
        f"{count} writers: {told:,} acknowledged writes of two entries on 8 tickets, "
        f"{told - len(whole)} lost, {halves} half there, {len(refused)} refused"
    )
    for one in set(refused):
        print(one)
    return told - len(whole) + halves + len(refused)


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
