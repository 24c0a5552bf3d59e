"""How often the 90 % intervals of learnt minutes hold the minutes that were put into the logs.

    python -m tests.benchmarks.bench_minutes [BENCHES] [TICKETS]

BENCHES (300) invented benches of TICKETS (80) tickets each, as in tests/test_bench_learnt.py: every
figure of the small shop times a factor of sd 0.5 in logarithms, a pause in one step of seven.
"""

from __future__ import annotations

import math
import sys
import time
from collections import defaultdict

import numpy as np

from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import compile_model
from faultfinder.learning.bench.figures import bench_values
from faultfinder.learning.bench.learn import learn_bench
from tests.small_shop import small_shop
from tests.test_bench_learnt import logged, minutes_of, shop_with


def main() -> None:
    told = [int(one) for one in sys.argv[1:]]
    benches, tickets = (*told, *(300, 80)[len(told) :])
    begun = time.perf_counter()
    compiled = compile_model(small_shop())
    spots = [spot for spot in bench_values(small_shop()) if spot[-1] == "minutes"]
    sides: dict[str, list[tuple[float, bool, bool]]] = defaultdict(list)
    for seed in range(benches):
        rng = np.random.default_rng(seed)
        truth = shop_with({spot: math.exp(rng.normal(0.0, 0.5)) for spot in spots})
        logs = logged(compiled, truth, tickets, seed)
        real = bench_values(truth.model)
        learnt = learn_bench(logs, compiled, Shop(handling_minutes=3.0))
        for spot, (after, low, high) in minutes_of(learnt).items():
            true = real[spot][""]
            sides[" ".join(spot[:-1])].append((math.log(after / true), true < low, true > high))
    print(f"{benches} benches, {tickets} tickets each; 90 % intervals")
    everything = [row for rows in sides.values() for row in rows]
    for name, rows in (*sides.items(), ("all", everything)):
        table = np.array(rows, dtype=np.float64)
        below, above = table[:, 1:].mean(axis=0)
        print(
            f"  {name:<22}{len(rows):6}  hold it {1.0 - below - above:.3f}; below {below:.3f}, "
            f"above {above:.3f}; off by {table[:, 0].mean():+.3f}, rms {table[:, 0].std():.3f}"
        )
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
