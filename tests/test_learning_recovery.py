"""Whether tuning finds the figures that tickets were drawn from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import Tuned, complaint_share, tune
from faultfinder.learning.em.parameters import read_families, rewritten
from faultfinder.model.parts import Basis, FaultModel, Kind
from faultfinder.model.reading.reader import parse_model
from tests.closed_tickets import closed_tickets, drawn, visible
from tests.drawn_machines import draw_machines
from tests.invented_models import SMALL_LID

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))


def with_worth(model: FaultModel, worth: float, histories: float) -> FaultModel:
    """The same figures, each worth so many tickets."""
    return replace(
        model,
        variables=tuple(
            replace(
                v, basis=Basis("guess", "invented", histories if v.kind is Kind.HISTORY else worth)
            )
            for v in model.variables
        ),
    )


def moved_away(compiled: CompiledModel, spread: float, seed: int) -> CompiledModel:
    """Other figures for causes and findings, with as many complaints as before.

    Histories keep theirs: tickets cannot tell those (see the engine's own words), nor
    how many machines get the complaint.
    """
    rng = np.random.default_rng(seed)
    families = read_families(compiled)
    model = compiled.model
    wanted = complaint_share(compiled)
    figures: dict[int, Array] = {}
    for family in families:
        noise = rng.normal(0.0, spread, family.file.shape)
        if model.variables[family.number].kind is Kind.HISTORY:
            noise[:] = 0.0
        moved = family.file * np.exp(noise)
        figures[family.number] = moved / moved.sum(axis=1, keepdims=True)

    def scaled(factor: float) -> CompiledModel:
        changed = dict(figures)
        for family in families:
            if model.variables[family.number].kind is Kind.CAUSE:
                rates = figures[family.number].copy()
                rates[:, 1:] *= factor
                rates[:, 0] = 1.0 - rates[:, 1:].sum(axis=1)
                changed[family.number] = rates
        return compile_model(rewritten(model, families, changed))

    low, high = 0.2, 3.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if complaint_share(scaled(middle)) < wanted else (low, middle)
    found = scaled(low)
    assert complaint_share(found) == pytest.approx(wanted, rel=1e-6)
    return found


def truth_of(compiled: CompiledModel) -> dict[str, tuple[float, ...]]:
    return {
        str(place): tuple(row)
        for family in read_families(compiled)
        for place, row in zip(family.places, family.file.tolist(), strict=True)
    }


def error(tuned: Tuned, truth: dict[str, tuple[float, ...]]) -> float:
    """Root mean square error over the figures on which at least one ticket in a thousand speaks.

    Rows that hold only for machines without the complaint are beyond what tickets can tell;
    so are the two faulty states of the cable, which no finding of this model tells apart:
    of causes the chance of being normal is compared.
    """
    told = [f for f in tuned.figures if f.tickets > tuned.tickets / 1000]
    causes = {"chance", "leak", "link"}
    gaps = [
        np.subtract(f.after, truth[str(f.place)])[: 1 if f.place.kind in causes else None]
        for f in told
    ]
    return float(np.sqrt(np.mean(np.concatenate(gaps) ** 2)))


def test_the_error_falls_as_one_over_the_root_of_the_tickets(
    lid: CompiledModel, capsys: pytest.CaptureFixture[str]
) -> None:
    truth = truth_of(lid)
    weak = compile_model(with_worth(lid.model, worth=1.0, histories=1e6))
    start = moved_away(weak, spread=0.4, seed=1)
    sizes = [781, 3125, 12_500, 50_000]
    errors = []
    for size in sizes:
        repeats = 6 if size < 10_000 else 2
        found = [
            error(tune(start, drawn(lid, size, seed=10 + k, missing=0.4)), truth)
            for k in range(repeats)
        ]
        errors.append(float(np.mean(found)))
    slope = float(np.polyfit(np.log(sizes), np.log(errors), 1)[0])
    with capsys.disabled():
        told = ", ".join(f"{n:,}: {e:.4f}" for n, e in zip(sizes, errors, strict=True))
        print(f"\n  figures off by (RMS) {told}; slope {slope:.2f}")
    assert -0.65 <= slope <= -0.35


def test_base_rates_are_found_although_only_machines_with_the_complaint_come(
    lid: CompiledModel, capsys: pytest.CaptureFixture[str]
) -> None:
    weak = compile_model(with_worth(lid.model, worth=1.0, histories=1e6))
    start = moved_away(weak, spread=0.3, seed=2)
    tickets = drawn(lid, 20_000, seed=3)
    truth = truth_of(lid)
    # Naive: the tickets as a plain sample of all machines.
    naive_model = replace(start.model, complaint=None, variables=tuple(as_findings(start.model)))
    naive = tune(
        compile_model(naive_model),
        [replace(t, findings={**t.findings, "no_usable_picture": "yes"}) for t in tickets],
    )
    tuned = tune(start, tickets)
    told = []
    for place in ("strip, chance", "driver, chance", "panel, leak", "cable, leak"):
        right = 1.0 - truth[place][0]
        ours, plain = (1.0 - after(found, place)[0] for found in (tuned, naive))
        told.append(f"{place} {right:.4f}: tuned {ours:.4f}, plain sample {plain:.4f}")
        assert ours == pytest.approx(right, rel=0.12), place
        assert plain > 2.0 * right, place
    with capsys.disabled():
        print("\n  " + "\n  ".join(told))


def as_findings(model: FaultModel) -> list[object]:
    return [
        replace(v, kind=Kind.FINDING) if v.kind is Kind.COMPLAINT else v for v in model.variables
    ]


def after(tuned: Tuned, place: str) -> tuple[float, ...]:
    (found,) = [f.after for f in tuned.figures if str(f.place) == place]
    return found


def test_checks_chosen_by_earlier_results_do_not_bias_em_as_they_do_counting(
    lid: CompiledModel, capsys: pytest.CaptureFixture[str]
) -> None:
    # The bench looks on, and confirms the cause, mostly where the light is out.
    rng = np.random.default_rng(6)
    count = 20_000
    machines = draw_machines(lid, count, rng)
    told = [lid.network.names[n] for n in visible(lid)]
    column = {name: machines[:, lid.network.index[name]] for name in told}
    dark = column["backlight"] == 2
    known = np.zeros((count, len(told)), dtype=bool)
    known[:, [told.index("backlight"), told.index("image")]] = True
    known[:, told.index("cable_seen")] = dark
    known[:, told.index("supply_volts")] = dark & (column["cable_seen"] == 0)
    known[:, told.index("glass")] = column["image"] == 1
    labelled = dark | (rng.random(count) < 0.1)
    tickets = closed_tickets(lid, machines, known, labelled)
    weak = compile_model(with_worth(lid.model, worth=1.0, histories=1e6))
    start = moved_away(weak, spread=0.3, seed=4)
    tuned = tune(start, tickets, max_rounds=500)
    share = complaint_share(lid)
    truth = truth_of(lid)
    lines = []
    for cause in ("strip", "driver"):
        right = 1.0 - truth[f"{cause}, chance"][0]
        ours = 1.0 - after(tuned, f"{cause}, chance")[0]
        complete = [t for t in tickets if t.causes is not None]
        counted = share * sum(cause in (t.causes or ()) for t in complete) / len(complete)
        lines.append(
            f"{cause} {right:.4f}: tuned {ours:.4f}, labelled tickets counted {counted:.4f}"
        )
        assert ours == pytest.approx(right, rel=0.08), cause
        assert abs(counted - right) > 3.0 * abs(ours - right)
        assert counted > 1.2 * right
    with capsys.disabled():
        print("\n  " + "\n  ".join(lines))


def test_intervals_hold_the_true_figure_nine_times_in_ten(
    lid: CompiledModel, capsys: pytest.CaptureFixture[str]
) -> None:
    truth = truth_of(lid)
    weak = compile_model(with_worth(lid.model, worth=1.0, histories=1e6))
    inside: dict[bool, list[bool]] = {True: [], False: []}
    pool = drawn(lid, 24_000, seed=100, missing=0.4, unlabelled=0.5)
    for start in range(0, 24_000, 600):
        for f in tune(weak, pool[start : start + 600]).figures:
            if lid.model.by_name[f.place.variable].kind is Kind.HISTORY:
                continue  # Held by its prior; the tickets cannot tell it.
            right = truth[str(f.place)]
            for low, value, high in zip(f.low, right, f.high, strict=True):
                # Enough to go by: a dozen tickets on either side.
                if min(value, 1 - value) * f.tickets > 12:
                    inside[f.place.kind in ("chance", "leak", "link")].append(low <= value <= high)
    causes, findings = (float(np.mean(inside[kind])) for kind in (True, False))
    with capsys.disabled():
        print(f"\n  90 % intervals held the truth: causes {causes:.3f}, findings {findings:.3f}")
    assert 0.85 <= findings <= 0.96
    assert 0.85 <= causes <= 0.97


def test_what_was_not_recorded_widens_an_interval(lid: CompiledModel) -> None:
    full = tune(lid, drawn(lid, 800, seed=5, missing=0.0))
    gappy = tune(lid, drawn(lid, 800, seed=5, missing=0.0, unlabelled=0.95))
    wider = [
        (g.high[0] - g.low[0]) / (f.high[0] - f.low[0])
        for f, g in zip(full.figures, gappy.figures, strict=True)
        if f.place.variable in ("strip", "driver")
    ]
    assert min(wider) > 1.1
