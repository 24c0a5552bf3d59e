"""Minutes, prices and cures learnt from logs: against logs made with known ones. All invented."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from faultfinder.decide.shop import Shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model, read_kept
from faultfinder.learning.bench.figures import Spot, bench_values, with_values
from faultfinder.learning.bench.learn import (
    MISSED_WORTH,
    REPAIR_WORTH,
    BenchLearnt,
    learn_bench,
)
from faultfinder.learning.bench.robust import _Posterior, factors
from faultfinder.learning.proposing import keep_proposal
from faultfinder.learning.versions import Evidence, Line
from faultfinder.tickets.events import (
    Closed,
    Entry,
    Event,
    Found,
    Intake,
    Moved,
    Ordered,
    Repaired,
    Tried,
)
from faultfinder.tickets.shelf import FolderShelf
from faultfinder.tickets.ticket import Ticket, fold
from tests.small_shop import small_shop

AT = "2026-01-01T00:00:00Z"


def test_known_factors_lie_in_their_intervals_though_one_time_in_seven_is_a_pause() -> None:
    """40 runs: 90 % intervals hold at least 85 % of the factors that were put in."""
    inside = total = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        sizes = rng.uniform(0.5, 20.0, 12)
        truth = np.exp(rng.normal(0.0, 0.5, 12))
        parts = [list(rng.choice(12, size=rng.integers(1, 4), replace=False)) for _ in range(300)]
        times = np.array([sum(sizes[at] * truth[at] for at in one) for one in parts])
        times *= np.exp(rng.normal(0.0, 0.3, 300))
        pause = rng.random(300) < 1 / 7
        times[pause] += rng.uniform(60.0, 300.0, int(pause.sum()))
        told = factors(times, parts, sizes, range(12))
        inside += int(((told.low <= np.log(truth)) & (np.log(truth) <= told.high)).sum())
        total += 12
    assert 0.85 <= inside / total <= 0.97


def test_what_was_never_measured_stays_and_what_was_seen_once_stays_near() -> None:
    told = factors(np.array([30.0] * 50 + [30.0]), [[0]] * 50 + [[1]], np.array([10.0, 10.0, 5.0]),
                   range(3))  # fmt: skip
    assert told.log[0] == pytest.approx(math.log(3.0), abs=0.02)
    assert 0.0 < told.log[1] <= told.log[0] + 1e-9
    wide = told.high - told.low
    assert wide[0] < wide[1] < wide[2]
    assert told.log[2] == 0.0


# Logs with known minutes


def logged(compiled: CompiledModel, truth: CompiledModel, count: int, seed: int) -> list[Ticket]:
    """Tickets of a bench whose minutes are those of `truth`: moves and checks in any order, a
    pause in one step of seven, and a repair."""
    rng = np.random.default_rng(seed)
    model = truth.model
    checks = [c for c in model.checks if c.observes != ("knock",)]
    tickets = []
    for number in range(1, count + 1):
        now = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(days=int(rng.integers(300)))
        events: list[Event] = []

        def write(
            who: str,
            entry: Entry,
            minutes: float = 0.0,
            rest: bool = False,
            events: list[Event] = events,
        ) -> None:
            nonlocal now
            spent = minutes * math.exp(rng.normal(0.0, 0.25))
            spent += rng.uniform(30.0, 90.0) if rest else 0.0
            now += timedelta(minutes=spent)
            at = now.strftime("%Y-%m-%dT%H:%M:%SZ")
            events.append(Event(len(events) + 1, at, who, entry))

        write("desk", Intake(model.name))
        here = model.start
        for check in rng.permutation(np.array(checks, dtype=object)).tolist():
            if (here, check.stage) not in truth.routes:
                continue
            way = truth.routes[here, check.stage]
            rest = bool(rng.random() < 1 / 7)
            if way.moves and rng.random() < 0.5:
                write("ann", Moved(check.stage), 2.0 + way.minutes)
                write("ann", Found(check.observes[0], None), 2.0 + check.minutes, rest)
            else:
                minutes = 2.0 + way.minutes + check.minutes
                write("ann", Found(check.observes[0], None), minutes, rest)
            here = check.stage
        repair = model.repairs_by_name["reseat"]
        minutes = truth.routes[here, repair.stage].minutes + repair.minutes
        minutes += truth.routes[repair.stage, "isolated"].minutes
        minutes += model.retest.minutes if model.retest else 0.0
        write("ann", Repaired("reseat", "isolated"), 2.0 + minutes)
        write("ann", Closed("repaired", ("plug",)))
        tickets.append(fold(number, events))
    return tickets


def shop_with(factor: dict[Spot, float]) -> CompiledModel:
    model = small_shop()
    told = {spot: {"": bench_values(model)[spot][""] * times} for spot, times in factor.items()}
    return compile_model(with_values(model, told))


def minutes_of(learnt: BenchLearnt) -> dict[Spot, tuple[float, float, float]]:
    return {
        one.spot: (one.after[""], one.low[""], one.high[""])
        for one in learnt.figures
        if one.spot[-1] == "minutes"
    }


def test_minutes_put_into_logs_are_recovered_within_their_intervals() -> None:
    """Ten benches of 80 tickets, factors of sd 0.5; by 90 % intervals."""
    compiled = compile_model(small_shop())
    inside = total = 0
    near: list[float] = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        spots = [spot for spot in bench_values(small_shop()) if spot[-1] == "minutes"]
        truth = shop_with({spot: math.exp(rng.normal(0.0, 0.5)) for spot in spots})
        tickets = logged(compiled, truth, 80, seed)
        told = minutes_of(learn_bench(tickets, compiled, Shop(handling_minutes=3.0)))
        was, real = bench_values(compiled.model), bench_values(truth.model)
        for spot, (after, low, high) in told.items():
            inside += low <= real[spot][""] <= high
            total += 1
            error = [abs(math.log(value / real[spot][""])) for value in (after, was[spot][""])]
            near.append(error[0] - error[1])
    assert total >= 60
    assert 0.84 <= inside / total <= 0.96
    assert float(np.mean(near)) < -0.1


# Prices, cures, missed faults


def job(number: int, *entries: Entry, causes: Sequence[str] = ("plug",), day: int = 1,
        first: int | None = None) -> Ticket:  # fmt: skip
    rows: list[Entry] = [Intake("small_shop"), *entries, Closed("repaired", tuple(causes))]
    begun = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(days=day)
    events = [
        Event(n, (begun + timedelta(minutes=n)).strftime("%Y-%m-%dT%H:%M:%SZ"), "ann", entry)
        for n, entry in enumerate(rows, 1)
    ]
    return fold(number, events, first_ticket=first)


def told_of(learnt: BenchLearnt, *spot: str) -> tuple[float, float, float, float]:
    one = next(one for one in learnt.figures if one.spot == spot)
    key = "likely" if "part" in spot else next(iter(one.after))
    return one.after[key], one.low[key], one.high[key], one.count


def test_a_price_paid_often_takes_the_place_of_the_files_and_one_slip_does_not() -> None:
    compiled = compile_model(small_shop())
    likely = compiled.model.repairs_by_name["new_lid"].part.likely
    paid = [1.5 * likely] * 12 + [1.48 * likely] * 6 + [1.53 * likely] * 6 + [100.0 * likely]
    tickets = [
        job(n, Ordered("lid", "new_lid", price), Repaired("new_lid", "isolated"))
        for n, price in enumerate(paid, 1)
    ]
    after, low, high, count = told_of(learn_bench(tickets, compiled, Shop()), "repairs", "new_lid",
                                      "part")  # fmt: skip
    assert low < after < high
    assert after == pytest.approx(1.5 * likely, rel=0.02)
    assert 20 <= count <= 24


def test_a_cure_is_counted_where_one_cause_alone_was_confirmed() -> None:
    model = small_shop()
    compiled = compile_model(model)
    before = model.repairs_by_name["reseat"].mends["plug"]
    made = Repaired("reseat", "isolated")
    other = model.repairs_by_name["board_work"].name
    tickets = [
        *(job(n, made) for n in range(1, 6)),
        *(job(n, Tried("reseat", "isolated"), Repaired(other, "isolated")) for n in range(6, 9)),
        job(9, made, causes=("plug", "board")),  # which one the look speaks of is not known
        job(10, made, causes=("strip",)),  # it mends none of that
    ]
    one = next(
        f for f in learn_bench(tickets, compiled, Shop()).figures
        if f.spot == ("repairs", "reseat", "mends", "plug")
    )  # fmt: skip
    assert one.count == 8
    some = [value for value in before.values() if value > 0.0]
    level = sum(some) / len(some)
    a, b = 5 + REPAIR_WORTH * level, 3 + REPAIR_WORTH * (1.0 - level)
    for told, end in ((one.after, a / (a + b)), (one.low, stats.beta.ppf(0.05, a, b))):
        # All states move by the odds that take the mean chance to its new value.
        odds = end / (1.0 - end) * (1.0 - level) / level
        for state, value in before.items():
            expected = value / (1.0 - value) * odds
            assert told[state] == pytest.approx(expected / (1.0 + expected), rel=6e-3)


def test_missed_faults_are_comebacks_with_the_same_cause_over_all_faults_left() -> None:
    compiled = compile_model(small_shop())
    made = Repaired("reseat", "isolated")
    tried = Tried("board_work", "isolated")
    tickets = [
        *(job(n, tried, made, day=1) for n in range(1, 7)),
        job(7, made, day=20, first=1),  # the same cause again
        job(8, made, causes=("strip",), day=20, first=2),  # another one
        job(10, made, day=24, first=3),  # too late to say that it was missed
        job(9, made, Tried("reseat", "isolated"), made, day=30),  # came back, went again
    ]
    after, low, high, count = told_of(learn_bench(tickets, compiled, Shop()), "retest", "missed")
    assert count == 8  # 6 seen, 2 missed
    level = bench_values(compiled.model)["retest", "missed"][""]
    a, b = 2 + MISSED_WORTH * level, 6 + MISSED_WORTH * (1.0 - level)
    assert after == pytest.approx(a / (a + b), rel=6e-3)
    assert (low, high) == pytest.approx(
        (stats.beta.ppf(0.05, a, b), stats.beta.ppf(0.95, a, b)), rel=6e-3
    )


# Written, adopted, counted once

MODEL = """\
faultfinder_model: 1
name: m
title: Invented
include: [parts.yaml]
start: closed
causes:
  a:
    states: [ok, bad]
    chance: {bad: 0.30}  # by feel
findings:
  f:
    states: [no, yes]
    test: {of: a, sensitivity: 0.90, specificity: 0.80}
complaint: {name: dark, title: Dark, any_of: [a], retest: {minutes: 3, missed: 0.03}}
stages:
  closed: {title: Closed, powered: yes}
  open: {title: Open, powered: yes}
moves:
  - {from: closed, to: open, minutes: 5, how: x}  # a lid
  - from: open
    to: closed
    minutes: 6
"""

PARTS = """\
faultfinder_parts: 1
checks:
  look:
    title: Look
    observes: [f]
    minutes: 2  # at leisure
    stage: closed
repairs:
  mend:
    title: Mend
    mends: {a: 0.8}
    stage: open
    minutes: 7
    part: {low: 10, likely: 20, high: 40}
"""


@pytest.fixture
def line(tmp_path: Path) -> Line:
    (tmp_path / "shipped").mkdir()
    (tmp_path / "shipped" / "parts.yaml").write_text(PARTS, encoding="utf-8")
    path = tmp_path / "shipped" / "m.yaml"
    path.write_text(MODEL, encoding="utf-8")
    return Line(FolderShelf(str(tmp_path / "tickets.db")), "m", path)


def jobs(count: int) -> list[Ticket]:
    tickets = []
    for number in range(1, count + 1):
        begun = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(days=number)
        rows: list[tuple[float, Entry]] = [
            (0.0, Intake("m")), (5.0, Moved("closed")), (9.0, Found("f", "yes")),
            (10.0, Ordered("a part", "mend", 30.0)), (20.0, Moved("open")),
            (45.0, Tried("mend", "closed")), (75.0, Repaired("mend", "closed")),
            (75.0, Closed("repaired", ("a",))),
        ]  # fmt: skip
        events = [
            Event(n, (begun + timedelta(minutes=at)).strftime("%Y-%m-%dT%H:%M:%SZ"), "ann", entry)
            for n, (at, entry) in enumerate(rows, 1)
        ]
        tickets.append(fold(number, events))
    return tickets


def propose(line: Line, tickets: Sequence[Ticket]) -> BenchLearnt:
    base = line.base()
    learnt = learn_bench(tickets, compile_model(base.believed), Shop())
    keep_proposal(line, base, (), Evidence(), AT, learnt)
    return learnt


def stands(line: Line) -> dict[Spot, dict[str, float]]:
    return {spot: dict(told) for spot, told in bench_values(read_kept(line.in_force())).items()}


def test_figures_are_written_where_they_stand_with_comments_kept(line: Line) -> None:
    learnt = propose(line, jobs(12))
    line.adopt("lena", AT)
    changed = {one.spot: one for one in learnt.changed}
    assert ("repairs", "mend", "part") in changed
    assert ("repairs", "mend", "mends", "a") in changed
    for spot, one in changed.items():
        assert stands(line)[spot] == pytest.approx(dict(one.after))
    own, parts = (text for _, text in line.in_force())
    before = {**dict.fromkeys(MODEL.splitlines()), **dict.fromkeys(PARTS.splitlines())}
    for text in (own, parts):
        for row in text.splitlines():
            assert row in before or "  # learnt (" in row
    if ("checks", "look", "minutes") in changed:
        assert "# learnt" in parts
        assert "was minutes: 2  # at leisure" in parts
    assert "part: {low: 15, likely: 30, high: 60}" in parts
    assert "was part: {low: 10, likely: 20, high: 40}" in parts


def test_nothing_of_the_bench_is_counted_twice(line: Line) -> None:
    """Ten steps with an edit taken back and a rollback between equal one."""
    author = bench_values(read_kept(line.in_force()))
    every = jobs(40)
    for step in range(1, 11):
        propose(line, every[: 4 * step])
        line.adopt("lena", AT)
        assert bench_values(line.base().believed) == author
        if step == 5:
            line.roll_back("lena", AT)
    learnt = propose(line, every)
    again = learn_bench(every, compile_model(read_kept(line.versions()[0].files)), Shop())
    assert [(f.spot, f.after) for f in learnt.figures] == [(f.spot, f.after) for f in again.figures]


def test_a_figure_edited_by_hand_is_the_new_belief(line: Line, tmp_path: Path) -> None:
    propose(line, jobs(12))
    line.adopt("lena", AT)
    folder = tmp_path / "copy"
    for name, text in line.in_force():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text.replace("likely: 30", "likely: 25"), encoding="utf-8")
    line.take(folder / "m.yaml", "lena", AT)
    believed = bench_values(line.base().believed)
    assert believed["repairs", "mend", "part"] == {"low": 15.0, "likely": 25.0, "high": 60.0}
    assert believed["repairs", "mend", "mends", "a"] == {"bad": 0.8}
    # Learning from no ticket puts the author's figures back, as they were written.
    propose(line, ())
    line.adopt("lena", AT)
    assert "mends: {a: 0.8}\n" in line.in_force()[1][1]


def test_another_shipped_file_is_merged_with_the_shops_own_minutes(line: Line) -> None:
    propose(line, jobs(12))
    line.adopt("lena", AT)
    parts = line.origin.parent / "parts.yaml"
    parts.write_text(PARTS.replace("minutes: 7", "minutes: 9"), encoding="utf-8")
    base = line.base()
    assert base.upgrade
    told = bench_values(base.believed)
    assert told["repairs", "mend", "minutes"] == {"": 9.0}
    assert told["repairs", "mend", "part"] == {"low": 10.0, "likely": 20.0, "high": 40.0}


def test_a_figure_that_is_not_in_the_file_is_refused(line: Line) -> None:
    base = line.base()
    bare = replace(base, files=tuple((n, t.replace("minutes: 7", "")) for n, t in base.files))
    learnt = learn_bench(jobs(12), compile_model(base.believed), Shop())
    assert ("repairs", "mend", "minutes") in {one.spot for one in learnt.changed}
    with pytest.raises(FaultfinderError):
        keep_proposal(line, bare, (), Evidence(), AT, learnt)
    assert load_model(line.origin).model.repairs[0].minutes == 7.0


def test_ends_of_factors_are_quantiles_of_their_whole_density() -> None:
    """Two factors that are measured alone and together, against their density on a fine grid."""
    index = np.array([[0, 2], [0, 1], [1, 2]])
    sizes, moves = np.array([10.0, 20.0, 0.0]), np.array([True, True, False])
    goal = np.log([16.0, 20.0, 26.0])
    told = _Posterior(index, np.array([0.1, 3.0, 0.1]), goal, sizes, moves, 0.3, 0.9)
    both = np.arange(2)
    theta = np.zeros(3)
    for _ in range(30):
        _, slope, bend = told.at(theta, both)
        theta[both] -= np.clip(np.linalg.solve(bend, slope), -0.2, 0.2)
    _, slope, bend = told.at(theta, both)
    assert slope == pytest.approx([0.0, 0.0], abs=1e-9)
    moved = theta + np.array([0.2, -0.3, 0.0])
    value, slope, bend = told.at(moved, both)
    for part, step in enumerate(1e-5 * np.eye(3)[:2]):
        up, down = told.at(moved + step, both), told.at(moved - step, both)
        assert (up[0] - down[0]) / 2e-5 == pytest.approx(slope[part], abs=1e-6)
        assert (up[1] - down[1]) / 2e-5 == pytest.approx(bend[part], abs=1e-5)
    grid = np.linspace(-3.5, 2.5, 151)
    density = np.exp([
        [value - told.at(np.array([one, other, 0.0]), both)[0] for other in grid] for one in grid
    ])  # fmt: skip
    found = told.quantiles(theta, both)
    for part in both.tolist():
        below = np.cumsum(density.sum(axis=1 - part))
        wanted = np.interp(np.array([0.05, 0.5, 0.95]) * below[-1], below, grid)
        assert [ends[part] for ends in found] == pytest.approx(wanted, abs=0.03)
