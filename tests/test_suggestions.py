"""What is suggested: by what was told together, by likely causes, without what is known."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.consultation.suggestions import (
    LEADS,
    LIKELY,
    Suggested,
    conditions,
    of_likely,
    of_results,
    unsaid,
    with_likely,
)
from faultfinder.errors import ModelFileError
from faultfinder.inference.loading import load_model
from faultfinder.model.parts import FaultModel, Kind, Phrase, Suggestion, meanings
from faultfinder.model.reading.reader import parse_model
from faultfinder.model.sentences import sentences
from tests.small_model import SMALL_MODEL

SHIPPED = Path(__file__).resolve().parents[1] / "models"
FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")


def shipped(family: str) -> FaultModel:
    return load_model(SHIPPED / f"{family}.yaml").model


def saying(*suggestions: Suggestion) -> FaultModel:
    return replace(shipped("thin_clamshell"), suggestions=suggestions)


def test_what_several_results_suggest_together_stands_for_each_of_them() -> None:
    two = Suggestion("two", "Two.", {"after": ("firmware_write",), "fault_signal": ("beeps",)})
    three = replace(two, name="three", say="Three.", when={**two.when, "screen_light": ("dark",)})
    told: dict[str, str | None] = {"fault_signal": "beeps", "after": "firmware_write"}
    alone = {one.findings for one in of_results(saying(), told)}
    assert alone == {("after",), ("fault_signal",)}
    assert [one.say for one in of_results(saying(two, three), told)] == ["Two."]
    told["screen_light"] = "dark"
    assert [one.say for one in of_results(saying(two, three), told)] == ["Three."]
    # Another result, or one that could not be told, leaves them to speak for themselves.
    for other in ("blinks", None):
        told["fault_signal"] = other
        assert "Two." not in [one.say for one in of_results(saying(two, three), told)]


def test_the_fewest_causes_of_which_one_is_likely_enough_to_lead_have_the_say() -> None:
    pair = Suggestion("pair", "One of two.", likely=("panel", "panel_image"))
    single = Suggestion("single", "The panel.", likely=("panel",))
    model = saying(pair, single)
    assert of_likely(model, {"panel": 0.3, "panel_image": 0.1}) is None

    def say(panel: float, image: float) -> str:
        likely = of_likely(model, {"panel": panel, "panel_image": image})
        assert likely is not None
        return likely.say

    assert say(LIKELY - 0.1, LEADS - LIKELY + 0.1) == "One of two."
    assert say(LEADS, 0.3) == "The panel."
    assert say(LIKELY, 0.05) == "One of two."


def test_one_or_two_causes_that_lead_come_before_what_a_single_result_suggests() -> None:
    model = shipped("thin_clamshell")
    first, joint = Suggested("after", ("after",)), Suggested("joint", ("image", "glass"))
    single = Suggested("image", ("image",))
    sure = Suggested("sure", (), ("lamp", "panel"), LEADS)
    told = (first, joint, single)
    assert with_likely(model, told, None) == told
    assert with_likely(model, told, sure) == (first, joint, sure, single)
    for late in (replace(sure, chance=LEADS - 0.01), replace(sure, causes=("a", "b", "c"))):
        assert with_likely(model, told, late) == (*told, late)


OUTSIDE = Phrase("good", ("good outside", "clean outside"), {"outside": ("good",)})
PAGES = Phrase("pages", ("as bad on the pages",), {"pages": ("bad",)})
LOOK = Phrase("look", ("torch", "lock key"), {"torch": ()})
EITHER = Phrase("either", ("good on either",), {"outside": ("good",), "pages": ("good",)})


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({}, "Torch and waiting. As bad on the pages, clean outside: the panel. Else: wait."),
        ({"outside": "good"}, "Torch and waiting. As bad on the pages: the panel. Else: wait."),
        ({"outside": "good", "pages": "bad"}, "Torch and waiting. The panel. Else: wait."),
        ({"outside": "same"}, "Torch and waiting. Else: wait."),
        ({"outside": None}, "Torch and waiting. As bad on the pages, clean outside: the panel. "
                            "Else: wait."),
        ({"torch": "seen"}, "Waiting. As bad on the pages, clean outside: the panel. Else: wait."),
    ],
)  # fmt: skip
def test_what_is_known_is_not_said_again(known: dict[str, str | None], said: str) -> None:
    say = "Torch and waiting. As bad on the pages, clean outside: the panel. Else: wait."
    assert unsaid(say, meanings([OUTSIDE, PAGES, LOOK]), known) == said


def test_a_phrase_for_either_of_two_findings_falls_away_with_both() -> None:
    say = "Good on either: the driver."
    assert unsaid(say, meanings([EITHER]), {"outside": "same"}) == say
    assert unsaid(say, meanings([EITHER]), {"outside": "same", "pages": "good"}) == "The driver."
    assert unsaid(say, meanings([EITHER]), {"outside": "same", "pages": "bad"}) == ""


def test_a_lookup_that_was_made_is_not_suggested_on_the_shipped_models() -> None:
    compiled = load_model(SHIPPED / "thin_clamshell.yaml")
    case = Case(compiled, {"image": "lines_across"})
    before = " ".join(one.say for one in consult(case).suggestions)
    good = consult(case.with_result("external_monitor", "good"))
    after = " ".join(one.say for one in good.suggestions)
    assert "clean outside" in before.lower()
    assert "outside" not in after.lower().split("driver")[0]
    assert "reseat" in after


def spoken_of(model: FaultModel) -> set[str]:
    """The conditions in all that is suggested, and the steps said briefly."""
    texts = [one.say for one in model.suggestions]
    texts += [t for c in model.checks for of in c.suggests.values() for t in of.values()]
    brief = {step.lower() for one in model.suggestions for step in re.split("[,;] ", one.briefly)}
    return brief | {p.lower() for t in texts for one in sentences(t) for p in conditions(one)}


def test_where_a_round_leads_is_said_in_few_words() -> None:
    for family in FAMILIES:
        likely = [one for one in shipped(family).suggestions if one.likely]
        assert all(one.briefly for one in likely)
        # "Battery off" stands for two, "unplugged and drained" for three.
        assert max(len(one.briefly.split()) for one in likely) <= 16


def test_no_phrase_is_a_slip_of_the_pen() -> None:
    models = [shipped(family) for family in FAMILIES]
    said = {one.lower() for model in models for phrase in model.phrases for one in phrase.said}
    assert len(said) > 30
    assert said - set().union(*map(spoken_of, models)) == set()


def test_every_suggestion_is_said_for_each_of_its_results() -> None:
    """In one family at least: an entry for more findings, or before it, may speak instead."""
    every, said = set(), set()
    for model in map(shipped, FAMILIES):
        for one in model.suggestions:
            for results in product(*one.when.values()) if one.when else ():
                told: dict[str, str | None] = dict(zip(one.when, results, strict=True))
                every.add((one.name, results))
                if one.say in [found.say for found in of_results(model, told)]:
                    said.add((one.name, results))
    assert every - said == set()


@pytest.mark.parametrize("family", FAMILIES)
def test_every_cause_is_spoken_of_when_it_is_sure(family: str) -> None:
    model = shipped(family)
    causes = [one.name for one in model.variables if one.kind is Kind.CAUSE]
    silent = {name for name in causes if of_likely(model, {name: 1.0}) is None}
    # Found by elimination, or by what was done.
    assert silent <= {"processor_or_seating"}


def test_nothing_suggested_on_a_desktop_speaks_of_a_battery_or_a_lid() -> None:
    model = shipped("onepiece_desktop")
    spoken = re.compile(r"\b(batter\w*|lid|swollen|magnet\w*|charger alone)\b", re.IGNORECASE)
    # Not told of a machine without a battery.
    never = {"on_battery", "on_charger", "battery_run_flat"}
    for check in model.checks:
        for name in check.observes:
            for result in model.by_name[name].states:
                if result not in never:
                    for one in of_results(model, {name: result}):
                        assert not spoken.search(one.say), (name, result, one.say)
    for one in model.suggestions:
        if never.isdisjoint(result for of in one.when.values() for result in of):
            assert not spoken.search(one.say), one.name


def test_a_suggestion_says_when_or_of_what() -> None:
    text = SMALL_MODEL + "\nsuggestions:\n  lost:\n    say: Look again.\n"
    with pytest.raises(ModelFileError) as refused:
        parse_model(text, "small.yaml")
    assert "suggestion lost says neither after what it is said nor of which causes." in str(
        refused.value
    )


def test_a_step_that_was_made_is_left_out_and_what_follows_it_stays() -> None:
    meanings = {"brightness up": {"keys": ()}, "good outside": {"outside": ("good",)}}
    said = "Nothing presses, brightness up: reseat it. Good outside: the cable."
    assert unsaid(said, meanings, {"keys": "no_change"}) == (
        "Nothing presses: reseat it. Good outside: the cable."
    )
    # A condition that another result speaks against takes its sentence along.
    assert unsaid(said, meanings, {"outside": "nothing"}) == (
        "Nothing presses, brightness up: reseat it."
    )
