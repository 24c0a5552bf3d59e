"""The shop model's prior against community repair records, by groups of causes.

Counts: Open Repair Alliance, "CompCat" quest, 2021, CC BY-SA 4.0 (open_repair_counts.yaml
beside this file says how they were counted). The labels are volunteers' reading of the
notes, one type a record, not confirmed at a bench.

The records have one type each; in the model several causes can be present. So a group's share
is its part of the expected number of causes present, given only the complaint. The complaint
of the model is wider ("no usable picture": also lines and flicker) than a note that says there
is none; the table also shows the shares given that no image is seen. That column is not
asserted: its display side lies inside the interval of the strict counting and below that of
the wide one. Which complaint the notes mean cannot be told from the counts.

Run with `pytest -s` to see the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import pytest
from scipy.stats import binomtest

import faultfinder
from tests.consulted import look_at
from tests.outside.count_open_repair import load_counts, pattern

GROUPS = {
    "display side": (
        "data_connector",
        "backlight_cable",
        "connector_corroded",
        "data_flex",
        "panel",
        "backlight_strip",
        "lid_sensor_cable",
        "lid_sensor",
        "case_bend",
        "hinge_loose",
    ),
    "boot, power and battery": ("not_starting", "battery_low"),
    "system board": ("board_display", "backlight_supply"),
    "software and settings": ("settings",),
}


@cache
def shares(**findings: str) -> Mapping[str, float]:
    """Each group's part of the expected number of causes present."""
    causes = look_at(faultfinder.load_model("thin_clamshell"), findings).causes
    named = [cause for group in GROUPS.values() for cause in group]
    assert sorted(named) == sorted(causes), "each cause of the model belongs to one group"
    total = sum(causes.values())
    return {name: sum(causes[c] for c in group) / total for name, group in GROUPS.items()}


def grouped(counting: str) -> dict[str, int]:
    content = load_counts()
    return {
        group: sum(content["counts"][counting].get(label, 0) for label in labels)
        for group, labels in content["groups"].items()
    }


def interval(count: int, total: int, confidence: float) -> tuple[float, float]:
    """Exact (Clopper & Pearson 1934), by scipy."""
    found = binomtest(count, total).proportion_ci(confidence, method="exact")
    return float(found.low), float(found.high)


def outside(model: Mapping[str, float], counts: Mapping[str, int]) -> list[str]:
    """Groups whose share lies outside its exact interval, 95 % for all groups together."""
    total = sum(counts.values())
    # Bonferroni: each of the four intervals gets a quarter of the 5 %.
    confidence = 1 - 0.05 / len(counts)
    bounds = {group: interval(count, total, confidence) for group, count in counts.items()}
    return [group for group, (low, high) in bounds.items() if not low <= model[group] <= high]


@pytest.mark.parametrize("counting", ["strict", "wide"])
def test_the_prior_lies_within_the_intervals_of_the_counts(counting: str) -> None:
    counts = grouped(counting)
    total = sum(counts.values())
    every = load_counts()["counts"][counting]
    print(
        f"\n{counting}: {sum(every.values())} records say there is no picture, {total} in a group"
    )
    head = f"{'group':25}{'count':>6}{'share':>7}{'95 %':>14}{'all four':>14}"
    print(f"{head}{'model':>8}{'no image':>9}")
    for group, count in counts.items():
        one = "{:.3f}-{:.3f}".format(*interval(count, total, 0.95))
        four = "{:.3f}-{:.3f}".format(*interval(count, total, 1 - 0.05 / len(counts)))
        line = f"{group:25}{count:6}{count / total:7.3f}{one:>14}{four:>14}"
        print(f"{line}{shares()[group]:8.3f}{shares(image='none')[group]:9.3f}")
    assert outside(shares(), counts) == []


def test_a_prior_without_knowledge_lies_outside() -> None:
    """The counts are few, but enough to refuse a prior that spreads evenly."""
    even = dict.fromkeys(GROUPS, 1 / len(GROUPS))
    for counting in ("strict", "wide"):
        assert "display side" in outside(even, grouped(counting))


def test_the_display_side_leads_in_model_and_counts() -> None:
    for counting in ("strict", "wide"):
        counts = grouped(counting)
        assert max(counts, key=lambda group: counts[group]) == "display side"
    assert max(shares(), key=lambda group: shares()[group]) == "display side"


def test_every_type_is_in_one_group_or_left_out_by_name() -> None:
    content = load_counts()
    placed = [label for labels in content["groups"].values() for label in labels]
    assert len(set(placed)) == len(placed)
    left_out = {"Unknown", "Ports/slots/connectors", "Overheating"}
    for counts in content["counts"].values():
        assert set(counts) <= {*placed, *left_out}


@pytest.mark.parametrize(
    ("note", "strict", "wide"),
    [
        ("Black screen", True, True),
        ("geen beeld", True, True),
        ("Der Bildschirm bleibt schwarz", True, True),
        ("écran noir", True, True),
        ("schermo nero", True, True),
        ("screen not working", False, True),
        ("touch screen not working", False, False),
        ("keyboard dead, screen cracked", False, False),
    ],
)
def test_what_the_pattern_takes_for_no_picture(note: str, strict: bool, wide: bool) -> None:
    """Invented notes."""
    assert bool(pattern(("strict",)).search(note)) is strict
    assert bool(pattern(("strict", "wide")).search(note)) is wide
