"""How long an answer in ask mode takes until the next question is on the screen, and a plan.

    python -m tests.benchmarks.bench_answers [--answers 60] [--machines 4]

Machines are drawn from the families that come along; every question is answered as the drawn
machine shows it, at the counter and on at the bench. Between two answers the session is what the
command runs, without the terminal's own drawing. Plans are whole processes, run in turn with
`import numpy, click, yaml`. Prints processor time, medians and what nine in ten keep within, and
ratios to that import in the same run; judges nothing.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from faultfinder.cli.asking import Place, Session
from faultfinder.consultation.case import Case
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import FaultModel
from tests import MODELS
from tests.benchmarks.bench_triage import FAMILIES, IMPORTS, TOOL, took
from tests.drawn_machines import draw_machines


@dataclass
class Answering:
    """A screen whose typist answers at once, as a machine shows it: seconds from each answer to
    the next question, apart for the counter and the bench."""

    compiled: CompiledModel
    machine: dict[str, str]
    most: int
    session: Session | None = None
    waited: list[tuple[bool, float]] = field(default_factory=list)
    _since: float = 0.0
    keyed = False

    def say(self, *pieces: str) -> None:
        """Nothing is drawn."""

    show = end = say

    def look_in(self, model: FaultModel) -> None:
        """Nothing is searched."""

    def read(self, prompt: str, choices: int = 0, keys: str = "") -> str:
        now = time.process_time()
        assert self.session is not None
        place = self.session.place
        if self._since:
            self.waited.append((place.at_bench, now - self._since))
        answer = "done" if len(self.waited) >= self.most else self._answer(prompt, place)
        self._since = time.process_time()
        return answer

    def _answer(self, prompt: str, place: Place) -> str:
        if prompt.startswith("Go on at the bench?"):
            return ""
        check = self.compiled.model.checks_by_name[place.check]
        left = [name for name in check.observes if name not in place.case.latest]
        name = place.wanted if place.wanted in left else left[0]
        states = self.compiled.model.by_name[name].states
        return str(states.index(self.machine[name]) + 1)


def waits(name: str, machines: int, most: int, seed: int) -> list[tuple[bool, float]]:
    """The waits of some sessions on machines of a family."""
    compiled = load_model(MODELS / f"{name}.yaml")
    network, found = compiled.network, list[tuple[bool, float]]()
    for machine in draw_machines(compiled, machines, np.random.default_rng(seed)):
        shows = {
            one: network.states[n][int(machine[n])]
            for n, one in enumerate(network.names[: network.own])
        }
        screen = Answering(compiled, shows, most)
        screen.session = Session(Place(Case(compiled)), screen)
        screen.session.run()
        found += screen.waited
    return found


def processes(command: Sequence[str], runs: int) -> tuple[float, float]:
    """Median processor seconds of a command and of the imports, in turn."""
    found = [(took([*TOOL, *command]).cpu, took(IMPORTS).cpu) for _ in range(runs + 1)][1:]
    return statistics.median(one for one, _ in found), statistics.median(one for _, one in found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--answers", type=int, default=60, help="at most, for each machine")
    parser.add_argument("--machines", type=int, default=4, help="of each family")
    parser.add_argument("--runs", type=int, default=3, help="of each plan")
    options = parser.parse_args()
    os.environ["FAULTFINDER_MODELS"] = str(MODELS)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    for seed, name in enumerate(FAMILIES):
        found = waits(name, options.machines, options.answers, seed)
        words = ["plan", "-m", name, "-s", "screen_light=dark"]
        plan, unit = processes(words, options.runs)
        for at_bench in (False, True):
            some = [taken for bench, taken in found if bench == at_bench]
            if not some:
                continue
            middle, long = statistics.median(some), float(np.quantile(some, 0.9))
            where = "bench" if at_bench else "counter"
            print(
                f"{name:18}{where:9}{len(some):4} answers: median {middle * 1000:4.0f} ms "
                f"({middle / unit:.2f}), nine in ten within {long * 1000:4.0f} ({long / unit:.2f})"
            )
        print(f"{name:18}plan, a process: {plan:.2f} s ({plan / unit:.1f})")


if __name__ == "__main__":
    main()
