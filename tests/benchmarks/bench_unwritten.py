"""Shops that write down results only when they are bad: what that does to base rates.

    python -m tests.benchmarks.bench_unwritten [--family thin_clamshell] [--shops 20]

Each shop's figures are the file's, moved by a normal step in log odds. Of the results that were
looked for, the normal ones are written down in one of ten cases, all others always. Base rates
are P(not normal | complaint) of causes, histories and findings; their bias is the mean of learnt
less true log odds over all rates and shops. Without --family the invented small lid is used.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from dataclasses import replace

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.em.parameters import read_families, rewritten
from faultfinder.learning.watch.unwritten import habits
from faultfinder.model.parts import FaultModel, Kind
from faultfinder.model.reading.reader import parse_model
from tests.closed_tickets import drawn
from tests.invented_models import SMALL_LID
from tests.test_unwritten import EVERYBODY, NOBODY, findings_of, written_down

MISSING = 0.4
"""Share of the results that nobody looked for."""


def main() -> None:
    """Print bias of base rates as learnt today, under --unwritten named, and with all named."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--family")
    asked.add_argument("--shops", type=int, default=20)
    asked.add_argument("--tickets", type=int, default=400)
    asked.add_argument("--step", type=float, default=0.5)
    asked.add_argument("--unlabelled", type=float, default=0.3)
    chosen = asked.parse_args()
    file = (
        load_model(chosen.family)
        if chosen.family
        else compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))
    )
    findings = findings_of(file)
    print(f"{file.model.name}, step sd {chosen.step}, {chosen.tickets} tickets, seeds 0 to "
          f"{chosen.shops - 1}, {chosen.unlabelled:.0%} without a confirmed cause")  # fmt: skip
    for habit, people in (("good results left out", EVERYBODY), ("all written", NOBODY)):
        off: dict[tuple[str, str], list[float]] = defaultdict(list)
        named, shops, began = 0, 0, time.process_time()
        for seed in range(chosen.shops):
            shop = moved(file, chosen.step, seed)
            tickets, writers = written_down(
                file,
                drawn(shop, chosen.tickets, seed, MISSING, chosen.unlabelled),
                people,
                findings,
                seed,
            )
            told = habits(file, tickets, writers)
            named, shops = named + len(told.unwritten), shops + bool(told.unwritten)
            truth = base_rates(shop)
            ways = {"today": (), "named": told.unwritten, "all": findings}
            for way, unwritten in ways.items():
                learnt = tune(file, tickets, unwritten=unwritten, leave_out_impossible=True)
                found = base_rates(compile_model(replace(learnt.model, digest="")))
                for (kind, name), rate in found.items():
                    off[kind, way].append(logit(rate) - logit(truth[kind, name]))
        print(f"  {habit}: named {named} of {len(findings) * chosen.shops} findings, in {shops} "
              f"shops; {time.process_time() - began:.0f} s")  # fmt: skip
        for kind in ("cause", "history", "finding"):
            told_off = {way: np.array(off[kind, way]) for way in ("today", "named", "all")}
            if len(told_off["today"]):
                said = [
                    f"{way} {errors.mean():+.3f} (absolute {np.abs(errors).mean():.3f})"
                    for way, errors in told_off.items()
                ]
                print(f"    {kind:8}", *said, flush=True)


def base_rates(compiled: CompiledModel) -> dict[tuple[str, str], float]:
    """P(not normal | complaint), exactly, by kind and name."""
    calibrated = beliefs(compiled, evidence_from(compiled, {}))
    kinds = (Kind.CAUSE, Kind.HISTORY, Kind.FINDING)
    return {
        (v.kind.value, v.name): 1.0
        - float(posterior(compiled, calibrated, compiled.network.index[v.name])[0].item())
        for v in compiled.model.variables
        if v.kind in kinds
    }


def moved(compiled: CompiledModel, step: float, seed: int) -> CompiledModel:
    """Another shop: the log odds of each figure against the normal state's, moved."""
    rng = np.random.default_rng(seed)
    families = read_families(compiled)
    figures = {}
    for family in families:
        steps = rng.normal(0.0, step, family.file.shape)
        steps[:, 0] = 0.0
        raised = family.file * np.exp(steps)
        figures[family.number] = raised / raised.sum(axis=1, keepdims=True)
    model: FaultModel = rewritten(compiled.model, families, figures)
    return compile_model(replace(model, digest=""))


def logit(share: float) -> float:
    """Log odds, of shares that are neither 0 nor 1."""
    share = min(max(share, 1e-9), 1.0 - 1e-9)
    return float(np.log(share / (1.0 - share)))


if __name__ == "__main__":
    main()
