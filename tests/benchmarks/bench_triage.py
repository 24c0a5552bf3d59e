"""The morning's list: `triage` of open tickets, in states nobody asked about and in known ones.

    python -m tests.benchmarks.bench_triage [--states 300] [--tickets 100000] [--runs 3]

`--states` tickets are drawn over the four families that come along, all in different states: up
to five results, half of them with a stage, a quarter after a repair that did not cure. The others
are the invented demo tickets without their end, repeated under new keys. The opponent for distinct
states is the plain way, each state consulted and followed on its own in one process. What
commands take is also said in imports of numpy, click and yaml. Prints processor and wall time,
the most memory and ratios; judges nothing.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests import MODELS

DEMO = Path(__file__).parents[1] / "demo_before" / "invented_tickets.jsonl"
FAMILIES = ("thin_clamshell", "bezel_clamshell", "folding_touch", "onepiece_desktop")
IMPORTS = [sys.executable, "-c", "import numpy, click, yaml"]
TOOL = [sys.executable, "-m", "faultfinder.cli.main"]
AT, WHO = "2026-11-02T08:00:00Z", "invented hand"


def drawn_states(
    count: int, seed: int = 1
) -> Iterator[tuple[str, list[tuple[str, dict[str, Any]]]]]:
    """Distinct states as (model, entries of a log)."""
    from faultfinder.inference.loading import load_model
    from faultfinder.model.parts import Kind
    from tests.drawn_machines import draw_machines

    rng = np.random.default_rng(seed)
    seen: set[str] = set()
    models = [load_model(MODELS / f"{name}.yaml") for name in FAMILIES]
    # Twice as many machines as are wanted: some states come up again.
    machines = [iter(draw_machines(one, 2 * count // len(models) + 2, rng)) for one in models]
    while len(seen) < count:
        place = len(seen)
        compiled = models[place % len(models)]
        model, network = compiled.model, compiled.network
        stopping = {rule.finding for rule in model.stop_rules}
        asked = [v.name for v in model.of_kind(Kind.FINDING) if v.name not in stopping]
        asked += [v.name for v in model.of_kind(Kind.HISTORY)]
        machine = next(machines[place % len(models)])
        entries: list[tuple[str, dict[str, Any]]] = []
        for one in rng.choice(asked, int(rng.integers(0, 6)), replace=False).tolist():
            number = network.index[one]
            told = network.states[number][int(machine[number])] if rng.random() < 0.9 else None
            entries.append(("found", {"finding": one, "result": told}))
        if place // len(models) % 4 == 0:
            repair = model.repairs[int(rng.integers(len(model.repairs)))]
            entries.append(("tried", {"repair": repair.name, "stage": model.start}))
        if place // len(models) % 2:
            entries.append(("moved", {"stage": str(rng.choice([s.name for s in model.stages]))}))
        state = json.dumps([model.name, entries])
        if state not in seen:
            seen.add(state)
            yield FAMILIES[place % len(models)], entries


def drawn_lines(count: int) -> Iterator[str]:
    """The same as tickets in lines."""
    for place, (model, entries) in enumerate(drawn_states(count)):
        every = [("intake", {"model": model}), *entries]
        events = [
            {"number": n, "kind": kind, "at": AT, "who": WHO, "data": data, "texts": {}}
            for n, (kind, data) in enumerate(every, 1)
        ]
        yield _line(f"invented:s{place}", model, events)


def demo_lines(count: int) -> Iterator[str]:
    """The demo tickets without their end, repeated."""
    demo = [json.loads(line) for line in DEMO.read_text(encoding="ascii").splitlines()]
    for number in range(count):
        ticket = demo[number % len(demo)]
        events = [one for one in ticket["events"] if one["kind"] != "closed"]
        yield _line(f"invented:d{number}", ticket["model"], events)


def _line(key: str, model: str, events: list[dict[str, Any]]) -> str:
    ticket = {"faultfinder_ticket": 1, "key": key, "model": model, "first_ticket": None}
    return json.dumps({**ticket, "events": events}) + "\n"


@dataclass(frozen=True)
class Took:
    """Seconds of wall clock and of processors, and the most megabytes of one process."""

    wall: float
    cpu: float
    memory: float


def took(words: list[str]) -> Took:
    begin = time.perf_counter()
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    if status != 0:
        raise SystemExit(f"{' '.join(words)} ended with {status}.")
    wall = time.perf_counter() - begin
    return Took(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def one_by_one(place: str) -> float:
    """Processor seconds of the plain way: every open ticket consulted on its own."""
    from faultfinder.cli.on_ticket import case_of
    from faultfinder.consultation.consult import consult
    from faultfinder.consultation.triage import minutes_to_decision
    from faultfinder.report.consultation.view import View
    from faultfinder.report.ticket.standing import standing_of
    from faultfinder.tickets.opening import open_store

    store = open_store(place, False)
    begin = time.process_time()
    for ticket in store.open_tickets():
        told = consult(case_of(store, ticket))
        standing_of(View(told))
        if not told.stop:
            minutes_to_decision(told)
    taken = time.process_time() - begin
    store.close()
    return taken


def apart(work: Callable[..., Any], *given: Any) -> Any:
    """What a function gives, in a process of its own: what is started later counts what this
    process holds as its own."""
    with multiprocessing.get_context("fork").Pool(1) as pool:
        return pool.apply(work, given)


def written(file: Path, lines: Callable[[int], Iterator[str]], count: int) -> None:
    with open(file, "w", encoding="ascii") as stream:
        stream.writelines(lines(count))


def report(label: str, found: list[Took], base: float) -> None:
    wall, cpu = (statistics.median(getattr(f, of) for f in found) for of in ("wall", "cpu"))
    most = max(one.memory for one in found)
    print(f"{label:44}{cpu:7.2f} s{wall:7.2f} s{most:6.0f} MB{cpu / base:8.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--states", type=int, default=300)
    parser.add_argument("--tickets", type=int, default=100_000)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryDirectory() as name:
        _measured(Path(name), options.states, options.tickets, options.runs)


def _measured(folder: Path, states: int, tickets: int, runs: int) -> None:
    cache = folder / "cache"
    os.environ["FAULTFINDER_CACHE"] = str(cache)
    lots: list[tuple[str, int, Callable[[int], Iterator[str]], Path]] = [
        ("distinct states", states, drawn_lines, MODELS),
        ("demo tickets", tickets, demo_lines, MODELS.parent / "tests" / "models_before"),
    ]
    print(f"{'':44}{'processor':>9}{'wall':>9}{'memory':>9}{'ratio':>8}")
    for label, count, lines, models in lots:
        if not count:
            continue
        os.environ["FAULTFINDER_MODELS"] = str(models)
        file, place = folder / "lines.jsonl", str(folder / f"{label.replace(' ', '_')}.db")
        apart(written, file, lines, count)
        took([*TOOL, "import", str(file), "--db", place])
        triage = [*TOOL, "triage", "--db", place]
        base, new, known, plain = list[Took](), list[Took](), list[Took](), list[float]()
        # The first run compiles the models.
        took(triage)
        for _ in range(runs):
            for kept in cache.glob("standings-*"):
                kept.unlink()
            base.append(took(IMPORTS))
            new.append(took(triage))
            known.append(took(triage))
            if lines is drawn_lines:
                plain.append(apart(one_by_one, place))
        unit = statistics.median(one.cpu for one in base)
        report("import numpy, click, yaml", base, unit)
        report(f"triage, {count:,} {label}, none known", new, unit)
        report(f"triage, {count:,} {label}, all known", known, unit)
        if plain:
            way = statistics.median(plain)
            ours = statistics.median(one.cpu for one in new)
            print(f"{'one by one in one process':44}{way:7.2f} s{'':24}{way / unit:8.1f}")
            print(f"{'one by one over triage, none known':44}{way / ours:41.2f}")


if __name__ == "__main__":
    main()
