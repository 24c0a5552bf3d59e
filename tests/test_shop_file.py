"""The shop's own settings."""

from __future__ import annotations

from pathlib import Path

import pytest

from faultfinder.decide.shop import Shop
from faultfinder.decide.shop_file import parse_shop, read_shop
from faultfinder.errors import MisuseError, ModelFileError


def test_a_shop_without_a_file_gets_the_defaults(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FAULTFINDER_SHOP", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert read_shop() == Shop()


def test_a_setting_in_the_file_counts(tmp_path: Path) -> None:
    path = tmp_path / "shop.yaml"
    path.write_text("labour_per_hour: 72\n")
    shop = read_shop(path)
    assert shop.labour_per_hour == 72.0
    assert shop.comeback == Shop().comeback


def test_another_currency_needs_every_amount_in_it(tmp_path: Path) -> None:
    path = tmp_path / "shop.yaml"
    path.write_text("labour_per_hour: 6000\ncurrency: YEN\n")
    with pytest.raises(ModelFileError, match="hand_over"):
        read_shop(path)
    amounts = "comeback: 9000\nhand_over: 40000\nwaiting_per_day: 400\ndear_part: 10000\n"
    path.write_text(f"labour_per_hour: 6000\ncurrency: YEN\n{amounts}worth_per_bit: 4000\n")
    assert read_shop(path).currency == "YEN"


def test_every_fault_is_told_with_its_line() -> None:
    text = b"labour_per_hour: -1\nlabor: 3\ncomeback: [1]\nhand_over: nan\n"
    with pytest.raises(ModelFileError) as refused:
        parse_shop(text, "shop.yaml")
    assert [problem.line for problem in refused.value.problems] == [1, 2, 3, 4]
    assert "labour_per_hour" in refused.value.problems[1].right


def test_a_named_file_that_is_missing_is_told(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="no shop settings file"):
        read_shop(tmp_path / "none.yaml")
