"""Families tuned together learn what they share from each other's tickets, and no more."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from faultfinder.cli.lines import the_line
from faultfinder.cli.main import commands
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model, read_kept
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.em.pooling import tune_together
from faultfinder.learning.from_tickets import closed_tickets
from faultfinder.learning.versions import Version
from faultfinder.model.parts import Dense, FaultModel, Kind, Table, Variable
from faultfinder.tickets.opening import open_store
from tests.benchmarks.bench_pooling import families, one_shop
from tests.closed_tickets import drawn
from tests.drawn_tickets import drawn_tickets
from tests.networks import make_model, root
from tests.test_versions import AT, MODEL, PARTS


def family(own: float, common: float, other: float) -> CompiledModel:
    """One cause; a finding of the family's own and a common one, by P(second state | cause)."""
    told = [("own", own), ("common", common)]
    findings = [
        Variable(name, Kind.FINDING, name, ("s0", "s1"),
                 Dense(("cause",), np.array([[0.9, 0.1], [1 - share, share]])))
        for name, share in told
    ]  # fmt: skip
    return compile_model(make_model([root("cause", Kind.CAUSE, 1 - other, other), *findings]))


def figure(model: FaultModel, name: str) -> float:
    told = model.by_name[name].distribution
    assert isinstance(told, Dense)
    return float(told.values[1, 1])


def test_what_is_common_is_pooled_and_what_is_own_is_not() -> None:
    # By the files 70 % both; in the shop the common figure is 20 % in each family.
    first, second = family(0.7, 0.7, 0.4), family(0.6, 0.7, 0.3)
    shops = family(0.9, 0.2, 0.4), family(0.3, 0.2, 0.3)
    few, many = drawn(shops[0], 60, seed=1), drawn(shops[1], 2_000, seed=2)
    alone = tune(first, few, weigh_belief=True)
    both, _ = tune_together([(first, few), (second, many)])
    assert abs(figure(both.model, "common") - 0.2) < abs(figure(alone.model, "common") - 0.2)
    assert abs(figure(both.model, "common") - 0.2) < 0.04
    # The other family's own figure is 30 %: nothing of it comes over.
    assert figure(both.model, "own") == pytest.approx(figure(alone.model, "own"), abs=0.02)
    assert any(one.alike for one in both.weighed)


def test_families_that_differ_are_learnt_as_alone() -> None:
    first, second = family(0.7, 0.7, 0.4), family(0.6, 0.7, 0.3)
    shops = family(0.9, 0.05, 0.4), family(0.3, 0.95, 0.3)
    tickets = drawn(shops[0], 1_000, seed=1), drawn(shops[1], 1_000, seed=2)
    alone = [
        tune(model, some, weigh_belief=True)
        for model, some in zip((first, second), tickets, strict=True)
    ]
    both = tune_together([(first, tickets[0]), (second, tickets[1])])
    for one, other in zip(both, alone, strict=True):
        assert figure(one.model, "common") == pytest.approx(figure(other.model, "common"), abs=0.02)


def test_another_belief_is_another_figure() -> None:
    """A family whose file says something else of the same finding has a figure of its own."""
    first, second = family(0.7, 0.7, 0.4), family(0.6, 0.5, 0.3)
    changed = replace(
        second.model,
        variables=tuple(
            replace(v, distribution=Dense(("cause",), np.array([[0.8, 0.2], [0.5, 0.5]])))
            if v.name == "common"
            else v
            for v in second.model.variables
        ),
    )
    few = drawn(family(0.7, 0.2, 0.4), 60, seed=1)
    many = drawn(family(0.6, 0.9, 0.3), 500, seed=2)
    alone = tune(first, few, weigh_belief=True)
    both, _ = tune_together([(first, few), (compile_model(changed), many)])
    assert figure(both.model, "common") == pytest.approx(figure(alone.model, "common"), abs=1e-6)


def test_on_a_shop_of_four_families_pooling_gains() -> None:
    """The simulation of tests/benchmarks/bench_pooling.py, one shop of it."""
    _, alone, together, _, said = one_shop(families(), 500, apart=False, fresh=400)
    assert said
    assert np.mean(together) < 0.99 * np.mean(alone)


# The command: --with


def run(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(commands, list(words))
    assert done.exit_code == status, done.output
    return done


def given_g(model: FaultModel) -> float:
    """P(g = yes | a or b is there), the figure that m and n have in common."""
    told = model.by_name["g"].distribution
    assert isinstance(told, Table)
    (row,) = [row for row in told.rows if len(row.when.get("leading", ())) == 2]
    return row.gives[1]


@pytest.fixture
def two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with 40 tickets of m and 400 of n, which has the same parts: by them g is there in
    80 %, in this shop in 25 %."""
    monkeypatch.setenv("FAULTFINDER_MODELS", str(tmp_path / "models"))
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    monkeypatch.setenv("FAULTFINDER_CACHE", str(tmp_path / "kept"))
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "models"
    folder.mkdir()
    (folder / "parts.yaml").write_text(PARTS, encoding="utf-8")
    for name, chance in (("m", 0.20), ("n", 0.10), ("k", 0.15)):
        text = MODEL.replace("name: m\n", f"name: {name}\n").replace("0.20}", f"{chance}}}")
        assert OWN in text
        (folder / f"{name}.yaml").write_text(text.replace(OWN, ""), encoding="utf-8")
    true = PARTS.replace("{no: 0.2, yes: 0.8}", "{no: 0.75, yes: 0.25}")
    shop = tmp_path / "shop"
    shop.mkdir()
    (shop / "parts.yaml").write_text(true, encoding="utf-8")
    for name, count in (("m", 40), ("n", 400)):
        text = (folder / f"{name}.yaml").read_text(encoding="utf-8")
        (shop / f"{name}.yaml").write_text(text, encoding="utf-8")
        tickets = drawn_tickets(load_model(shop / f"{name}.yaml"), count, seed=5, recorded=0.9)
        rows = [
            f"{name}:{t.number},{name},{AT},{AT},repaired,{';'.join(t.causes or ())},"
            + ",".join(t.findings.get(one, "") for one in "fgh")
            for t in tickets
        ]
        head = "key,model,opened_at,closed_at,outcome,causes,f,g,h"
        Path(f"{name}.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        assert f"{count} new" in run("import", f"{name}.csv").output
    return folder


OWN = "  g:\n    extends: yes\n    given:\n      a: {no: 0.3, yes: 0.7}\n"
"""What the model of test_versions has of its own besides the parts."""


def proposed() -> Version:
    return the_line("m").proposal()


def test_another_familys_tickets_speak_on_what_is_common_and_count_nowhere_else(two: Path) -> None:
    alone = json.loads(run("tune", "-m", "m", "--json").stdout)
    by_itself = given_g(read_kept(proposed().files))
    told = json.loads(run("tune", "-m", "m", "--with", "n", "--json").stdout)
    both = read_kept(proposed().files)
    assert alone["tickets"] == told["tickets"] == proposed().evidence.count == 40
    assert proposed().evidence.tickets == {"m": "1-40"}
    assert proposed().evidence.options["with"] == ["n"]
    assert abs(given_g(both) - 0.25) < 0.5 * abs(by_itself - 0.25)
    assert {w["group"] for w in told["weighed"]} > {w["group"] for w in alone["weighed"]}
    # The same as the families tuned together in Python, but for the digits that are written.
    models = [load_model(two / f"{name}.yaml") for name in "mn"]
    store = open_store()
    tickets = [list(closed_tickets(store, one.model)) for one in models]
    store.close()
    assert [len(some) for some in tickets] == [40, 400]
    first, _ = tune_together(list(zip(models, tickets, strict=True)))
    assert given_g(both) == pytest.approx(given_g(first.model), abs=1e-4)
    assert (two / "n.yaml").read_text(encoding="utf-8").count("tuned") == 0


def test_a_replay_tunes_each_fold_beside_the_same_families(
    two: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("tune", "-m", "m", "--with", "n")
    beside: list[list[int]] = []

    def watched(families: Any, **how: Any) -> Any:
        beside.append([len(tickets) for _, tickets in families])
        return tune_together(families, **how)

    monkeypatch.setattr("faultfinder.learning.em.pooling.tune_together", watched)
    run("replay", "-m", "m", "--folds", "4", "--played", "0")
    assert beside == [[30, 400]] * 4
    run("adopt", "-m", "m", "--by", "lena")
    adopted = given_g(read_kept(the_line("m").in_force()))
    # Once more from the beliefs: no ticket counts twice, neither its own nor the other family's.
    run("tune", "-m", "m", "--with", "n")
    assert given_g(read_kept(proposed().files)) == pytest.approx(adopted, abs=1e-9)


def test_families_that_cannot_help_are_told_or_change_nothing(two: Path) -> None:
    alone = run("tune", "-m", "m").output
    assert "is tuned: name others" in run("tune", "-m", "m", "--with", "m", status=2).output
    assert "no model" in run("tune", "-m", "m", "--with", "nn", status=2).output
    assert run("tune", "-m", "m", "--with", "k").output == alone  # it has no tickets
