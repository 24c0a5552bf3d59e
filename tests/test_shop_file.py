"""The shop's own settings."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from faultfinder import Case, consult, load_model
from faultfinder.cli.main import commands
from faultfinder.decide.shop import Shop
from faultfinder.decide.shop_file import parse_shop, read_shop
from faultfinder.errors import MisuseError, ModelFileError
from faultfinder.report.consultation.repair import price_words
from tests import MODELS


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


PRICES = """\
parts:
  thin_clamshell:
    replace_cable: {price: 14, on: 2026-11-02}
    replace_panel: {low: 60, likely: 95, high: 120, on: 2026-10, kind: used}
"""


def test_the_shops_part_prices_take_the_place_of_the_models(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    shop = parse_shop(PRICES.encode(), "shop.yaml")
    assert [(one.repair, one.price.likely, one.price.on, one.price.kind) for one in shop.parts] == [
        ("replace_cable", 14.0, "2026-11-02", ""),
        ("replace_panel", 95.0, "2026-10", "used"),
    ]
    compiled = load_model("thin_clamshell")
    known = {"glass": "cracked", "external_monitor": "good", "image": "half_missing"}
    usual, own = consult(Case(compiled, known)), consult(Case(compiled, known, shop=shop))
    assert usual.quote is not None
    assert own.quote is not None
    part = compiled.model.repairs_by_name["replace_panel"].part
    assert usual.quote.repaired - own.quote.repaired == pytest.approx(part.likely - 95.0)
    assert own.causes == usual.causes
    # What is asked of the case later is in the same prices, and the model as it was.
    later = own.case.with_result("battery", "flat_shaped")
    assert later.model is own.case.model
    assert compiled.model.repairs_by_name["replace_panel"].part == part
    repair = own.case.model.model.repairs_by_name["replace_panel"]
    said = price_words(own.case.model.model, repair, "EUR")
    assert said.endswith("days' wait (used part, price of 2026-10).")
    guessed = compiled.model.repairs_by_name["replace_panel"]
    assert price_words(compiled.model, guessed, "EUR").endswith("(a guess of 2025).")


def test_a_price_for_a_repair_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    text = PRICES.replace("replace_panel", "replace_panels")
    shop = parse_shop(text.encode(), "shop.yaml")
    with pytest.raises(MisuseError, match=r"replace_panels of thin_clamshell.*replace_panel\?"):
        Case(load_model("thin_clamshell"), shop=shop)


@pytest.mark.parametrize(
    ("before", "after", "line", "found"),
    [
        ("thin_clamshell", "thin_clamshel", 2, "not a key of parts"),
        (", on: 2026-11-02", "", 3, "has no on"),
        ("2026-11-02", "2026-13-02", 3, "on of the price of replace_cable"),
        ("kind: used", "kind: old", 4, "kind of the price of replace_panel"),
        ("likely: 95", "likely: 9", 4, "goes from"),
        ("price: 14", "price: 14, high: 20", 3, "given twice"),
    ],
)
def test_a_price_that_cannot_be_is_told_at_its_line(
    before: str, after: str, line: int, found: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    with pytest.raises(ModelFileError) as refused:
        parse_shop(PRICES.replace(before, after).encode(), "shop.yaml")
    first = refused.value.problems[0]
    assert (first.line, found in first.found) == (line, True)


def test_model_prices_prints_the_lines_to_fill_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS))
    printed = CliRunner().invoke(commands, ["model", "prices", "thin_clamshell"]).output
    line = next(line for line in printed.splitlines() if "replace_panel: " in line)
    filled = line.replace("# ", "").replace("price: ", "price: 95").replace("on: ", "on: 2026")
    text = f"parts:\n  thin_clamshell:\n{filled.replace(', kind: ', '')}\n"
    assert parse_shop(text.encode(), "shop.yaml").parts[0].price.likely == 95.0
    assert max(map(len, printed.splitlines())) <= 100
