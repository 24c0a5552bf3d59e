# INVENTED: the shop, its people, machines, complaints and tickets are all made up by this script.
"""Make `invented_tickets.jsonl`: the tickets of an invented shop, with a known hidden truth.

    python -m demo_data.make_demo

The truth differs from the model's figures as a real shop's would: other base rates (`CAUSES`), a
technician who misreads one check, results nobody wrote down, and wrong labels.
Machines are drawn from the truth; what to check next is chosen by the model's figures or by
habit, and only from what was written down, so that what is missing is missing at random
(Rubin 1976). The look at the battery is always made and always written.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from faultfinder.consultation.bench import build_problem, look_stage
from faultfinder.decide.policies.one_step import Gains, OneStep
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.model.network import Array, Ints
from faultfinder.model.parts import FaultModel, Kind, Link, NoisyMax, Repair, Table, Variable
from tests.drawn_machines import draw_machines

HERE = Path(__file__).resolve().parent
MODEL = HERE.parent / "models" / "thin_clamshell.yaml"
FILE = HERE / "invented_tickets.jsonl"

SEED, CLOSED, OPEN = 20261031, 600, 12
FIRST_DAY = datetime(2025, 5, 2, tzinfo=UTC)
LAST_INTAKE = datetime(2026, 9, 24, tzinfo=UTC)
OPEN_FROM = datetime(2026, 10, 19, tzinfo=UTC)
END = datetime(2026, 11, 1, tzinfo=UTC)

# The hidden truth: how many times as likely as the model says.
CAUSES = {"plug_board_end": 2.5, "light_supply_on_board": 0.5, "display_cable": 1.8,
          "panel_cracked": 0.5, "panel_light": 3.0, "lid_sensor": 3.0, "board_other": 0.5,
          "battery_flat": 3.0, "battery_faulty": 4.0, "settings": 3.0}  # fmt: skip

MISSING = 0.35
"""Chance that a result is not written down; a quarter of them as "could not tell"."""
WRONG_LABEL = 0.03
NO_LABEL = 0.12
"""Chance that a ticket ends without a confirmed cause, whatever the cause is."""
COMEBACK = 0.02
MISREADER, MISREAD_FINDING, MISREAD = "invented ben", "torch", 0.30

DESK = "invented dora"
ASKED = ("opened_before", "began")
"""What the desk asks of everybody."""

HABITS: Mapping[str, tuple[str, ...]] = {
    "invented ben": (
        "look_light", "torch_look", "look_image", "brightness_up", "external_monitor",
        "move_lid", "try_camera", "look_board_plug", "measure_light_fuse"),
    "invented cleo": (
        "look_image", "look_glass", "watch_power_up", "look_light", "external_monitor",
        "list_panel", "ask_sleeps", "look_liquid", "look_board_plug"),
}  # fmt: skip
STAFF = {"invented ana": 0.35, "invented ben": 0.25, "invented cleo": 0.20, "invented dan": 0.20}
"""Shares of the tickets; whoever has no habit goes by the model's ranking."""

COMPLAINTS: Mapping[str, tuple[str, ...]] = {
    "image": ("the picture is spoiled.", "lines or patches in the picture."),
    "flickers": ("the light flickers.", "the screen flickers."),
    "comes_and_goes": ("the screen goes on and off by itself.", "it goes black now and then."),
    "lit": ("lit, but there is no picture.", "the screen glows and stays empty."),
    "dim": ("so dark that hardly anything can be made out.", "the light is nearly gone."),
    "lit_then_dark": ("it lights and goes out again.", "a picture for a moment, then nothing."),
    "dark": ("nothing on the screen.", "the screen stays black.", "no picture and no light."),
}
Json = dict[str, Any]


@dataclass(frozen=True)
class Truth:
    """What really was so on one ticket: `machine` is variable -> state. `made` counts the
    results of checks and histories asked, `missing` those of them not written down."""

    key: str
    machine: Mapping[str, str]
    technician: str
    causes: tuple[str, ...]
    made: int
    missing: int
    misread: tuple[str, ...]
    wrong_label: bool
    comeback: bool


def true_model(model: FaultModel) -> FaultModel:
    """The model with the shop's hidden base rates."""
    variables = tuple(
        _scaled(v, CAUSES[v.name]) if v.name in CAUSES else v for v in model.variables
    )
    return replace(model, variables=variables)


def _scaled(variable: Variable, factor: float) -> Variable:
    def scaled(gives: Sequence[float]) -> tuple[float, ...]:
        rest = tuple(chance * factor for chance in gives[1:])
        return (1.0 - sum(rest), *rest)

    told = variable.distribution
    if isinstance(told, Table):
        rows = tuple(replace(row, gives=scaled(row.gives)) for row in told.rows)
        return replace(variable, distribution=replace(told, rows=rows))
    if not isinstance(told, NoisyMax):
        raise TypeError(f"{variable.name} is neither a base rate nor a noisy-MAX")
    links = {
        parent: {state: Link(scaled(link.gives)) for state, link in by_state.items()}
        for parent, by_state in told.links.items()
    }
    changed = replace(told, leak=Link(scaled(told.leak.gives)), links=links)
    return replace(variable, distribution=changed)


@dataclass(frozen=True, eq=False)
class Bench:
    """The model the shop goes by, and how it plans with it."""

    model: CompiledModel
    planners: dict[frozenset[tuple[str, str]], OneStep] = field(default_factory=dict)

    def planner(self, told: Mapping[str, str]) -> OneStep:
        known = frozenset(told.items())
        if known not in self.planners:
            problem = build_problem(self.model, told, at_once=1)
            self.planners[known] = OneStep(problem, Shop().worth_per_bit)
        return self.planners[known]

    def repairs_for(self, cause: str, state: str) -> list[tuple[Repair, float]]:
        """What mends it and how surely, the cheapest first."""
        found = [(r, r.mends[cause].get(state, 0.0)) for r in self.model.model.repairs
                 if cause in r.mends]  # fmt: skip
        found.sort(key=lambda pair: (pair[0].part.likely + pair[0].minutes, pair[0].name))
        return [pair for pair in found if pair[1] > 0.0]

    def complains(self, causes: Mapping[str, str]) -> bool:
        """Whether a machine with these causes shows the complaint: as soon as one is there."""
        model = self.model.model
        return any(state in model.faulty_states(cause) for cause, state in causes.items())


@dataclass
class Job:
    """One ticket as it is worked on."""

    bench: Bench
    machine: Mapping[str, str]
    who: str
    at: datetime
    rng: np.random.Generator
    events: list[Json] = field(default_factory=list)
    told: dict[str, str] = field(default_factory=dict)
    checked: set[str] = field(default_factory=set)
    misread: list[str] = field(default_factory=list)
    made: int = 0
    missing: int = 0
    stage: str = "closed"
    stopped: bool = False
    put_aside: bool = False
    opened: bool = False

    def __post_init__(self) -> None:
        self.model = self.bench.model.model
        self.causes = tuple(v.name for v in self.model.of_kind(Kind.CAUSE))

    @property
    def present(self) -> tuple[str, ...]:
        return tuple(c for c in self.causes if self.machine[c] in self.model.faulty_states(c))

    def wait(self, minutes: float = 0.0, days: float = 0.0) -> None:
        """Let time pass; work is done from 8 to 17 h, not on Sundays."""
        self.at += timedelta(minutes=round(minutes), days=days)
        if self.at.hour >= 17 or self.at.hour < 8:
            later = self.at + timedelta(days=1 if self.at.hour >= 17 else 0)
            self.at = later.replace(hour=8, minute=10 + int(self.rng.integers(40)))
        if self.at.weekday() == 6:
            self.at += timedelta(days=1)

    def write(self, kind: str, data: Json, who: str | None = None, **texts: str) -> int:
        """Append an event; returns its number."""
        event: Json = {"number": len(self.events) + 1, "kind": kind,
                       "at": self.at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                       "who": who or self.who, "data": data}  # fmt: skip
        if texts:
            event["texts"] = {name: f"Invented: {text}" for name, text in texts.items()}
        self.events.append(event)
        return len(self.events)

    def read(self, name: str, who: str | None = None, always: bool = False) -> str | None:
        """What is written down of one finding; None when it is missing."""
        result: str | None = self.machine[name]
        if not always:
            self.made += 1
            if self.rng.random() < MISSING:
                self.missing += 1
                if self.rng.random() < 0.25:
                    self.write("found", {"finding": name, "result": None}, who)
                return None
            if self.who == MISREADER and name == MISREAD_FINDING and self.rng.random() < MISREAD:
                others = [s for s in self.model.by_name[name].states if s != result]
                result = others[int(self.rng.integers(len(others)))]
                self.misread.append(name)
        self.write("found", {"finding": name, "result": result}, who)
        return result

    def take_in(self) -> None:
        """Intake and the questions of the desk; then it waits for the bench."""
        shown = self.machine["screen_light"]
        if shown == "lit" and self.machine["image"] not in ("normal", "none"):
            shown = "image"
        said = COMPLAINTS[shown]
        text = said[int(self.rng.integers(len(said)))]
        self.write("intake", {"model": self.model.name}, DESK, complaint=text)
        for finding in ASKED:
            result = self.read(finding, DESK)
            if result is not None:
                self.told[finding] = result
        self.planner = self.bench.planner(self.told)
        self.checked |= {c.name for c in self.model.checks if c.observes[0] in ASKED}
        self.problem = self.planner.problem
        self.weights: Array = self.problem.weights
        self.wait(minutes=float(self.rng.integers(20, 400)), days=float(self.rng.integers(0, 3)))

    def look_for_stop(self, finding: str) -> None:
        result = self.read(finding, always=True)
        rules = [rule for rule in self.model.stop_rules if rule.finding == finding]
        if any(result in rule.results for rule in rules):
            self.stopped = self.put_aside = True
            why = "swollen battery put aside by the local rules; trained hands take it out."
            self.write("held", {"for": "specialist"}, why=why)

    def take_up_again(self) -> None:
        """Go on with the repair once the battery was dealt with; no more is checked."""
        if self.put_aside:
            self.wait(days=2)
            self.write("resumed", {})
            self.put_aside = False

    def open_cover(self) -> None:
        """Cover off for the first time."""
        if not self.opened:
            self.opened = True
            self.go("cover_off")

    def belief(self) -> Mapping[str, float]:
        """P(cause present | written down), by the model's figures."""
        chances = self.weights @ (self.problem.scenarios != 0)
        return dict(zip(self.problem.causes, chances.tolist(), strict=True))

    @property
    def leader(self) -> str:
        return max(self.belief().items(), key=lambda pair: round(pair[1], 9))[0]

    def choose(self) -> int | None:
        """The next check: by habit, or the most bits per cost from here."""
        places = {check.name: i for i, check in enumerate(self.problem.checks)}
        if self.who in HABITS:
            open_ones = [n for n in HABITS[self.who] if n in places and n not in self.checked]
            left = [places[name] for name in open_ones]
            return left[0] if left else None
        bits = Gains(self.problem).bits(self.weights)
        here = self.problem.stages.index(self.stage)
        scores = {}
        for i, check in enumerate(self.problem.checks):
            cost = check.cost + float(self.problem.travel[here, check.stage])
            if check.name not in self.checked and bits[i] * self.planner.worth_per_bit >= cost:
                scores[i] = round(float(bits[i]) / cost, 9)
        return max(scores, key=lambda i: (scores[i], -i)) if scores else None

    def check(self) -> bool:
        """Make the next check; False when there is none or work must stop."""
        chosen = None if self.stopped else self.choose()
        if chosen is None:
            return False
        action = self.problem.checks[chosen]
        stage = self.problem.stages[action.stage]
        if stage != self.stage:
            self.open_cover()
            self.go(stage)
        self.wait(minutes=action.cost + float(self.rng.integers(0, 6)))
        self.checked.add(action.name)
        results = [self.read(name) for name in action.findings]
        states = [self.model.by_name[name].states for name in action.findings]
        joint: Array = action.likelihood.reshape([*(len(s) for s in states), -1])
        for result, names in zip(reversed(results), reversed(states), strict=True):
            axis = joint.ndim - 2
            # What is not written down is summed out.
            known = slice(None) if result is None else [names.index(result)]
            joint = joint[..., known, :].sum(axis=axis)
        joint = joint * self.weights
        self.weights = joint / joint.sum()
        return True

    def go(self, stage: str) -> None:
        if stage != self.stage:
            self.wait(minutes=self.bench.model.routes[self.stage, stage].minutes)
            self.write("moved", {"stage": stage})
            self.stage = stage

    def search(self, most: int) -> None:
        """Checks until one cause is likely enough, or `most` were made."""
        self.look_for_stop("battery")
        for made in range(most):
            if (made >= 3 and self.belief()[self.leader] > 0.85) or not self.check():
                break

    def order(self, repair: Repair) -> int:
        """Order the part of a repair; returns the entry's number."""
        price = round(float(self.rng.uniform(repair.part.low, repair.part.high)), 2)
        due = (self.at + timedelta(days=repair.lead_days)).date().isoformat()
        data = {"repair": repair.name, "price": price, "due": due}
        return self.write("ordered", data, part=repair.title.lower())

    def do(self, repair: Repair, cures: bool) -> None:
        """Approval, part or specialist where one is needed, then the repair."""
        if repair.part.likely >= Shop().dear_part:
            self.write("held", {"for": "approval"}, why="asked whether the price is all right.")
            self.wait(days=float(self.rng.integers(0, 3)), minutes=90)
            self.write("resumed", {}, DESK)
        late = float(self.rng.integers(0, 2))
        if repair.hand_over:
            self.write("held", {"for": "specialist"}, why="board work is done elsewhere.")
            self.wait(days=repair.lead_days + late)
            self.write("resumed", {})
        elif repair.lead_days:
            number = self.order(repair)
            self.wait(days=repair.lead_days + late)
            self.write("arrived", {"order": number}, DESK)
        if repair.stage != self.model.start:
            self.open_cover()
            self.take_up_again()
        self.go(repair.stage)
        self.wait(minutes=repair.minutes)
        self.stage = look_stage(self.bench.model, repair)
        data = {"repair": repair.name, "stage": self.stage}
        self.write("repaired" if cures else "tried", data)

    def prove(self, repair: Repair) -> None:
        self.wait(minutes=10)
        for test in repair.proof:
            self.write("proved", {"test": test, "passed": True})

    def mend(self) -> None:
        """Repair until the complaint is gone; what seems likely but is absent is tried first."""
        present, leader, made = self.present, self.leader, set[str]()
        if leader not in present and self.belief()[leader] > 0.5:
            state = self.model.faulty_states(leader)[0]
            repair = self.bench.repairs_for(leader, state)[0][0]
            if repair.part.likely < 30 and not any(c in repair.mends for c in present):
                self.do(repair, cures=False)
                made.add(repair.name)
                self.check()
                self.take_up_again()
        now = {cause: self.machine[cause] for cause in self.causes}
        for cause in sorted(present, key=lambda c: c != leader):
            ways = [w for w in self.bench.repairs_for(cause, now[cause]) if w[0].name not in made]
            for place, (repair, chance) in enumerate(ways):
                if place < len(ways) - 1 and self.needed_later(repair, present, now, made):
                    continue
                # The last way there is always works, or the ticket would not end.
                mends = place == len(ways) - 1 or self.rng.random() < chance
                if mends:
                    now |= {c: self.model.by_name[c].states[0] for c in repair.mends}
                cured = not self.bench.complains(now)
                self.do(repair, cured)
                made.add(repair.name)
                if cured:
                    self.prove(repair)
                    return
                if mends:
                    break
        raise AssertionError("a cause is left that no repair mends")

    def needed_later(
        self, repair: Repair, present: Sequence[str], now: Mapping[str, str], made: set[str]
    ) -> bool:
        """Whether it is all that is left for a cause that is there: it is not tried in vain."""
        for cause in present:
            if now[cause] in self.model.faulty_states(cause):
                ways = {way.name for way, _ in self.bench.repairs_for(cause, now[cause])} - made
                if ways == {repair.name}:
                    return True
        return False

    def close(self) -> bool:
        """Repair and close, or close without a cause; returns whether the label is wrong."""
        leader, unsure = self.leader, self.belief()[self.leader] < 0.5
        self.take_up_again()
        if self.rng.random() < NO_LABEL:
            dear = self.bench.repairs_for(leader, self.model.faulty_states(leader)[0])[0][0]
            ends = ["not established"] if unsure else ["customer declined"]
            if dear.part.likely >= Shop().dear_part:
                ends.append("uneconomic")
            self.wait(days=1)
            outcome = ends[int(self.rng.integers(len(ends)))]
            self.write("closed", {"outcome": outcome, "causes": []}, DESK)
            return False
        causes, wrong = list(self.present), bool(self.rng.random() < WRONG_LABEL)
        if wrong:
            # Taken for what it is not: one of the likelier causes that are not there.
            believed = {c: p for c, p in self.belief().items() if c not in causes}
            shares = np.array(list(believed.values())) + 1e-6
            causes = [str(self.rng.choice(list(believed), p=shares / shares.sum()))]
            state = self.model.faulty_states(causes[0])[0]
            repair = self.bench.repairs_for(causes[0], state)[-1][0]
            self.do(repair, cures=True)
            self.prove(repair)
        else:
            self.mend()
        self.wait(minutes=float(self.rng.integers(20, 200)))
        self.write("closed", {"outcome": "repaired", "causes": causes}, DESK)
        return wrong

    def leave_open(self, situation: str) -> None:
        """Stop in the middle of the work."""
        if situation == "fresh":
            return
        self.search(int(self.rng.integers(3, 6)))
        repair = self.bench.repairs_for(self.present[0], self.machine[self.present[0]])[0][0]
        repairs = self.model.repairs_by_name
        match situation:
            case "customer":
                self.write("held", {"for": "customer"}, why="asked when exactly it began.")
            case "approval":
                self.write("held", {"for": "approval"}, why="price of a new part put to them.")
            case "specialist":
                self.write("held", {"for": "specialist"}, why="board sent out to be measured.")
            case "part":
                self.order(repairs["replace_panel"])
            case "repaired":
                self.do(repair, cures=True)
            case "tried":
                idle = "drain_power" if "hung_controller" not in self.present else "reseat_sensor"
                self.do(repairs[idle], cures=False)
                self.check()
            case "hand-over":
                note = "looked at from outside so far; next the plugs, battery isolated first."
                self.write("note", {"hand_over": True}, note=note)
            case _:
                pass


OPEN_SITUATIONS = ("fresh", "fresh", "found", "found", "customer", "part", "repaired", "tried",
                   "bulging", "hand-over", "approval", "specialist")  # fmt: skip

OPEN_CAUSE = {"part": ("panel_cracked", "broken"), "approval": ("panel_cracked", "broken"),
              "repaired": ("plug_board_end", "off_since_work"),
              "hand-over": ("plug_board_end", "loose"),
              "specialist": ("light_supply_on_board", "dark")}  # fmt: skip
"""What ails the machines of some open tickets, so that the situation makes sense."""


@cache
def models() -> tuple[CompiledModel, CompiledModel]:
    """The model the shop goes by, and the hidden truth."""
    model = load_model(MODEL)
    return model, compile_model(true_model(model.model))


def make(
    seed: int = SEED, closed: int = CLOSED, still_open: int = OPEN
) -> tuple[list[Json], list[Truth]]:
    """Tickets by day of intake as JSON values, and the truth behind each.

    `closed` tickets come first, then `still_open` ones.
    """
    model, truth = models()
    bench, rng = Bench(model), np.random.default_rng(seed)
    network = truth.network

    def named(row: Ints) -> dict[str, str]:
        return {n: network.states[i][int(row[i])] for i, n in enumerate(network.names)}

    def drawn(count: int, **findings: str) -> list[dict[str, str]]:
        return [named(row) for row in draw_machines(truth, count, rng, findings)] if count else []

    machines = drawn(closed)
    again = drawn(4 * closed, opened_before="yes")
    tickets: list[Json] = []
    truths: list[Truth] = []

    def add(
        machine: Mapping[str, str], at: datetime, first: str | None, work: Callable[[Job], bool]
    ) -> None:
        number = len(tickets) + 1
        own = np.random.default_rng([seed, number])
        who = str(own.choice(list(STAFF), p=list(STAFF.values())))
        job = Job(bench, machine, who, at, own)
        job.take_in()
        wrong = work(job)
        if job.at >= END:
            raise AssertionError(f"ticket {number} passes the end of the period")
        key = f"invented:{number:04d}"
        tickets.append({"faultfinder_ticket": 1, "key": key, "model": model.model.name,
                        "first_ticket": first, "events": job.events})  # fmt: skip
        truths.append(Truth(key, machine, who, job.present, job.made, job.missing,
                            tuple(job.misread), wrong, first is not None))  # fmt: skip

    def finish(job: Job) -> bool:
        job.search(int(job.rng.integers(3, 10)))
        return job.close()

    for machine, at in zip(machines, _days(rng, closed, FIRST_DAY, LAST_INTAKE), strict=True):
        first = None
        if rng.random() < COMEBACK:
            first, machine = _comeback(tickets, truths, at, again, rng) or (None, machine)
        add(machine, at, first, finish)
    situations = [OPEN_SITUATIONS[i % len(OPEN_SITUATIONS)] for i in range(still_open)]
    flat = drawn(100 * still_open, battery="flat_shaped")
    bulging = drawn(situations.count("bulging"), battery="swollen")
    latest = END - timedelta(days=4)
    for situation, at in zip(situations, _days(rng, still_open, OPEN_FROM, latest), strict=True):
        cause = OPEN_CAUSE.get(situation)
        pool = bulging if situation == "bulging" else flat
        fits = [i for i, m in enumerate(pool) if cause is None or m[cause[0]] == cause[1]]
        machine = pool.pop(fits[0])

        def leave(job: Job, situation: str = situation) -> bool:
            job.leave_open(situation)
            return False

        add(machine, at, None, leave)
    return tickets, truths


def _days(rng: np.random.Generator, count: int, first: datetime, last: datetime) -> list[datetime]:
    """Times of intake in ascending order, in shop hours."""
    days = [first + timedelta(days=int(d)) for d in rng.integers(0, (last - first).days, count)]
    # Closed on Sundays: the machine comes on Monday.
    days = [day + timedelta(days=1) if day.weekday() == 6 else day for day in days]
    minutes = rng.integers(8 * 60 + 10, 16 * 60 + 30, count).tolist()
    return sorted(day + timedelta(minutes=m) for day, m in zip(days, minutes, strict=True))


def _comeback(
    tickets: Sequence[Json],
    truths: Sequence[Truth],
    at: datetime,
    again: list[dict[str, str]],
    rng: np.random.Generator,
) -> tuple[str, dict[str, str]] | None:
    """An earlier repaired ticket, and its machine with a fault anew; None without one."""
    since, until = ((at - timedelta(days=d)).strftime("%Y-%m-%dT%H:%M:%SZ") for d in (80, 3))
    last = [(ticket["events"][-1], truth) for ticket, truth in zip(tickets, truths, strict=True)]
    fit = [truth for event, truth in last
           if since < event["at"] < until and event["data"]["outcome"] == "repaired"]  # fmt: skip
    if not fit:
        return None
    before = fit[int(rng.integers(len(fit)))]
    return before.key, again[int(rng.integers(len(again)))]


def as_lines(tickets: Sequence[Json]) -> bytes:
    """One ticket a line, ASCII JSON."""
    lines = (json.dumps(t, ensure_ascii=True, separators=(",", ":")) for t in tickets)
    return "".join(f"{line}\n" for line in lines).encode("ascii")


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the invented tickets.")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--closed", type=int, default=CLOSED)
    parser.add_argument("--open", type=int, default=OPEN, dest="still_open")
    parser.add_argument("--to", type=Path, default=FILE)
    told = parser.parse_args()
    tickets, truths = make(told.seed, told.closed, told.still_open)
    told.to.write_bytes(as_lines(tickets))
    made, missing = sum(t.made for t in truths), sum(t.missing for t in truths)
    print(f"{told.to}: {len(tickets)} invented tickets.")
    print(f"Results missing: {missing} of {made}.")
    print(f"Wrong labels: {sum(t.wrong_label for t in truths)}.")
    print(f"Misread: {sum(len(t.misread) for t in truths)}.")
    print(f"Comebacks: {sum(t.comeback for t in truths)}.")


if __name__ == "__main__":
    main()
