"""How long one whole `faultfinder next` takes, against importing numpy, click and yaml.

    python tests/benchmarks/bench_process.py [--runs 20]

The two are run in turn, so that a busy moment hits both. Prints the medians, the
best of each, and their ratios; judges nothing.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time

IMPORTS = [sys.executable, "-c", "import numpy, click, yaml"]
NEXT = [sys.executable, "-m", "faultfinder.cli.main", "next", "-m", "thin_clamshell"]
FINDINGS = ["after=own_repair", "screen_light=dark", "glass=whole"]


def seconds(words: list[str]) -> float:
    begin = time.perf_counter()
    subprocess.run(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    runs = parser.parse_args().runs
    command = [*NEXT, *(word for finding in FINDINGS for word in ("-s", finding))]
    # The first run compiles the model and fills the disk cache.
    seconds(command)
    seconds(IMPORTS)
    base, ours = [], []
    for _ in range(runs):
        base.append(seconds(IMPORTS))
        ours.append(seconds(command))
    print(f"{'':34}{'median':>10}{'best':>10}")
    print(f"{'import numpy, click, yaml':34}{_ms(base)}")
    print(f"{'faultfinder next, three findings':34}{_ms(ours)}")
    median = statistics.median(ours) / statistics.median(base)
    print(f"{'ratio':34}{median:>10.2f}{min(ours) / min(base):>10.2f}   (aim: 1.55 or less)")


def _ms(times: list[float]) -> str:
    return f"{statistics.median(times) * 1000:>7.0f} ms{min(times) * 1000:>7.0f} ms"


if __name__ == "__main__":
    main()
