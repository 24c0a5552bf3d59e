"""How often a replay is right about a proposal, in simulated shops.

    python -m tests.benchmarks.bench_judge [SHOPS] [PLAYED] [SD ...]

SHOPS (100) shops of the cut family whose figures are the file's (sd 0), and as many whose figures
are moved by a normal step of sd 1.0 in log odds, each with 150 tickets, every result recorded
with the chance 0.6. The proposal is judged against the file as `replay` does, PLAYED (0) of the
tickets played again. Printed: how often the 95 % interval of each difference holds zero, the
mean difference, and the verdicts.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.judge.judging import Judged, Rival, judge
from faultfinder.learning.records import ClosedTicket
from tests.benchmarks.cut_family import moved, small_family
from tests.drawn_tickets import drawn_tickets

TICKETS, RECORDED = 150, 0.6
FIRST_SEED = {0.0: 1000, 1.0: 2000}
SHOWN = ("label_log_loss", "money", "minutes", "needless", "wrong")


def judged(file: CompiledModel, sd: float, seed: int, played: int) -> Judged:
    """The replay of one shop."""
    tickets = drawn_tickets(moved(file, sd, seed), TICKETS, seed + 5000, RECORDED)

    def fit(some: Sequence[ClosedTicket]) -> CompiledModel:
        tuned = tune(file, some, weigh_belief=True, least=1, leave_out_impossible=True)
        return compile_model(replace(tuned.model, digest=""))

    return judge(tickets, fit, (Rival("file", file),), most=played, seed=seed)[0]


def main() -> None:
    told = sys.argv[1:]
    shops = int(told[0]) if told else 100
    played = int(told[1]) if len(told) > 1 else 0
    file = compile_model(small_family())
    for sd in [float(one) for one in told[2:]] or list(FIRST_SEED):
        begun = time.perf_counter()
        seeds = range(FIRST_SEED[sd], FIRST_SEED[sd] + shops)
        found = [judged(file, sd, seed, played) for seed in seeds]
        print(
            f"sd {sd}: {shops} shops, seeds {seeds[0]} to {seeds[-1]}, {TICKETS} tickets, "
            f"{played} played"
        )
        for name in SHOWN:
            some = [
                {**one.found.differences, **(one.jobs.differences if one.jobs else {})}[name]
                for one in found
                if name == "label_log_loss" or one.jobs
            ]
            if some:
                means = np.array([one.mean for one in some])
                zero = sum(not one.clear for one in some)
                print(
                    f"  {name:<15} holds zero in {zero} of {len(some)}; "
                    f"mean {means.mean():+.4f} (sd {means.std():.4f})"
                )
        words = Counter(one.verdict.word for one in found)
        print("  " + ", ".join(f"{word} {words[word]}" for word in sorted(words)))
        more = [one.verdict.more for one in found if one.verdict.more]
        if more:
            print(f"  more tickets where it cannot tell: median {np.median(more):.0f}")
        print(f"  {time.perf_counter() - begun:.0f} s", flush=True)


if __name__ == "__main__":
    main()
