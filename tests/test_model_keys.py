"""`faultfinder model keys` lists the keys that model files can hold: all of them, no others."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from faultfinder.errors import ModelFileError
from faultfinder.model.reading import fields as fields_module
from faultfinder.model.reading import keys
from faultfinder.model.reading.include import LISTED, NAMED, SINGLE
from faultfinder.model.reading.reader import parse_model
from tests.conftest import Run

ROOT = Path(__file__).parent.parent

EVERYTHING = """
faultfinder_model: 1
name: all_ways
title: Invented
start: closed
complaint:
  name: dark
  title: Dark
  any_of: [lamp_out]
  retest: {minutes: 3, missed: 0.03}
histories:
  dropped: {states: [no, yes], ask: "Dropped?", chance: {yes: 0.2}}
causes:
  lamp: {states: [fine, dead], noisy_or: {leak: 0.01, links: {dropped: 0.1}}, basis: {guess: mine}}
  wire: {states: [fine, cut], chance: {cut: 0.1, basis: {count: "3 of 30", worth: 30}}}
conditions:
  lamp_out: {states: [no, yes], any_of: [lamp, wire]}
findings:
  light: {states: [on, off], test: {of: lamp_out, sensitivity: 0.9, specificity: 0.95}}
  glow:
    states: [bright, none]
    table:
      - {when: {lamp: dead}, gives: {none: 0.9}}
      - {otherwise: {none: 0.1}}
  hum:
    states: [yes, no]
    rule:
      - {when: {wire: cut}, then: no}
      - {otherwise: yes}
stages:
  closed: {title: Closed, powered: yes}
  open: {title: Open, powered: yes}
moves:
  - {from: closed, to: open, minutes: 4}
  - {from: open, to: closed, minutes: 4}
checks:
  look: {title: Look, observes: [light, glow], minutes: 1, stage: closed, kits: [meter]}
  listen: {title: Listen, observes: [hum], minutes: 1, stage: open}
kits:
  meter: {title: Meter, minutes: 1, consumables: 2}
stops:
  - {finding: hum, results: [no], say: Stop.}
proofs:
  lit: {title: Lit, passes: It is lit., minutes: 1}
repairs:
  new_lamp:
    title: New lamp
    mends: {lamp: 0.9, wire: 0.9}
    stage: open
    minutes: 5
    part: {low: 1, likely: 2, high: 3}
    risk: {chance: 0.1, cost: 2, says: It breaks.}
    proof: [lit]
"""


@pytest.fixture
def asked_for(monkeypatch: pytest.MonkeyPatch) -> set[frozenset[str]]:
    """The sets of keys that the readers accept, as far as a test makes them read."""
    met: set[frozenset[str]] = set()
    first = fields_module.Fields.__init__

    def noting(self: Any, faults: Any, node: Any, line: int, label: str, known: Any) -> None:
        met.add(frozenset(known))
        first(self, faults, node, line, label, known)

    monkeypatch.setattr(fields_module.Fields, "__init__", noting)
    return met


def declared() -> set[frozenset[str]]:
    """The same sets put together from what is printed."""
    condition = {*keys.VARIABLE, *keys.DISTRIBUTION}
    variable = condition - {"first_of"}
    history = {*variable, *keys.OBSERVED}
    part = {*keys.PART_FILE, *NAMED, *LISTED, *SINGLE}
    joined = [condition, variable, history, {*history, *keys.FINDING}, part]
    apart = (
        *(keys.VARIABLE, keys.DISTRIBUTION, keys.OBSERVED, keys.FINDING),
        *(keys.PART_FILE, keys.EXTENDS),
    )
    return {frozenset(one) for one in (*joined, *(k for k in keys.ALL if k not in apart))}


def test_the_keys_that_readers_accept_are_those_that_are_printed(
    asked_for: set[frozenset[str]],
) -> None:
    parse_model(EVERYTHING, "all_ways.yaml")
    for path in (ROOT / "models").glob("*.yaml"):
        parse_model(path.read_bytes(), str(path))
    # Looks at a single section or key by itself, before the whole is read.
    alone = {frozenset([section]) for section in (*NAMED, *LISTED, *SINGLE, "include")}
    assert asked_for - alone - {frozenset(keys.AMONG)} == declared() - {frozenset(keys.AMONG)}
    assert frozenset(keys.AMONG) in asked_for
    # Sections that can be included are sections of a model.
    assert {*NAMED, *LISTED} <= set(keys.ROOT)


def test_a_key_that_is_not_printed_is_refused_and_extends_is_one() -> None:
    with pytest.raises(ModelFileError, match="glimmer"):
        parse_model(EVERYTHING.replace("  lamp: {", "  lamp: {glimmer: 1, "), "all_ways.yaml")
    extended = [
        path for path in (ROOT / "models").glob("*.yaml") if "extends: yes" in path.read_text()
    ]
    assert extended
    assert list(keys.EXTENDS) == ["extends"]


def test_the_command_prints_each_with_its_meaning_within_80_columns(run: Run) -> None:
    page = run("model", "keys").output
    assert max(map(len, page.splitlines())) <= 80
    words = " ".join(page.split())
    for group in keys.ALL:
        assert all(meaning for meaning in group.values())
        for key, meaning in group.items():
            assert f"{key}: {' '.join(meaning.split())}" in words
