"""What the judges' tables make of real cases without a network, to hold the models against.

    python tests/casebook/baselines.py FOLDER

writes their chances to FOLDER, a file a baseline, for `faultfinder model cases --beside`.
Three baselines, one fault at a time: the tables multiplied (naive Bayes); the same with
structure; and with each fault split into its presentations too. The structure's six numbers
and its lists were chosen on the visible cases, so there they flatter it.
"""

from __future__ import annotations

import itertools
import json
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
import yaml

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.assess.casebook.books import (  # noqa: E402
    Mapped,
    RealCase,
    Vocabulary,
    read_cases,
    read_mapping,
    read_vocabulary,
)
from faultfinder.assess.casebook.judging import MOMENTS  # noqa: E402
from faultfinder.assess.casebook.scores import Scored, bits_of, normalised  # noqa: E402
from faultfinder.model.network import Array  # noqa: E402

BOOK = ROOT / "models" / "casebook"
PRESENTATIONS = Path(__file__).with_name("presentations.yaml")

LEAST, LEAST_PRIOR, LEAST_SHARE = 0.003, 0.0005, 0.001
"""No value, no fault and no presentation is rarer than this."""


def read_yaml(path: Path) -> Any:
    """A file of ours, scalars as words."""
    loader = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    return yaml.load(path.read_text(encoding="utf-8"), loader)


@cache
def read_book() -> tuple[Vocabulary, Mapped]:
    """The words and what they stand for."""
    return read_vocabulary(BOOK / "vocabulary.yaml"), read_mapping(BOOK / "mapping.yaml")


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


# The lists of the structure: fact -> value(s) -> words that they name.

_BOARD = "board_graphics board_display_output board_other graphics_card processor_or_seating"
_PANEL = "panel panel_cracked panel_image panel_light lamp"
_CABLE = "display_cable light_cable"
_SENSOR = "lid_sensor foreign_magnet fold_sensor"

Lists = Mapping[str, Mapping[str, str]]

FOUND: Lists = {
    "converter_seen": {"burnt loose_screw": "light_driver_part"},
    "capacitors_seen": {
        "burst_or_leaking": "board_other board_graphics graphics_card mains_supply"
        " light_driver_part"
    },
    "light_fuse": {"blown": "light_supply_on_board"},
    "cable_seen": {"worn torn pinched": _CABLE, "burnt": _CABLE + " plug_corroded_or_burnt"},
    "contacts_seen": {
        "corroded burnt": "plug_corroded_or_burnt",
        "bent_pins": "plug_board_end plug_panel_end plug_light processor_or_seating"
        " board_display_output",
    },
    "board_seen": {
        "corroded": _BOARD + " light_supply_on_board plug_corroded_or_burnt",
        "burnt": _BOARD + " light_supply_on_board",
        "cracked": _BOARD,
    },
    "board_plug": {"loose off": "plug_board_end"},
    "panel_plug": {"loose off": "plug_panel_end"},
    "light_plug": {"loose off": "plug_light"},
    "reseat_at_board": {"helps": "plug_board_end plug_corroded_or_burnt"},
    "reseat_at_panel": {"helps": "plug_panel_end plug_corroded_or_burnt"},
    "memory_reseat": {"helps one_module_bad": "memory"},
    "known_good_memory": {"good": "memory"},
    "known_good_cable": {"good": _CABLE},
    "known_good_panel": {"good": _PANEL},
    "own_panel_elsewhere": {"same_fault": _PANEL},
    "known_good_driver_or_supply": {"good": "light_driver_part mains_supply charger_or_power_port"},
    "known_good_board_or_card": {"good": _BOARD + " light_supply_on_board"},
    "own_board_elsewhere": {"same_fault": _BOARD + " light_supply_on_board firmware"},
    "attached_removed": {"helps": "attached_device keyboard_base_or_dock"},
    "power_drain": {"helps": "hung_controller"},
    "firmware_reset": {"helps": "firmware hung_controller coin_cell"},
    "place": {
        "only_in_one_place": "foreign_magnet mains_supply",
        "on_another_machine by_strap_or_case": "foreign_magnet",
    },
    "magnet_near": {"sleeps_or_wakes": _SENSOR},
    "power_source": {
        "only_on_charger": "battery_flat battery_faulty settings system_or_driver",
        "only_on_battery": "charger_or_power_port mains_supply settings system_or_driver",
    },
    "brightness_keys": {"helps": "settings system_or_driver"},
    "output_keys": {"helps": "settings system_or_driver"},
    "glass": {"cracked": "panel panel_cracked touch_layer"},
    "patches": {"ink_like": "panel panel_cracked"},
}
"""A part seen bad, or mended by one act: other words explain it as a false positive only."""

PRESSED: Lists = {
    "inside_pressed_or_heated": {"helps helps_for_a_while": _BOARD},
    "press_or_twist": {"changes_at_base": _BOARD},
}
"""Told as pressing or heating: a chip on the board more often than a plug."""

BEHIND_SUPPLY = _set("panel_light lamp light_cable plug_light")
"""Dark although the light's supply was measured: the fault lies here."""

CHECKS = _set(
    """torch external_monitor screenshot panel_listed camera attached_removed power_drain
    firmware_reset memory_reseat board_plug panel_plug light_plug reseat_at_board reseat_at_panel
    cable_seen contacts_seen board_seen converter_seen capacitors_seen light_fuse light_supply
    panel_supply hinge battery known_good_panel known_good_cable known_good_driver_or_supply
    own_panel_elsewhere own_board_elsewhere known_good_memory known_good_board_or_card coin_cell
    power_source inside_pressed_or_heated firmware_screen safe_mode other_system magnet_near place
    glass patches"""
)
"""Facts that speak louder than judges said."""

CONDITION = {
    "has_started": "system_heard keyboard_answers start_sound drive_activity fan power_lamp"
    " start_progress:stays_off",
    "made_by_system": "firmware_screen safe_mode other_system stage_with_picture black_after",
    "contact_comes_and_goes": "lid_angle flicker_when began screen_light:comes_and_goes"
    " screen_light:flickers",
    "lid_thought_shut": "sleeps_with_lid_open magnet_near place lid_worked lid_angle:sleeps",
}
"""Hidden condition -> the facts, or single values, that report it and count as one report."""

STRIKING = {
    "glass": "cracked",
    "patches": "pressure_marks ink_like",
    "lid_angle": "picture_comes_and_goes light_comes_and_goes lines_change sleeps"
    " off_past_an_angle",
    "flicker_when": "warm cold low_brightness on_battery on_charger by_movement in_one_program",
    "hinge": "loose stiff broken_mount",
    "bent_or_dented": "lid base corner frame",
    "touch_answers": "by_itself",
    "sleeps_with_lid_open": "yes",
    "began": "comes_and_goes",
    "image": "lines_across lines_down blocks_or_speckles half_missing wrong_colours all_white"
    " all_grey test_colours breaks_up ghost_or_smear doubled",
}
"""Values that an owner mentions unasked; of what was done before, all but nothing known."""

TELLS_START = _set(
    """start_progress power_lamp stage_with_picture fan fault_signal drive_activity start_sound
    system_heard keyboard_answers"""
)


def _words_named(lists: Lists) -> dict[tuple[str, str], frozenset[str]]:
    return {
        (fact, value): frozenset(words.split())
        for fact, held in lists.items()
        for values, words in held.items()
        for value in values.split()
    }


_FOUND, _PRESSED = _words_named(FOUND), _words_named(PRESSED)
_REPORTS = {
    (fact, value): condition
    for condition, facts in CONDITION.items()
    for fact, _, value in (one.partition(":") for one in facts.split())
}


def condition_of(fact: str, value: str) -> str | None:
    """The hidden condition that a fact reports with a value ("" for any)."""
    return _REPORTS.get((fact, value)) or _REPORTS.get((fact, ""))


@dataclass(frozen=True)
class Structure:
    """The numbers of the structure. As given nothing is added to the tables multiplied."""

    same: float = 0.0
    """Reports of one condition count as their sum over n ** same: their mean at 1."""
    find: float = 1.0
    """False positives of a part found bad, against what the judges said."""
    press: float = 1.0
    check: float = 1.0
    """The power of what checks say."""
    silent: float = 0.0
    """How often a striking thing is mentioned unasked."""
    doubt: float = 0.0
    """The share of machines whose story misleads: so much of the prior is mixed in."""
    blend: float = 0.0
    """What a presentation's own row weighs against the fault's common one."""


MULTIPLIED = Structure()
STRUCTURED = Structure(same=1.0, find=0.05, press=0.2, check=1.3, silent=0.5, doubt=0.03)
PRESENTED = Structure(1.0, 0.05, 0.2, 1.3, 0.5, 0.03, blend=0.5)

BASELINES = {
    "tables multiplied": MULTIPLIED,
    "with structure": STRUCTURED,
    "with presentations": PRESENTED,
}


@dataclass(frozen=True, eq=False)
class Tables:
    """The pooled tables; hypotheses are faults, or their presentations, in a fixed order."""

    words: tuple[str, ...]
    """The fault of each hypothesis."""
    shares: Mapping[str, Array]
    """Build -> share of each hypothesis, shape (hypotheses,)."""
    rows: Mapping[tuple[str, str], Array]
    """(fact, build) -> chance of each value by hypothesis, shape (hypotheses, values)."""
    own: Mapping[str, Array]
    """Fact -> a presentation's own chances, NaN where it says nothing, of that shape."""
    vocabulary: Vocabulary = field(repr=False)

    @staticmethod
    def words_of(vocabulary: Vocabulary) -> tuple[str, ...]:
        """The faults that are an answer."""
        loose = {w for g in read_book()[1].unscored for w in vocabulary.groups[g]}
        return tuple(word for word in vocabulary.at_fault if word not in loose)

    @classmethod
    def read(cls, pooled: Mapping[str, Any], presentations: Mapping[str, Any]) -> Tables:
        """From the plain form of pooled.yaml and presentations.yaml (or none)."""
        vocabulary = read_book()[0]
        words = cls.words_of(vocabulary)
        alone: list[Mapping[str, Any]] = [{"share": 1.0, "facts": {}}]
        held = [(word, one) for word in words for one in presentations.get(word) or alone]
        index = [words.index(word) for word, _ in held]
        shares = {}
        for build, priors in pooled["priors"].items():
            part = np.array([_share(one, build) for _, one in held])
            of_word = np.bincount(index, part, len(words))
            prior = np.array([float(priors[word]) for word in words])
            share = prior[index] * part / of_word[index]
            shares[build] = share / share.sum()
        rows, own = {}, {}
        for fact, table in pooled["facts"].items():
            given, apart = table["given"], table.get("builds") or {}
            for build in vocabulary.builds:
                here = {**given, **apart.get(build, {})}
                by_word = np.array([here.get(w, table["any"]) for w in words], dtype=float)
                rows[fact, build] = by_word[index]
            nothing = [math.nan] * len(table["values"])
            said = np.array([one["facts"].get(fact, nothing) for _, one in held], dtype=float)
            own[fact] = np.maximum(said / said.sum(axis=1, keepdims=True), LEAST)
        return cls(tuple(word for word, _ in held), shares, rows, own, vocabulary)

    def chance(self, fact: str, value: str, build: str, blend: float) -> Array | None:
        """P(value | hypothesis), shape (hypotheses,); None where no judge speaks of it."""
        rows = self.rows.get((fact, build))
        if rows is None:
            return None
        place = self.vocabulary.facts[fact].index(value)
        common, own = rows[:, place], self.own[fact][:, place]
        blended = np.exp(blend * np.log(own) + (1 - blend) * np.log(common))
        return np.asarray(np.where(np.isnan(own), common, blended))

    @cached_property
    def groups(self) -> dict[str, Array]:
        """Scored group -> whether each hypothesis is in it."""
        unscored = read_book()[1].unscored
        return {
            group: np.array([word in held for word in self.words])
            for group, held in self.vocabulary.groups.items()
            if group not in unscored
        }

    def named(self, words: frozenset[str]) -> Array:
        return np.array([word in words for word in self.words])


def _share(one: Mapping[str, Any], build: str) -> float:
    return max(float((one.get("builds") or {}).get(build, one["share"])), LEAST_SHARE)


@cache
def tables_for(structure: Structure) -> Tables:
    """The tables that are shipped, by fault, or by its presentations where they weigh."""
    presentations = read_yaml(PRESENTATIONS) if structure.blend else {}
    return Tables.read(read_yaml(BOOK / "pooled.yaml"), presentations)


def _told(case: RealCase, moment: str, tables: Tables) -> list[tuple[str, str]]:
    """(fact, value) in the order told; of several values that may be meant, each."""
    told = list(case.intake)
    later: dict[str, tuple[str, ...]] = {}
    for fact, values in case.checks if moment == "all" else ():
        later.pop(fact, None)
        later[fact] = values
    known = tables.vocabulary.facts
    return [
        (f, value) for f, values in [*told, *later.items()] for value in values if value in known[f]
    ]


def judged(case: RealCase, moment: str, tables: Tables, n: Structure) -> dict[str, float]:
    """The chance of each scored group, one fault at a time."""
    share, told = tables.shares[case.build], _told(case, moment, tables)
    log = np.log(share)
    reports: dict[str, list[Array]] = {}
    for fact, value in told:
        chance = tables.chance(fact, value, case.build, n.blend)
        if chance is None:
            continue
        says = np.log(chance)
        for names, factor in ((_FOUND, n.find), (_PRESSED, n.press)):
            if (fact, value) in names:
                says = says + np.where(tables.named(names[fact, value]), 0.0, math.log(factor))
        says = says * (n.check if fact in CHECKS else 1.0)
        condition = condition_of(fact, value) if n.same else None
        if condition is None:
            log = log + says
        else:
            reports.setdefault(condition, []).append(says)
    for held in reports.values():
        log = log + sum(held) / len(held) ** n.same
    if {("screen_light", "dark"), ("light_supply", "present")} <= set(told):
        log = log + np.where(tables.named(BEHIND_SUPPLY), 0.0, math.log(n.find))
    if n.silent:
        log = log + sum(_silence(case.build, {fact for fact, _ in told}, reports, tables, n))
    weight = np.exp(log - log.max())
    weight = (1 - n.doubt) * weight / weight.sum() + n.doubt * share
    return {group: float(weight[held].sum()) for group, held in tables.groups.items()}


def _silence(
    build: str, told: set[str], reported: Mapping[str, object], tables: Tables, n: Structure
) -> Iterator[Array]:
    """What it says that nobody mentioned a striking thing; of one condition, once."""
    _, *done = tables.vocabulary.facts["after"]
    striking = {**STRIKING, "after": " ".join(done)}
    hushed: dict[str, list[Array]] = {}
    for fact, values in striking.items():
        chances = [tables.chance(fact, value, build, n.blend) for value in values.split()]
        told_of = [c for c in chances if c is not None]
        if fact not in told and told_of:
            quiet = np.log(1 - n.silent * np.minimum(sum(told_of), 0.95))
            hushed.setdefault(condition_of(fact, "") or fact, []).append(quiet)
    for condition, held in hushed.items():
        if condition not in reported:
            yield np.mean(held, axis=0)
    if not told & TELLS_START:
        heard = tables.chance("system_heard", "yes", build, n.blend)
        assert heard is not None
        started = np.clip((heard - heard.min()) / (heard.max() - heard.min()), 0.03, 0.97)
        yield np.log(1 - n.silent * (1 - started))


def scored(
    case: RealCase, moment: str, tables: Tables, structure: Structure
) -> Scored | None:  # fmt: skip
    """A case at a moment scored as a model is; None when it holds no answer."""
    truth = tables.vocabulary.groups_of(case.at_fault) & set(tables.groups)
    if not truth:
        return None
    now = normalised(judged(case, moment, tables, structure), tables.groups)
    share = tables.shares[case.build]
    prior = {group: float(share[held].sum()) for group, held in tables.groups.items()}
    bits = bits_of(now, truth)
    return Scored(case, truth, True, False, now, bits, bits_of(normalised(prior, prior), truth))


def chances(
    cases: Sequence[RealCase], structure: Structure
) -> dict[tuple[str, str], dict[str, float]]:  # fmt: skip
    """(case, moment) -> group -> chance."""
    tables = tables_for(structure)
    return {
        (case.id, moment): judged(case, moment, tables, structure)
        for case, moment in itertools.product(cases, MOMENTS)
    }


def scored_bits(
    tables: Tables, structure: Structure = MULTIPLIED, cases: Sequence[RealCase] | None = None
) -> list[float]:
    """The bits of the casebook's cases at both moments."""
    held = read_cases(BOOK / "cases.yaml") if cases is None else cases
    rows = [
        scored(case, moment, tables, structure) for moment, case in itertools.product(MOMENTS, held)
    ]
    return [row.bits for row in rows if row is not None]


def main() -> None:
    for name, structure in BASELINES.items():
        cases: dict[str, list[dict[str, Any]]] = {}
        for (case, moment), groups in chances(read_cases(BOOK / "cases.yaml"), structure).items():
            cases.setdefault(case, []).append({"moment": moment, "groups": groups})
        form = {"cases": [{"id": case, "moments": held} for case, held in cases.items()]}
        place = Path(sys.argv[1]) / f"{name.replace(' ', '_')}.json"
        place.write_text(json.dumps(form), encoding="utf-8")


if __name__ == "__main__":
    main()
