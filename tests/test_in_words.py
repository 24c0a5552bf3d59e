"""The step as one says it to a colleague: what to do and where it leads, in 45 words."""

from __future__ import annotations

import json
import random
import re

import pytest

from faultfinder import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.in_words import WORDS, step_in_words
from faultfinder.errors import FaultfinderError
from faultfinder.inference.loading import load_model
from tests import MODELS
from tests.conftest import Run

FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")


@pytest.mark.parametrize("family", FAMILIES)
def test_after_each_single_result_it_is_said_in_45_words_and_does_not_break_off(
    family: str,
) -> None:
    compiled = load_model(MODELS / f"{family}.yaml")
    said = {}
    for check in compiled.model.checks:
        if not check.intake:
            continue
        for name in check.observes:
            for result in compiled.model.by_name[name].states[1:]:
                told = consult(Case(compiled, {name: result}))
                if not told.stop:
                    said[name, result] = step_in_words(told)
    assert len(said) > 30
    for known, words in said.items():
        assert 5 <= len(words.split()) <= WORDS, (known, words)
        assert not words.endswith("..."), (known, words)
        assert "{" not in words
        assert "  " not in words
    # It is not the same whatever is known.
    assert len(set(said.values())) > len(said) / 2


@pytest.mark.parametrize("family", FAMILIES)
def test_what_takes_a_part_in_hand_says_that_power_is_off(family: str) -> None:
    model = load_model(MODELS / f"{family}.yaml").model
    off = next(one.short.lower() for one in model.stages if one.short and not one.powered)
    handled = re.compile(r"\b(plugs?|cable|memory|modules|fuse|cell|touch plug)\b")
    said = [one.briefly.lower() for one in model.suggestions if handled.search(one.briefly)]
    assert len(said) > 12
    for words in said:
        assert off in words, words
        assert not handled.search(words[: words.index(off)]), words


@pytest.mark.parametrize("family", FAMILIES)
def test_after_three_results_it_is_whole_sentences_in_45_words(family: str) -> None:
    compiled = load_model(MODELS / f"{family}.yaml")
    asked = [
        (name, result)
        for check in compiled.model.checks
        if check.intake
        for name in check.observes
        for result in compiled.model.by_name[name].states[1:]
    ]
    drawn = random.Random(45)
    seen = 0
    while seen < 25:
        known = dict(drawn.sample(asked, 3))
        try:
            told = consult(Case(compiled, known))
            said = step_in_words(told)
        except FaultfinderError:
            continue  # What cannot be found together.
        seen += 1
        if not told.stop:
            assert len(said.split()) <= WORDS, (known, said)
            assert said.endswith((".", "?")), (known, said)


def test_where_three_ways_are_open_all_three_are_said() -> None:
    """Common practice, no source: torch and outside screen part light, display and start."""
    dark = Case(load_model(MODELS / "bezel_clamshell.yaml"), {"screen_light": "dark"})
    said = step_in_words(consult(dark.with_result("began", "at_once")))
    for way in ("image by torch: ", "nothing outside: ", "good outside, none by torch: "):
        assert way in said.lower()
    # Power is off before a hand goes in, on each of the ways.
    assert said.lower().count("battery off") == 3


def test_a_stop_is_all_that_is_said() -> None:
    case = Case(load_model(MODELS / "thin_clamshell.yaml"), {"battery": "swollen"})
    told = consult(case)
    assert step_in_words(told) == told.stop
    assert told.stop.startswith("Stop. ")


def test_command_and_plain_form_say_the_same(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    typed = ("-m", "thin_clamshell", "-s", "screen_light=dark", "-s", "torch=image_seen")
    briefly = run("next", *typed, "--briefly").output
    assert json.loads(run("next", *typed, "--json").output)["in_words"] == briefly.strip()
    assert briefly.count("\n") == 1
    refused = run("next", *typed, "--briefly", "--full")
    assert refused.exit_code == 2
    assert "--briefly prints one thing" in refused.output
