"""Whatever is in a file or typed: a sentence, soon, and without taking the memory.

Longer runs: python -m tests.fuzz TARGET --count N.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from functools import cache
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultfinder.decide.shop_file import parse_shop
from faultfinder.errors import FaultfinderError, MisuseError, ModelFileError, counted
from faultfinder.inference import compiled as compiling
from faultfinder.inference.compiled import compile_model
from faultfinder.inference.loading import load_model
from faultfinder.inference.tree import build_tree, tree_size
from faultfinder.model.answers import find_result, find_variable
from faultfinder.model.parts import FaultModel
from faultfinder.model.reading.reader import parse_model
from faultfinder.tickets.exchange.arriving import RowError
from faultfinder.tickets.exchange.json_lines import from_line
from faultfinder.tickets.opening import open_store
from faultfinder.tickets.searching import Wanted, find_tickets
from tests.fuzz.__main__ import failure
from tests.fuzz.mutate import ODD_CELLS, mutated
from tests.fuzz.targets import NOW, TARGETS
from tests.small_model import SMALL_MODEL

SECONDS = 10.0
"""An input must be done within this, on a machine that does other things as well."""


@pytest.mark.parametrize("name", TARGETS)
def test_no_changed_file_brings_anything_but_a_sentence(name: str) -> None:
    target, random = TARGETS[name], Random(20261)
    seeds = target.seeds()
    if name == "model":
        seeds = seeds[:1]
    end = time.perf_counter() + 2.0
    done = 0
    while done < 20 or (done < 400 and time.perf_counter() < end):
        data = mutated(random, seeds, target.binary)
        said, took = failure(target.run, data)
        assert not said or (said.startswith("slow") and took < SECONDS), (said, data[:500])
        done += 1


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=300), st.sampled_from(sorted(TARGETS)))
def test_no_bytes_bring_anything_but_a_sentence(data: bytes, name: str) -> None:
    TARGETS[name].run(data)


@cache
def _small() -> FaultModel:
    return parse_model(SMALL_MODEL, "small.yaml")


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=40), st.sampled_from(["backlight", "supply_volts", "image"]))
def test_whatever_is_typed_is_a_result_or_a_sentence(typed: str, name: str) -> None:
    variable = _small().by_name[name]
    try:
        found = find_result(variable, typed)
    except MisuseError:
        return
    assert found in (None, *variable.states)


def test_a_mutation_that_breaks_a_reader_is_seen() -> None:
    def broken(data: bytes) -> None:
        raise KeyError("invented")

    assert failure(broken, b"")[0].startswith("KeyError")


# --- models that would not fit: refused by their size


def _model(causes: str, findings: str, of: str, checks: str, conditions: str = "") -> str:
    return (
        "faultfinder_model: 1\nname: small\ntitle: Invented\nstart: closed\n"
        "stages: {closed: {title: Closed, powered: yes}}\n"
        f"complaint: {{name: comp, title: Complaint, any_of: {of}}}\n"
        f"causes:\n{causes}"
        + (f"conditions:\n{conditions}" if conditions else "")
        + f"findings:\n{findings}checks:\n{checks}"
    )


def _causes(count: int) -> str:
    return "".join(f"  c{i}: {{states: [no, yes], chance: {{yes: 0.01}}}}\n" for i in range(count))


def _all(count: int) -> str:
    return "[" + ", ".join(f"c{i}" for i in range(count)) + "]"


def _checks(*names: str) -> str:
    return "".join(
        f"  k_{n}: {{title: Look, observes: [{n}], minutes: 1, stage: closed}}\n" for n in names
    )


def _tests(count: int) -> str:
    return "".join(
        f"  f{i}: {{states: [no, yes], test: {{of: c0, sensitivity: 0.9, specificity: 0.9}}}}\n"
        for i in range(count)
    )


def _refused(text: str) -> str:
    begin = time.perf_counter()
    with pytest.raises(FaultfinderError) as caught:
        compile_model(parse_model(text, "small.yaml"))
    assert time.perf_counter() - begin < SECONDS
    return str(caught.value)


def test_a_model_whose_tree_would_be_too_large_is_refused_with_its_size() -> None:
    random = Random(1)
    picks = [sorted(random.sample(range(60), 8)) for _ in range(60)]
    conditions = "".join(
        f"  d{i}: {{states: [no, yes], any_of: [{', '.join(f'c{j}' for j in pick)}]}}\n"
        for i, pick in enumerate(picks)
    )
    findings = "".join(
        f"  f{i}: {{states: [no, yes], test: {{of: d{i}, sensitivity: 0.9, specificity: 0.9}}}}\n"
        for i in range(60)
    )
    checks = _checks(*(f"f{i}" for i in range(60)))
    said = _refused(_model(_causes(60), findings, _all(60), checks, conditions))
    assert "needs a table of" in said
    assert "the limit is 20,000,000" in said


def test_many_states_under_a_worst_of_are_refused_with_the_size() -> None:
    states = "[" + ", ".join(f"s{i}" for i in range(900)) + "]"
    chances = "{" + ", ".join(f"s{i}: 0.001" for i in range(1, 900)) + "}"
    each = "{" + ", ".join(f"s{i}: s{i}" for i in range(1, 900)) + "}"
    causes = "".join(f"  c{i}: {{states: {states}, chance: {chances}}}\n" for i in range(3))
    condition = f"  d: {{states: {states}, worst_of: {{c0: {each}, c1: {each}, c2: {each}}}}}\n"
    finding = "  f: {states: [no, yes], test: {of: d, sensitivity: 0.9, specificity: 0.9}}\n"
    said = _refused(_model(causes, finding, "[d]", _checks("f"), condition))
    assert "the tables of this model hold 2,187,002,700 numbers" in said
    assert "limit is 20,000,000" in said


def test_a_table_over_seventy_parents_is_refused() -> None:
    when = "{" + ", ".join(f"c{i}: yes" for i in range(70)) + "}"
    table = f"[{{when: {when}, gives: {{yes: 0.9}}}}, {{otherwise: {{yes: 0.1}}}}]"
    finding = f"  f: {{states: [no, yes], table: {table}}}\n"
    said = _refused(_model(_causes(70), finding, _all(70), _checks("f")))
    assert "would hold more than 10^15 numbers" in said


def test_a_check_with_too_many_joint_results_is_refused() -> None:
    names = ", ".join(f"f{i}" for i in range(26))
    check = f"  k: {{title: Look, observes: [{names}], minutes: 1, stage: closed}}\n"
    assert "67,108,864 joint results" in _refused(_model(_causes(1), _tests(26), "[c0]", check))


def test_too_many_rows_over_a_large_table_are_refused() -> None:
    rows = ", ".join(
        "{when: {"
        + ", ".join(f"c{i}: {'yes' if r >> i & 1 else 'no'}" for i in range(18))
        + "}, gives: {yes: 0.9}}"
        for r in range(300)
    )
    finding = f"  f: {{states: [no, yes], table: [{rows}, {{otherwise: {{yes: 0.1}}}}]}}\n"
    assert "rows times" in _refused(_model(_causes(18), finding, _all(18), _checks("f")))


def test_too_many_variables_stages_and_steps_are_refused() -> None:
    assert "601" in _refused(_model(_causes(600), _tests(0), "[c0]", _checks("f")))
    stages = "".join(f"  s{i}: {{title: Stage, powered: yes}}\n" for i in range(101))
    text = _model(_causes(1), _tests(1), "[c0]", _checks("f0"))
    text = text.replace("stages: {closed: {title: Closed, powered: yes}}\n", f"stages:\n{stages}")
    assert "101 stages" in _refused(text)
    links = "{" + ", ".join(f"c{i}: 0.2" for i in range(590)) + "}"
    finding = f"  f: {{states: [no, yes], noisy_or: {{leak: 0.1, links: {links}}}}}\n"
    wide = "".join(f"  d{i}: {{states: [no, yes], any_of: {_all(590)}}}\n" for i in range(2))
    said = _refused(_model(_causes(590), finding, "[d0, d1]", _checks("f"), wide))
    assert "1,500 variables" in said


# --- bombs


def test_long_texts_behind_aliases_are_counted_as_often_as_they_stand() -> None:
    long = "x " * 100_000
    causes = f'  c0: {{title: &t "{long}", states: [no, yes], chance: {{yes: 0.1}}}}\n' + "".join(
        f"  c{i}: {{title: *t, states: [no, yes], chance: {{yes: 0.1}}}}\n" for i in range(1, 50)
    )
    said = _refused(_model(causes, _tests(1), "[c0]", _checks("f0")))
    assert "1,000,000 characters" in said


def test_word_lists_that_name_a_long_list_often_are_refused() -> None:
    words = "word_lists: {big: [" + ", ".join(f"w{i}" for i in range(5000)) + "]}\n"
    often = "[" + ", ".join("{list: big}" for _ in range(3000)) + "]"
    text = SMALL_MODEL.replace("histories:\n", f"{words}histories:\n", 1)
    assert "30,000 spoken words" in _refused(text.replace("[dropped, squeezed]", often))


def test_a_key_as_long_as_a_page_is_a_fault() -> None:
    assert "A key has at most 1,000" in _refused(SMALL_MODEL + "n" * 1010 + ": x\n")


def test_hundreds_of_misspelt_names_are_told_soon() -> None:
    findings = "".join(
        f"  f{i}: {{states: [no, yes], noisy_or: {{leak: 0.1, links: {{c{i}x: 0.2}}}}}}\n"
        for i in range(290)
    )
    assert "Did you mean c7?" in _refused(_model(_causes(290), findings, "[c0]", _checks("f0")))


def test_an_included_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    path = tmp_path / "small.yaml"
    path.write_text(SMALL_MODEL.replace("start:", "include: [pipe.yaml]\nstart:", 1))
    with pytest.raises(ModelFileError, match="no regular file"):
        load_model(path)


def test_a_model_file_without_end_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "small.yaml"
    with path.open("wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(ModelFileError, match="at most"):
        load_model(path)


def test_a_shop_file_of_a_thousand_faults_is_told_soon() -> None:
    content = "".join(f"labur_{i}: 1\n" for i in range(5000)).encode()
    begin = time.perf_counter()
    with pytest.raises(ModelFileError) as caught:
        parse_shop(content, "shop.yaml")
    assert time.perf_counter() - begin < SECONDS
    assert len(caught.value.problems) == 301
    assert "stopped after 300" in caught.value.problems[-1].found


def test_words_typed_without_end_are_refused_soon() -> None:
    model = load_model("thin_clamshell").model
    meter = next(v for v in model.variables if v.reading is not None)
    begin = time.perf_counter()
    for typed in ("1 a" + " " * 100_000 + "b", "x" * 1_000_000):
        with pytest.raises(MisuseError, match="characters long"):
            find_result(meter, typed)
        with pytest.raises(MisuseError, match="characters long"):
            find_variable(model, typed)
    assert time.perf_counter() - begin < 1.0


def test_a_count_beyond_reading_is_not_written_out() -> None:
    assert counted(20_000_000) == "20,000,000"
    assert counted(2**20_000) == "more than 10^15"


# --- the tree


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.integers(0, 9), min_size=1, max_size=4), min_size=1, max_size=12),
    st.lists(st.integers(2, 4), min_size=10, max_size=10),
)
def test_the_size_told_beforehand_is_that_of_the_tree(
    scopes: list[list[int]], cards: list[int]
) -> None:
    tree = build_tree(scopes, cards)
    assert tree_size(scopes, cards) == tree.size
    assert all(tree.home(scope) is not None for scope in scopes)


def test_a_readout_beyond_the_limit_is_not_made(monkeypatch: pytest.MonkeyPatch) -> None:
    model = parse_model(SMALL_MODEL, "small.yaml")
    assert any(compile_model(model).readouts.values())
    monkeypatch.setattr(compiling, "READOUT_LIMIT", 1)
    assert not any(compile_model(model).readouts.values())


# --- tables and lines


def _table_cell(words: str) -> bytes:
    seed = TARGETS["mapped_table"].seeds()[0].decode()
    return seed.replace("display plug", words, 1).encode()


def test_a_cell_of_a_million_words_is_one_bad_row() -> None:
    begin = time.perf_counter()
    TARGETS["mapped_table"].run(_table_cell('"' + "x;" * 1_000_000 + '"'))
    assert time.perf_counter() - begin < SECONDS


def test_a_table_of_a_million_columns_is_refused() -> None:
    begin = time.perf_counter()
    TARGETS["mapped_table"].run(b";".join(b"%d" % i for i in range(1_000_000)) + b"\n1\n")
    assert time.perf_counter() - begin < SECONDS


@pytest.mark.parametrize("levels", [25, 900, 940, 960, 980, 2000, 200_000])
def test_lines_nested_at_any_depth_are_refused(levels: int) -> None:
    deep = "[" * levels * 5 + "]" * levels * 5 if levels < 30 else "[" * levels + "]" * levels
    line = json.loads(TARGETS["json_lines"].seeds()[0].splitlines()[0])
    text = json.dumps(line).replace('"data": {', f'"data": {{"deep": {deep}, ', 1)
    with pytest.raises(RowError, match="nested too deep"):
        from_line(text, 1, NOW, lambda name: None)


@pytest.mark.parametrize("limit", [10**400, 1e13, -(10**13)])
def test_an_amount_beyond_all_money_is_a_bad_row(limit: float) -> None:
    line = json.loads(TARGETS["json_lines"].seeds()[0].splitlines()[0])
    line["events"][0]["data"]["limit"] = limit
    with pytest.raises(RowError, match="An amount is 0 to"):
        from_line(json.dumps(line), 1, NOW, lambda name: None)


# --- a damaged file of tickets


def test_a_log_with_any_odd_value_in_it_is_a_sentence(tmp_path: Path) -> None:
    seed = TARGETS["store"].seeds()[0]
    refused: list[str] = []
    for number, odd in enumerate(ODD_CELLS):
        path = tmp_path / f"{number}.db"
        path.write_bytes(seed)
        connection = sqlite3.connect(path)
        try:
            connection.execute("update event set data = ? where number = 2", (odd,))
            connection.commit()
        except sqlite3.IntegrityError:
            continue
        finally:
            connection.close()
        store = open_store(path)
        found, count = find_tickets(store, Wanted(open=None), 50)
        assert len(found) == count > 10
        refused += [flaw for ticket in found for flaw in ticket.damage]
        store.close()
    assert len(refused) > 10
    assert all(flaw.startswith("entry 2: ") for flaw in refused)


def test_tables_whose_names_are_no_text_are_a_sentence(tmp_path: Path) -> None:
    seed = TARGETS["store"].seeds()[0]
    path = tmp_path / "damaged.db"
    path.write_bytes(seed.replace(b"CREATE TABLE store", b"CREATE TABLE st\xc0re"))
    with pytest.raises(FaultfinderError, match="damaged"):
        open_store(path)


def test_tables_of_a_version_that_is_no_text_are_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "odd.db"
    path.write_bytes(TARGETS["store"].seeds()[0])
    connection = sqlite3.connect(path)
    connection.execute("update alembic_version set version_num = x'ff00'")
    connection.commit()
    connection.close()
    with pytest.raises(FaultfinderError, match="tables"):
        open_store(path)


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("ordered", '{"repair": null, "price": "dear", "due": null}'),
        ("intake", '{"model": "thin_clamshell", "limit": "much"}'),
        ("remodelled", "{}"),
    ],
)
def test_entries_that_lack_what_their_kind_has_are_read_shown_and_marked(
    kind: str, data: str, tmp_path: Path
) -> None:
    path = tmp_path / "odd.db"
    path.write_bytes(TARGETS["store"].seeds()[0])
    number = 1 if kind == "intake" else 3
    connection = sqlite3.connect(path)
    connection.execute(
        "update event set kind=?, data=? where number=? and ticket=1", (kind, data, number)
    )
    connection.commit()
    connection.close()
    store = open_store(path)
    (damage,) = store.ticket(1).damage
    assert damage.startswith(f"entry {number}: ")
    assert store.ticket(2).damage == ()
    store.close()
