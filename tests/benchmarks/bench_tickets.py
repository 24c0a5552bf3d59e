"""Commands on a ticket with ten tickets in the store and with 100,000; and bringing those in.

    python -m tests.benchmarks.bench_tickets [--tickets 100000] [--runs 10]

The invented demo tickets are repeated under new keys. Commands are run in turn with
`python -c "import numpy, click, yaml"`, so that a busy moment hits all. Prints medians
and ratios; judges nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

DEMO = Path(__file__).parents[1] / "demo_before" / "invented_tickets.jsonl"
IMPORTS = [sys.executable, "-c", "import numpy, click, yaml"]
TOOL = [sys.executable, "-m", "faultfinder.cli.main"]


def closed_lines(count: int) -> Iterator[str]:
    """Closed demo tickets, repeated under new keys."""
    demo = [json.loads(line) for line in DEMO.read_text(encoding="ascii").splitlines()]
    closed = [t for t in demo if any(e["kind"] == "closed" for e in t["events"])]
    for number in range(count):
        ticket = closed[number % len(closed)] | {"key": f"invented:b{number}", "first_ticket": None}
        yield json.dumps(ticket) + "\n"


def filled(folder: Path, count: int) -> tuple[str, float, float]:
    """A store with `count` closed tickets and an open one; seconds, and megabytes at most."""
    lines = folder / f"{count}.jsonl"
    with open(lines, "w", encoding="ascii") as stream:
        stream.writelines(closed_lines(count))
    place = str(folder / f"{count}.db")
    words = [*TOOL, "import", str(lines), "--db", place]
    begin = time.perf_counter()
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    taken = time.perf_counter() - begin
    if status != 0:
        raise SystemExit(f"The import ended with {status}.")
    seen = ["-s", "backlight=off", "-s", "image=none", "-s", "knock=yes"]
    run([*TOOL, "intake", "-m", "thin_clamshell", *seen, "--db", place])
    return place, taken, used.ru_maxrss / 1024


def run(words: list[str]) -> float:
    begin = time.perf_counter()
    subprocess.run(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tickets", type=int, default=100_000)
    parser.add_argument("--runs", type=int, default=10)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        few, _, small = filled(folder, 10)
        many, taken, large = filled(folder, options.tickets)
        print(
            f"import of {options.tickets:,} closed tickets: {taken:.0f} s, at most {large:.0f} MB"
        )
        print(f"import of 10: at most {small:.0f} MB")
        last = str(options.tickets + 1)
        commands = {
            "import numpy, click, yaml": IMPORTS,
            "next TICKET, ten in the store": [*TOOL, "next", "11", "--db", few],
            "next TICKET, all in the store": [*TOOL, "next", last, "--db", many],
            "note TICKET, all in the store": [
                *TOOL, "note", last, "n", "--db", many
            ],
            "found TICKET --stage, all": [
                *TOOL, "found", last, "--stage", "closed", "--db", many
            ],
            "tickets, all in the store": [*TOOL, "tickets", "--db", many],
            "tickets --closed -w, all": [*TOOL, "tickets", "--closed", "-w", "lid", "--db", many],
        }  # fmt: skip
        times: dict[str, list[float]] = {label: [] for label in commands}
        for turn in range(options.runs + 1):
            for label, words in commands.items():
                seconds = run(words)
                if turn:
                    times[label].append(seconds)
        base = statistics.median(times["import numpy, click, yaml"])
        print(f"{'':34}{'median':>9}{'ratio':>8}")
        for label, taken_each in times.items():
            median = statistics.median(taken_each)
            print(f"{label:34}{median * 1000:>6.0f} ms{median / base:>8.2f}")
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"(this benchmark itself: {own:.0f} MB)")


if __name__ == "__main__":
    main()
