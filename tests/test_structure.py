"""Doubts about a model's shape: seen when they are there, not seen when they are not.

All models and tickets are invented.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import faultfinder
from faultfinder.cli.doubt_command import doubts as doubts_command
from faultfinder.cli.main import commands
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch import structure
from faultfinder.learning.watch.structure import (
    ShapeTest,
    chi_square,
    drawn_p_value,
    examine_shape,
    stratified_test,
)
from faultfinder.model.parts import Kind, Row, SimpleTest, Table, Variable
from faultfinder.report.learning.plain import DOUBT, DOUBTS
from faultfinder.report.learning.structure import doubts_page
from tests import MODELS_BEFORE
from tests.drawn_tickets import drawn_tickets
from tests.networks import make_model
from tests.small_shop import small_shop

ROOT = Path(__file__).parent.parent
PAIR = {"glass_cracked", "strip_volts"}


@pytest.fixture(scope="module")
def truth() -> CompiledModel:
    return compile_model(small_shop())


@pytest.fixture(scope="module")
def clamshell() -> CompiledModel:
    return faultfinder.load_model(str(ROOT / "tests" / "models_before" / "thin_clamshell.yaml"))


def with_hidden_cause(
    compiled: CompiledModel, tickets: list[ClosedTicket], pair: set[str], chance: float, seed: int
) -> list[ClosedTicket]:
    """Tickets of a truth in which something unnamed makes both findings abnormal at once."""
    rng = np.random.default_rng(seed)
    worst = {name: compiled.model.by_name[name].states[-1] for name in pair}
    changed = []
    for ticket in tickets:
        hit = rng.random() < chance
        told = {n: worst.get(n, r) if hit else r for n, r in ticket.findings.items()}
        changed.append(replace(ticket, findings=told))
    return changed


def pairs_of(found: ShapeTest) -> list[set[str]]:
    return [{doubt.first, doubt.second} for doubt in found.doubts]


def test_tickets_of_the_model_itself_raise_doubts_no_more_often_than_promised(
    truth: CompiledModel,
) -> None:
    runs = [examine_shape(truth, drawn_tickets(truth, 400, seed)) for seed in range(30)]
    alarms = sum(bool(found.doubts) for found in runs)
    # With nothing to find, any doubt is false: a run has one with probability 0.05 at most.
    assert stats.binomtest(alarms, len(runs), 0.05, alternative="greater").pvalue > 0.01
    assert all(found.tested >= 5 for found in runs)


def test_a_whole_device_family_raises_nearly_no_doubt_about_itself(
    clamshell: CompiledModel,
) -> None:
    for seed in (11, 12):
        found = examine_shape(clamshell, drawn_tickets(clamshell, 250, seed, 0.4))
        assert found.tested > 300
        assert len(found.doubts) <= 1


def test_the_share_of_false_alarms_among_doubts_stays_small_beside_a_true_one(
    truth: CompiledModel,
) -> None:
    right = wrong = 0
    for seed in range(15):
        tickets = with_hidden_cause(truth, drawn_tickets(truth, 800, seed), PAIR, 0.15, seed)
        pairs = pairs_of(examine_shape(truth, tickets))
        right += PAIR in pairs
        wrong += sum(pair != PAIR for pair in pairs)
    assert right >= 13
    assert wrong <= 3


def test_a_hidden_cause_of_two_findings_is_found_and_its_joint_result_named(
    truth: CompiledModel,
) -> None:
    tickets = with_hidden_cause(truth, drawn_tickets(truth, 1000, 3), PAIR, 0.15, 3)
    first = examine_shape(truth, tickets).doubts[0]
    assert {first.first, first.second} == PAIR
    assert first.results == ("yes", "yes")
    assert first.observed > 1.5 * first.expected
    assert first.adjusted >= first.p_value
    assert "lack a cause that brings about both" in first.means


def test_a_hidden_cause_is_found_in_a_whole_device_family(clamshell: CompiledModel) -> None:
    pair = {"camera", "pressure_marks"}
    tickets = drawn_tickets(clamshell, 600, 5, recorded=0.6)
    found = examine_shape(clamshell, with_hidden_cause(clamshell, tickets, pair, 0.1, 5))
    assert pairs_of(found)[0] == pair


def test_a_missing_link_from_a_history_is_found_and_called_one(truth: CompiledModel) -> None:
    rng = np.random.default_rng(4)
    tickets = []
    for ticket in drawn_tickets(truth, 800, 4, recorded=0.9):
        told = dict(ticket.findings)
        if told.get("knock") == "yes" and "strip_volts" in told and rng.random() < 0.3:
            told["strip_volts"] = "yes"
        tickets.append(replace(ticket, findings=told))
    first = examine_shape(truth, tickets).doubts[0]
    assert {first.first, first.second} == {"knock", "strip_volts"}
    assert "history" in first.means


def test_findings_tied_by_the_state_of_a_confirmed_cause_are_no_doubt(
    truth: CompiledModel,
) -> None:
    # Half seated or off: the confirmed cause is the same, what is seen is not. A blind test of
    # the same tickets among those with the plug confirmed finds the tie.
    tickets = drawn_tickets(truth, 3000, 6, recorded=1.0)
    assert {"look", "tap_flicker"} not in pairs_of(examine_shape(truth, tickets))
    plug = [t for t in tickets if t.causes == ("plug",)]
    look, tap = (
        np.array([truth.model.by_name[n].states.index(t.findings[n]) for t in plug], np.uint8)
        for n in ("look", "tap_flicker")
    )
    table = np.zeros((3, 3), np.int64)
    np.add.at(table, (look, tap), 1)
    assert stratified_test([structure.trimmed(table)])[2] < 1e-6


def test_a_finding_that_the_model_lets_follow_another_is_no_doubt() -> None:
    # "echo" reads the finding "glass_cracked" itself, so that they depend by the model.
    model = small_shop()
    echo = Variable(
        "echo",
        Kind.FINDING,
        "echo",
        ("no", "yes"),
        SimpleTest("glass_cracked", ("yes",), 0.95, 0.95),
    )
    knows = compile_model(replace(model, variables=(*model.variables, echo)))
    tickets = drawn_tickets(knows, 600, 7)
    assert {"glass_cracked", "echo"} not in pairs_of(examine_shape(knows, tickets))
    apart = replace(echo, distribution=SimpleTest("panel", ("damaged",), 0.6, 0.95))
    does_not = compile_model(replace(model, variables=(*model.variables, apart)))
    assert {"glass_cracked", "echo"} in pairs_of(examine_shape(does_not, tickets))


def test_a_complaint_ties_what_two_confirmed_causes_show_by_their_states() -> None:
    """It is known which causes are there and not in which state; the complaint, which both bring
    about, then lets their states depend on each other."""
    states = ("fine", "half", "off")
    parts = [
        Variable(name, Kind.CAUSE, name, states, Table((), (Row({}, (0.6, 0.2, 0.2)),)))
        for name in ("a", "b")
    ]
    rows = tuple(
        Row({name: (state,)}, (0.5, 0.5) if state == "half" else (0.1, 0.9))
        for name in ("a", "b")
        for state in states[1:]
    )
    told = Table(("a", "b"), (*rows, Row({}, (1.0, 0.0))))
    complaint = Variable("dark", Kind.COMPLAINT, "Dark", ("no", "yes"), told)
    shows = [
        Variable(f"f{cause}", Kind.FINDING, f"f{cause}", ("no", "yes"),
                 SimpleTest(cause, ("off",), 0.9, 0.9))
        for cause in ("a", "b")
    ]  # fmt: skip
    rng = np.random.default_rng(8)
    tickets = [
        ClosedTicket(n, "2024-05-01",
                     {f"f{c}": ("no", "yes")[int(rng.integers(2))] for c in ("a", "b")}, ("a", "b"))
        for n in range(60)
    ]  # fmt: skip
    with_it = compile_model(make_model([*parts, complaint, *shows], complaint="dark"))
    with pytest.raises(FaultfinderError, match="lets 1 depend on each other"):
        examine_shape(with_it, tickets)
    assert examine_shape(compile_model(make_model([*parts, *shows])), tickets).tested == 1


def test_the_statistic_is_scipys_summed_over_the_sets_of_causes() -> None:
    # Outside check: scipy.stats.chi2_contingency (reference library), table by table.
    rng = np.random.default_rng(8)
    for rows, columns in ((2, 2), (2, 3), (4, 3)):
        stratum = rng.integers(0, 4, 600)
        first = ((rng.integers(0, rows, 600) + stratum) % rows).astype(np.uint8)
        second = rng.integers(0, columns, 600).astype(np.uint8)
        second = np.where(rng.random(600) < 0.2, first % columns, second).astype(np.uint8)
        statistic, degrees, tables = 0.0, 0, []
        for number in range(4):
            here = stratum == number
            table = np.zeros((rows, columns), np.int64)
            np.add.at(table, (first[here], second[here]), 1)
            one = stats.chi2_contingency(table)
            statistic, degrees = statistic + one.statistic, degrees + one.dof
            tables.append(table)
        ours = stratified_test(tables)
        assert ours[0] == pytest.approx(statistic, rel=1e-9)
        assert ours[1] == degrees
        assert ours[2] == pytest.approx(stats.chi2.sf(statistic, degrees), rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(*[st.integers(1, 8)] * 4).map(lambda c: np.array(c).reshape(2, 2)),
        min_size=1,
        max_size=2,
    )
)
def test_drawn_p_values_agree_with_adding_up_all_tables(tables: list[np.ndarray]) -> None:
    # Outside check: the hypergeometric distribution of scipy (reference library).
    totals = np.zeros(1)
    chances = np.ones(1)
    for table in tables:
        (a, b), (c, d) = table.tolist()
        values = np.arange(max(0, a - d), min(a + b, a + c) + 1)
        each = np.array([[[k, a + b - k], [a + c - k, d - a + k]] for k in values])
        chance = stats.hypergeom.pmf(values, a + b + c + d, a + c, a + b)
        totals = (totals[:, None] + chi_square(each)).ravel()
        chances = (chances[:, None] * chance).ravel()
    seen = sum(float(chi_square(table[None])[0]) for table in tables)
    exact = float(chances[totals >= seen - 1e-9].sum())
    drawn = drawn_p_value(tables, np.random.default_rng(9), 20_000)
    # Stopped at 20 extreme tables, the relative error is about 1 / sqrt(20).
    error = 1.2 * exact + 0.0005
    assert abs(drawn - exact) < error
    assert drawn > exact / 4


@pytest.mark.parametrize(("every", "most", "p"), [
    (3, 20_000, 20 / 60), (1, 20_000, 1.0), (400, 20_000, 20 / 8_000),
    (2_000, 20_000, 11 / 20_001), (30_000, 20_000, 1 / 20_001), (1_000, 19_999, 20 / 20_000),
])  # fmt: skip
def test_drawing_stops_at_twenty_tables_as_extreme(
    every: int, most: int, p: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the tables drawn one in `every` is as extreme as the one seen, but for rounding."""
    drawn = 0

    def redrawn(table: np.ndarray, count: int, rng: object) -> np.ndarray:
        nonlocal drawn
        numbers = np.arange(drawn + 1, drawn + count + 1)
        drawn += count
        return numbers

    def statistic(tables: np.ndarray) -> np.ndarray:
        if tables.ndim > 1:
            return np.array([4.0])
        return np.where(tables % every == 0, 4.0 - 1e-12, 3.9)

    monkeypatch.setattr(structure, "_redrawn", redrawn)
    monkeypatch.setattr(structure, "chi_square", statistic)
    tables = [np.ones((2, 2), dtype=np.int64)]
    assert drawn_p_value(tables, np.random.default_rng(0), most) == pytest.approx(p)
    assert drawn <= most


def test_redrawn_tables_keep_their_margins_and_are_right_on_average() -> None:
    table = np.array([[9, 2, 4, 1], [3, 8, 0, 5], [6, 6, 7, 2]])
    drawn = structure._redrawn(table, 20_000, np.random.default_rng(4))
    assert (drawn >= 0).all()
    assert (drawn.sum(axis=1) == table.sum(axis=0)).all()
    assert (drawn.sum(axis=2) == table.sum(axis=1)).all()
    error = drawn.std(axis=0) / np.sqrt(len(drawn))
    assert (abs(drawn.mean(axis=0) - structure.expected_counts(table)) < 4.5 * error).all()
    # The spread of a cell is that of the hypergeometric distribution.
    wanted = stats.hypergeom(table.sum(), table[0].sum(), table[:, 0].sum())
    assert drawn[:, 0, 0].var() == pytest.approx(wanted.var(), rel=0.05)


def test_every_pair_is_tested_or_counted_and_so_many_tickets_suffice(truth: CompiledModel) -> None:
    tickets = drawn_tickets(truth, 60, 2, recorded=1.1)
    found = examine_shape(truth, tickets, least=60)
    # A history and five findings.
    assert found.tested + found.explained + found.constant == 15
    assert found.tested > 0
    assert (found.tickets, found.unconfirmed) == (60, 0)
    with pytest.raises(FaultfinderError, match=f"{found.explained} depend|must be recorded"):
        examine_shape(truth, tickets, least=61)


def test_tickets_in_another_order_or_seen_twice_over_tell_the_same(truth: CompiledModel) -> None:
    tickets = with_hidden_cause(truth, drawn_tickets(truth, 800, 10), PAIR, 0.2, 10)
    there, back = (examine_shape(truth, some) for some in (tickets, tickets[::-1]))
    assert there == back == examine_shape(truth, iter(tickets))


def test_what_cannot_be_tested_is_refused_in_a_sentence(truth: CompiledModel) -> None:
    tickets = drawn_tickets(truth, 200, 1)
    with pytest.raises(FaultfinderError, match="There are no closed tickets"):
        examine_shape(truth, [])
    with pytest.raises(FaultfinderError, match="None of the 200 closed tickets names the causes"):
        examine_shape(truth, [replace(ticket, causes=None) for ticket in tickets])
    with pytest.raises(FaultfinderError, match="must be recorded together on 500"):
        examine_shape(truth, tickets, least=500)
    with pytest.raises(MisuseError, match="the least is 2"):
        examine_shape(truth, tickets, least=1)
    for share in (0.0, 1.0, float("nan")):
        with pytest.raises(MisuseError, match="must lie between 0 and 1"):
            examine_shape(truth, tickets, false_discoveries=share)
    with pytest.raises(MisuseError, match='Ticket 7 has the finding "glas"'):
        examine_shape(truth, [ClosedTicket(7, "2024-05-01", {"glas": "yes"}, ("panel",))])


def test_the_page_names_counts_and_causes_of_doubt_and_never_a_new_shape(
    truth: CompiledModel,
) -> None:
    tickets = with_hidden_cause(truth, drawn_tickets(truth, 1000, 3), PAIR, 0.15, 3)
    found = examine_shape(truth, [*tickets, ClosedTicket(2000, "2024-05-01", {}, None)])
    page = doubts_page(found, "small_shop", 30, 0.05)
    assert max(map(len, page.splitlines())) <= 80
    flat = " ".join(page.split())
    assert "1,000 closed tickets with confirmed causes (1 without left out)" in flat
    assert "=yes: " in flat
    assert "never changes its shape" in flat
    told = DOUBTS.plain(found)["doubts"]
    assert told[0]["observed"] == found.doubts[0].observed
    assert list(told[0]) == [key.name for key in DOUBT.keys]
    none = replace(found, doubts=())
    assert "no proof that the shape is right" in " ".join(
        doubts_page(none, "small_shop", 30, 0.05).split()
    )


def test_the_command_reads_the_stores_closed_tickets_and_changes_no_model(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    monkeypatch.setenv("FAULTFINDER_WHO", "invented ana")
    monkeypatch.setenv("FAULTFINDER_MODELS", str(MODELS_BEFORE))
    before = (ROOT / "tests" / "models_before" / "thin_clamshell.yaml").read_bytes()

    def run(*words: str) -> Result:
        return CliRunner().invoke(doubts_command, ["-m", "thin_clamshell", *words])

    CliRunner().invoke(commands, ["store", "check"])
    assert "There are no tickets" in str(run().exception)
    demo = str(ROOT / "tests" / "demo_before" / "invented_tickets.jsonl")
    assert CliRunner().invoke(commands, ["import", demo]).exit_code == 0
    told = run()
    assert told.exit_code == 0, told.output
    assert "536 closed tickets with confirmed causes" in " ".join(told.output.split())
    as_json = run("--json", "--least", "40")
    assert '"pairs_tested"' in as_json.output
    assert run("--since", "never").exit_code != 0
    assert (ROOT / "tests" / "models_before" / "thin_clamshell.yaml").read_bytes() == before
