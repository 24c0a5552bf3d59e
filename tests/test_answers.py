"""What people type at the bench is understood, or asked about; never guessed."""

from __future__ import annotations

import pytest

from faultfinder.errors import MisuseError
from faultfinder.inference.loading import load_model
from faultfinder.model.answers import find_result, find_variable

MODEL = load_model("thin_clamshell").model
VOLTS = MODEL.by_name["battery_volts"]


@pytest.mark.parametrize("typed", ["11.4 V", "11,4 V", "11400 mV", "11.4V", "1.14e1 V", "11.4 v"])
def test_one_reading_in_many_ways(typed: str) -> None:
    assert find_result(VOLTS, typed) == find_result(VOLTS, "11.4 V")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("11.4", "no unit"),
        ("11.4 A", "not in"),
        ("11,400 mV", "two ways"),
        ("1.140 V", "two ways"),
        ("-11.4 V", "probes swapped"),
        ("1e999 V", "too large"),
    ],
)
def test_a_reading_that_can_be_wrong_is_asked_about(typed: str, said: str) -> None:
    with pytest.raises(MisuseError, match=said):
        find_result(VOLTS, typed)


@pytest.mark.parametrize("typed", ["?", "unknown", "Don't know", "could not tell", "not sure"])
def test_could_not_tell_is_an_answer(typed: str) -> None:
    assert find_result(VOLTS, typed) is None


def test_a_name_cut_short_is_enough_where_it_is_clear() -> None:
    assert find_variable(MODEL, "torch").name == "torch_image"
    with pytest.raises(MisuseError, match="could be any of"):
        find_variable(MODEL, "lid")
    with pytest.raises(MisuseError, match="torch_image"):
        find_variable(MODEL, "torhc_image")
