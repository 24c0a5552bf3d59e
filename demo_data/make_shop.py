# INVENTED: the shop, its people, machines and tickets are all made up by this script.
"""Make the tickets of `demo_data/shop`: 18 months of an invented shop, with a known hidden truth.

    python -m demo_data.make_shop

What is hidden in them: base rates other than the file's (`RATES`); from month 13 on worn cables
come three times as often (`DRIFT`); one technician misreads the torch look (`MISREAD`); checks and
repairs take other minutes than the file says and parts cost more (`MINUTES`, `PRICES`). In month 13
another file is shipped, in which a cause has another name; tickets use the name of their time.
Machines are drawn from the truth; which checks are made does not depend on what is hidden.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import FaultModel, Repair, Row, Table
from tests.drawn_machines import draw_machines

SHOP = Path(__file__).resolve().parent / "shop"
FIRST, UPGRADE = (SHOP / name / "invented_portable.yaml" for name in ("first", "upgrade"))
FILES = SHOP / "months_1_to_12.jsonl", SHOP / "months_13_to_18.jsonl"

SEED, COUNTS = 20261127, (240, 130)
BEGIN = datetime(2025, 5, 5, 8, tzinfo=UTC)
MONTHS = (12, 6)
RATES = {"plug_loose": 1.8, "light_dead": 0.4, "board_faulty": 0.5, "memory_loose": 1.8}
DRIFT = {"lid_cable": 3.0}
RENAMED = {"lid_cable": "hinge_cable"}
MINUTES = {"look_light": 1.0, "look_image": 1.0, "look_glass": 1.0, "press_keys": 1.0,
           "other_screen": 2.0, "torch_look": 1.0, "move_lid": 1.0, "look_plug": 1.0,
           "look_cable": 1.0, "measure_light": 1.5, "replace_panel": 1.6}  # fmt: skip
"""How many times the file's minutes what is named here takes; all else takes the file's."""
STEP = 3.0
"""Minutes that every step takes besides."""
PRICES = {"replace_panel": 1.3}
MISREADER, MISREAD_FINDING, MISREAD = "invented rolf", "torch", 0.35
STAFF = ("invented rolf", "invented sue", "invented tom")
DESK = "invented uma"
WRITTEN, NO_LABEL, PAUSE, COMEBACK = 0.85, 0.1, 0.1, 0.02
"""Chances: that a result is written down, that no cause is confirmed, that a step holds a pause,
that a cure does not last."""

Json = dict[str, Any]


@dataclass(frozen=True)
class Truth:
    """What really was so on one ticket."""

    key: str
    cause: str
    who: str
    misread: bool
    again: bool


def true_model(model: FaultModel, drifted: bool) -> CompiledModel:
    """The model with the shop's hidden base rates, in the first year or after."""
    factors = {**RATES, **(DRIFT if drifted else {})}
    variables = []
    for one in model.variables:
        if one.name in factors:
            assert isinstance(one.distribution, Table)
            chance = one.distribution.rows[0].gives[1] * factors[one.name]
            table = Table((), (Row({}, (1.0 - chance, chance)),))
            one = replace(one, distribution=table)
        variables.append(one)
    return compile_model(replace(model, variables=tuple(variables), digest=""))


class Job:
    """One ticket as it is worked on."""

    def __init__(self, model: CompiledModel, at: datetime, who: str, rng: np.random.Generator):
        self.model, self.now, self.who, self.rng = model, at, who, rng
        self.events: list[Json] = []
        self.stage = model.model.start
        self.minutes, self.parts = 0.0, 0.0

    def write(self, kind: str, data: Json, who: str = "", **texts: str) -> None:
        at = self.now.strftime("%Y-%m-%dT%H:%M:%SZ")
        event: Json = {"number": len(self.events) + 1, "kind": kind, "at": at,
                       "who": who or self.who, "data": data}  # fmt: skip
        if texts:
            event["texts"] = {name: f"Invented: {text}" for name, text in texts.items()}
        self.events.append(event)

    def spend(self, minutes: float) -> None:
        """Time that a step takes, now and then with a pause in it."""
        spent = (STEP + minutes) * float(np.exp(self.rng.normal(0.0, 0.25)))
        self.minutes += spent
        if self.rng.random() < PAUSE:
            spent += float(self.rng.uniform(20.0, 60.0))
        self.now += timedelta(seconds=round(60.0 * spent))

    def go(self, stage: str) -> None:
        if stage != self.stage:
            self.spend(self.model.routes[self.stage, stage].minutes)
            self.write("moved", {"stage": stage})
            self.stage = stage

    def look(self, name: str, result: str) -> None:
        check = self.model.model.checks_by_name[name]
        self.go(check.stage)
        self.spend(check.minutes * MINUTES.get(name, 1.0))
        if self.rng.random() < WRITTEN:
            self.write("found", {"finding": check.observes[0], "result": result})

    def close(self, outcome: str, causes: Sequence[str]) -> None:
        """Closed at the desk with the bill: the work at the shop's rate and the parts, to the
        euro."""
        data = {"outcome": outcome, "causes": [*causes]}
        billed = float(round(Shop().cost(self.minutes, self.parts)))
        self.write("closed", {**data, "billed": billed}, DESK)

    def repair(self, repair: Repair, cures: bool) -> None:
        if repair.part.likely:
            price = repair.part.likely * PRICES.get(repair.name, 1.0)
            price = round(price * float(np.exp(self.rng.normal(0.0, 0.08))), 2)
            self.write(
                "ordered", {"repair": repair.name, "price": price}, part=repair.title.lower()
            )
            self.parts += price
            days = int(repair.lead_days)
            self.now = (self.now + timedelta(days=days)).replace(hour=9, minute=0, second=0)
            order = len(self.events)
            self.write("arrived", {"order": order}, DESK)
        if repair.hand_over:
            self.stage = "closed"
        else:
            self.go(repair.stage)
            minutes = repair.minutes * MINUTES.get(repair.name, 1.0)
            retest = self.model.model.retest
            self.spend(minutes + (retest.minutes if retest is not None else 0.0))
        data = {"repair": repair.name, "stage": self.stage}
        self.write("repaired" if cures else "tried", data)


def make(seed: int = SEED) -> tuple[tuple[list[Json], list[Json]], list[Truth]]:
    """The tickets of both times, the oldest first, and the truth behind each."""
    rng = np.random.default_rng(seed)
    base = load_model(FIRST)
    truths: list[Truth] = []
    parts: tuple[list[Json], list[Json]] = ([], [])
    begin = BEGIN
    lately: list[tuple[str, str, datetime]] = []
    for place, (count, months) in enumerate(zip(COUNTS, MONTHS, strict=True)):
        truth = true_model(base.model, drifted=place > 0)
        names = RENAMED if place else {}
        machines = draw_machines(truth, count, rng)
        days = np.sort(rng.integers(0, round(months * 30.4) - 12, count))
        for row, day in zip(machines, days.tolist(), strict=True):
            at = begin + timedelta(days=int(day), minutes=int(rng.integers(0, 400)))
            network = truth.network
            machine = {n: network.states[i][int(row[i])] for i, n in enumerate(network.names)}
            first = None
            old = [one for one in lately if timedelta(days=5) < at - one[2] < timedelta(days=60)]
            if old and rng.random() < COMEBACK:
                first, again, _ = old[int(rng.integers(len(old)))]
                # What did not last: a machine with that cause again.
                alone = machines[:, list(truth.causes)].sum(axis=1) == 1
                same = np.flatnonzero(alone & (machines[:, network.index[again]] > 0)).tolist()
                if same:
                    chosen = machines[same[int(rng.integers(len(same)))]]
                    machine = {n: network.states[i][int(chosen[i])]
                               for i, n in enumerate(network.names)}  # fmt: skip
            key = f"invented-shop:{len(truths) + 1:04d}"
            who = STAFF[int(rng.integers(len(STAFF)))]
            job = Job(truth, at, who, rng)
            causes = [truth.network.names[c] for c in truth.causes
                      if machine[truth.network.names[c]] != "no"]  # fmt: skip
            misread = _work(job, machine, causes, names, rng)
            parts[place].append({"faultfinder_ticket": 1, "key": key, "model": base.model.name,
                                 "first_ticket": first, "events": job.events})  # fmt: skip
            truths.append(Truth(key, causes[0], who, misread, first is not None))
            if job.events[-1]["data"].get("outcome") == "repaired":
                lately.append((key, causes[0], job.now))
        begin += timedelta(days=round(months * 30.4))
    return parts, truths


def _work(
    job: Job,
    machine: dict[str, str],
    causes: list[str],
    names: dict[str, str],
    rng: np.random.Generator,
) -> bool:
    """Take in, look, repair and close; returns whether something was misread."""
    model = job.model.model
    job.write("intake", {"model": model.name}, DESK, complaint="no picture.")
    job.now += timedelta(minutes=int(rng.integers(15, 120)))
    misread = False
    checks = [check for check in model.checks if rng.random() < 0.65]
    for check in sorted(checks, key=lambda one: one.stage != model.start):
        result = machine[check.observes[0]]
        if (job.who, check.observes[0]) == (MISREADER, MISREAD_FINDING) and rng.random() < MISREAD:
            misread = True
            result = next(s for s in model.by_name[MISREAD_FINDING].states if s != result)
        job.look(check.name, result)
    if rng.random() < NO_LABEL:
        job.close("customer declined", [])
        return misread
    for place, cause in enumerate(causes):
        ways = sorted(
            (r for r in model.repairs if max(r.mends.get(cause, {"": 0.0}).values()) >= 0.5),
            key=lambda r: r.part.likely + r.minutes,
        )
        for turn, repair in enumerate(ways):
            chance = max(repair.mends[cause].values())
            cures = turn == len(ways) - 1 or rng.random() < chance
            job.repair(repair, cures and place == len(causes) - 1)
            if cures:
                break
    job.now += timedelta(minutes=int(rng.integers(20, 60)))
    job.close("repaired", [names.get(cause, cause) for cause in causes])
    return misread


def as_lines(tickets: list[Json]) -> bytes:
    """One ticket a line, ASCII JSON."""
    lines = (json.dumps(t, ensure_ascii=True, separators=(",", ":")) for t in tickets)
    return "".join(f"{line}\n" for line in lines).encode("ascii")


def main() -> None:
    parts, truths = make()
    for file, tickets in zip(FILES, parts, strict=True):
        file.write_bytes(as_lines(tickets))
        print(f"{file.name}: {len(tickets)} invented tickets.")
    print(f"Misread: {sum(t.misread for t in truths)}. Comebacks: {sum(t.again for t in truths)}.")


if __name__ == "__main__":
    main()
