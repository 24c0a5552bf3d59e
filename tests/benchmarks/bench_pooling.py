"""Families tuned together beside each alone, where common figures moved alike and own ones apart.

    python -m tests.benchmarks.bench_pooling [SHOPS] [--apart] [--whole]

The four families cut to the causes and checks of `cut_family` (as a whole with --whole). In each
shop a figure that several families have in common is moved by one normal step of sd 1.0 in log
odds, the same in all of them; what a family has of its own is moved by itself. With --apart
common figures are moved by themselves as well: then pooling has nothing to gain, and should do no
harm. Fifty tickets a family, each result recorded in 60 %; bits per confirmed cause on 1,000 fresh
tickets of each family. "known" is the limit of any pooling: the common figures as they are in the
shop, the own ones as learnt alone. Seeds are printed.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.em.parameters import read_families, rewritten
from faultfinder.learning.em.pooling import key_of, tune_together
from faultfinder.model.reading.reader import read_model
from tests.benchmarks.bench_worth import RECORDED, bits
from tests.benchmarks.cut_family import CAUSES, CHECKS, MODELS, cut
from tests.drawn_tickets import drawn_tickets

FAMILIES = ("thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop")
TICKETS, FRESH, SD = 50, 1_000, 1.0


def families(whole: bool = False) -> list[CompiledModel]:
    found = []
    for name in FAMILIES:
        model = read_model(MODELS / f"{name}.yaml")
        if whole:
            found.append(compile_model(model))
            continue
        causes = [cause for cause in CAUSES if cause in model.by_name]
        checks = [check for check in CHECKS if check in model.checks_by_name]
        found.append(compile_model(cut(model, causes, checks)))
    return found


def moved(models: list[CompiledModel], seed: int, apart: bool) -> list[CompiledModel]:
    """The families of a shop: steps of common figures are the same in all."""
    rng = np.random.default_rng(seed)
    steps: dict[object, np.ndarray] = {}
    found = []
    for place, compiled in enumerate(models):
        figures = {}
        for family in read_families(compiled):
            states = compiled.model.variables[family.number].states
            raised = family.file.copy()
            for group, where in enumerate(family.places):
                key: object = key_of(where, states, family.file[group])
                key = (place, key) if apart else key
                if key not in steps:
                    steps[key] = rng.normal(0.0, SD, len(states))
                    steps[key][0] = 0.0
                raised[group] = family.file[group] * np.exp(steps[key])
            figures[family.number] = raised / raised.sum(axis=1, keepdims=True)
        model = rewritten(compiled.model, read_families(compiled), figures)
        found.append(compile_model(replace(model, digest="")))
    return found


def common_keys(models: list[CompiledModel]) -> list[set[object]]:
    """Of each family the keys of the figures that another has as well."""
    every = [
        {
            key_of(where, compiled.model.variables[family.number].states, family.file[group])
            for family in read_families(compiled)
            for group, where in enumerate(family.places)
        }
        for compiled in models
    ]
    return [{key for key in own if sum(key in other for other in every) > 1} for own in every]


def _with_common(
    file: CompiledModel, learnt: CompiledModel, shop: CompiledModel, common: set[object]
) -> CompiledModel:
    """What was learnt, with common figures as they are in the shop."""
    figures = {}
    for family, own, true in zip(
        read_families(file), read_families(learnt), read_families(shop), strict=True
    ):
        states = file.model.variables[family.number].states
        rows = [
            true.file[group]
            if key_of(where, states, family.file[group]) in common
            else own.file[group]
            for group, where in enumerate(family.places)
        ]
        figures[family.number] = np.array(rows)
    model = rewritten(file.model, read_families(file), figures)
    return compile_model(replace(model, digest=""))


def one_shop(
    models: list[CompiledModel], seed: int, apart: bool, tickets: int = TICKETS, fresh: int = FRESH
) -> tuple[list[float], list[float], list[float], list[float], list[str]]:
    """Bits of each family: as filed, learnt alone, learnt together, with the common figures known;
    and what was chosen."""
    shops = moved(models, seed, apart)
    begun = [drawn_tickets(s, tickets, seed * 10 + n, RECORDED) for n, s in enumerate(shops)]
    tests = [drawn_tickets(s, fresh, seed * 10 + 5 + n, RECORDED) for n, s in enumerate(shops)]
    file = [bits(m, t) for m, t in zip(models, tests, strict=True)]
    single = [
        compile_model(tune(m, t, weigh_belief=True).model)
        for m, t in zip(models, begun, strict=True)
    ]
    alone = [bits(one, test) for one, test in zip(single, tests, strict=True)]
    known = [
        bits(_with_common(model, one, shop, common), test)
        for model, one, shop, common, test in zip(
            models, single, shops, common_keys(models), tests, strict=True
        )
    ]
    tuned = tune_together(list(zip(models, begun, strict=True)))
    together = [
        bits(compile_model(one.model), test) for one, test in zip(tuned, tests, strict=True)
    ]
    said = [
        f"{c.group} x{c.factor:g} alike {c.alike:g}"
        for c in tuned[0].weighed
        if c.alike is not None
    ]
    return file, alone, together, known, said


def main() -> None:
    apart = "--apart" in sys.argv
    count = int(next((a for a in sys.argv[1:] if a.isdigit()), 8))
    models = families("--whole" in sys.argv)
    rows = []
    print("seed     file   alone  together  ratio  known  chosen")
    for seed in range(500, 500 + count):
        file, alone, together, known, said = one_shop(models, seed, apart)
        means = [float(np.mean(one)) for one in (file, alone, together, known)]
        rows.append(means)
        print(f"{seed}  {means[0]:7.3f} {means[1]:7.3f} {means[2]:9.3f} {means[2] / means[1]:6.3f}"
              f" {means[3] / means[1]:6.3f}"
              f"  {'; '.join(said)}", flush=True)  # fmt: skip
    ratios = np.array([row[2] / row[1] for row in rows])
    half = 1.96 * ratios.std(ddof=1) / len(ratios) ** 0.5
    print(f"mean ratio together / alone {ratios.mean():.3f} +- {half:.3f} over {count} shops; "
          f"known / alone {np.mean([row[3] / row[1] for row in rows]):.3f}, "
          f"alone / file {np.mean([row[1] / row[0] for row in rows]):.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
