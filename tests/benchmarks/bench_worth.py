"""Tuned figures beside the file's in simulated shops, from few tickets to many.

    python -m tests.benchmarks.bench_worth [--whole]

Each shop's figures are the file's, moved by a normal step in log odds of sd 0, 0.5 or 1.0.
Each result is on a ticket with the chance RECORDED, the confirmed causes always. The loss is
-log2 P(the confirmed causes and no other | findings), in bits per confirmed cause, on fresh
tickets, as a ratio to that of the file's figures. Fewer tickets than `estimates.LEAST` leave
the file in force. With --whole the family is not cut, and there are few shops.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import LEAST, tune
from faultfinder.learning.judge.forecasts import forecast
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.reading.reader import read_model
from tests.benchmarks.cut_family import MODELS, moved, small_family
from tests.drawn_tickets import drawn_tickets

SIZES, FRESH, RECORDED = (10, 25, 50, 100, 400), 2_000, 0.6
SHOPS = {0.0: range(100, 105), 0.5: range(200, 208), 1.0: range(300, 307)}
"""Seeds of the shops, by how far their figures are from the file's."""


def bits(compiled: CompiledModel, tickets: Sequence[ClosedTicket]) -> float:
    """Bits per confirmed cause."""
    told = forecast(compiled, tickets)
    return float(told.label_loss.sum() / np.log(2.0) / told.present.sum())


def ratios(
    file: CompiledModel, sd: float, seed: int, sizes: Sequence[int], fresh: int
) -> list[float]:
    """The loss of the tuned figures over the file's at each number of tickets; last, that of the
    shop's own true figures."""
    shop = moved(file, sd, seed)
    tickets = drawn_tickets(shop, max(sizes), seed + 1000, RECORDED)
    test = drawn_tickets(shop, fresh, seed + 2000, RECORDED)
    base = bits(file, test)
    found = []
    for size in sizes:
        if size < LEAST:
            found.append(1.0)
            continue
        tuned = tune(file, tickets[:size], weigh_belief=True)
        if "-v" in sys.argv:
            print(
                size, [(w.group, w.factor, round(w.gain, 1)) for w in tuned.weighed], tuned.rounds
            )
        found.append(bits(compile_model(tuned.model), test) / base)
    return [*found, bits(shop, test) / base]


def main() -> None:
    whole = "--whole" in sys.argv
    file = compile_model(read_model(MODELS / "thin_clamshell.yaml") if whole else small_family())
    begun, rows = time.perf_counter(), []
    print("sd    seed " + "".join(f"{size:>8}" for size in SIZES) + "   truth")
    for sd, seeds in SHOPS.items():
        for seed in seeds[:1] if whole else seeds:
            row = ratios(file, sd, seed, SIZES, FRESH)
            rows.append((sd, row))
            print(f"{sd:<6}{seed}" + "".join(f"{value:8.3f}" for value in row), flush=True)
    for sd in SHOPS:
        mean = np.mean([row for own, row in rows if own == sd], axis=0)
        print(f"mean of sd {sd}".ljust(10) + "".join(f"{v:8.3f}" for v in mean))
    every = np.array([row for _, row in rows])
    half = 1.96 * every.std(axis=0, ddof=1) / len(every) ** 0.5
    print("all shops " + "".join(f"{v:8.3f}" for v in every.mean(axis=0)))
    print("95 % up to" + "".join(f"{v:8.3f}" for v in every.mean(axis=0) + half))
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
