"""Other people's diagnosis problems: learnt, named, priced and imported.

Sources of the sets: tests/outside/priced/README.md. Their prices are made up.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from faultfinder import Case, Naming, consult
from faultfinder.cli.exchange_commands import bring_in
from faultfinder.decide.naming import NONE_OF_THESE
from faultfinder.decide.policies.one_step import Gains
from faultfinder.decide.situation import Situation
from faultfinder.decide.together import Telling
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Check, Dense, FaultModel, Kind, Price, Repair, Variable
from faultfinder.tickets.opening import open_store
from tests.networks import BENCH, make_model
from tests.outside.priced_sets import HEPATITIS, HERE, LIVER, Cuts, Prices, Set, learnt

# --- printer-visits: figures from fifteen closed cases

PARENTS = {
    "burning": ("fuse",),
    "quality": ("drum", "toner", "paper"),
    "wrinkled": ("fuse", "paper"),
    "multiple_pages": ("paper", "roller"),
    "paper_jam": ("fuse", "roller"),
}
CAUSES = ("fuse", "drum", "toner", "paper", "roller")


def printer(added: float) -> CompiledModel:
    """Learnt from the visits, `added` to each count."""
    variables = [Variable(c, Kind.CAUSE, c, ("0", "1"), Dense((), np.full(2, 0.5))) for c in CAUSES]
    for name, parents in PARENTS.items():
        even = np.full((2,) * (len(parents) + 1), 0.5)
        variables.append(Variable(name, Kind.FINDING, name, ("0", "1"), Dense(parents, even)))
    with open(HERE / "printer_visits.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    tickets = [
        ClosedTicket(
            int(row["visit"]),
            "2026-01-01",
            {name: row[name] for name in PARENTS},
            tuple(cause for cause in CAUSES if row[cause] == "1"),
        )
        for row in rows
    ]
    begin = compile_model(make_model(variables))
    # An even share that counts for 2 a tickets adds a to the count of either state.
    return compile_model(tune(begin, tickets, default_worth=2.0 * added, least=15).model)


@pytest.mark.parametrize(
    ("added", "published"),
    [
        (0.0, [1.0, 0.0, 0.0, 0.0, 0.2]),
        (0.5, [0.740829, 0.137343, 0.140503, 0.303363, 0.182029]),
        (1.0, [0.641238, 0.189066, 0.202467, 0.381832, 0.202003]),
    ],
)
def test_printer_posteriors_are_those_by_enumeration(added: float, published: list[float]) -> None:
    """The table of the set's README: exact posteriors by enumeration, given burning and paper jam
    and nothing else."""
    seen = {"burning": "1", "paper_jam": "1", "quality": "0", "wrinkled": "0",
            "multiple_pages": "0"}  # fmt: skip
    causes = consult(Case(printer(added), seen)).causes
    assert [causes[cause] for cause in CAUSES] == pytest.approx(published, abs=1e-6)


# --- valve line: one measure mends several causes


def valve_line() -> CompiledModel:
    """Root causes with shares by their occurrence score (a score, no probability: the shares are
    made up of it), measures as repairs of one price, and two looks: one tells the failure modes
    apart, one only the two causes that the same measures mend."""
    with open(HERE / "valve_line.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    causes = sorted({row["cause_code"] for row in rows})
    score = {row["cause_code"]: float(row["occurrence"]) for row in rows}
    modes = sorted({row["mode_code"] for row in rows})
    shows = {c: [r["mode_code"] for r in rows if r["cause_code"] == c] for c in causes}
    share = np.array([score[c] for c in causes]) / sum(score.values())
    variables = [Variable("root", Kind.CAUSE, "root", ("none", *causes),
                          Dense((), np.concatenate([[1e-9], share * (1 - 1e-9)])))]  # fmt: skip
    mode = np.full((len(causes) + 1, len(modes)), 1.0 / len(modes))
    for place, cause in enumerate(causes, 1):
        mode[place] = [shows[cause].count(one) / len(shows[cause]) for one in modes]
    variables.append(Variable("mode", Kind.FINDING, "mode", tuple(modes), Dense(("root",), mode)))
    apart = np.full((len(causes) + 1, 2), 0.5)
    apart[1 + causes.index("FC03")] = [1.0, 0.0]
    apart[1 + causes.index("FC06")] = [0.0, 1.0]
    variables.append(
        Variable("which", Kind.FINDING, "which", ("FC03", "FC06"), Dense(("root",), apart))
    )
    mends: dict[str, dict[str, float]] = {}
    for row in rows:
        mends.setdefault(row["measure_code"], {})[row["cause_code"]] = 1.0
    model = FaultModel(
        name="valve",
        title="valve",
        variables=tuple(variables),
        checks=(
            Check("mode", "mode", ("mode",), 1.0, "bench"),
            Check("which", "which", ("which",), 1.0, "bench"),
        ),
        stages=BENCH,
        moves=(),
        start="bench",
        repairs=tuple(
            Repair(name, name, {"root": states}, "bench", 30.0, Price(likely=10.0))
            for name, states in sorted(mends.items())
        ),
    )
    return compile_model(model)


def test_causes_that_one_measure_mends_need_no_telling_apart() -> None:
    valve = valve_line()
    told = consult(Case(valve))
    problem = told.problem
    which = [check.name for check in problem.checks].index("which")
    scenarios = [valve.network.states[0][row[0]] for row in problem.scenarios.tolist()]
    right = {cause: int(problem.right_repair[place]) for place, cause in enumerate(scenarios)}
    names = [repair.name for repair in problem.repairs]
    # By the sheet CM04 and CM05 mend FC03 and FC06 alike, CM07 mends FC05 and FC08.
    assert right["FC03"] == right["FC06"]
    assert names[right["FC03"]] in ("CM04", "CM05")
    assert right["FC05"] == right["FC08"] == names.index("CM07")
    # Were it surely one of the two, the look between them tells the cause for certain and
    # nothing about the repair: that is made at once.
    weights = np.array([0.5 if cause in ("FC03", "FC06") else 0.0 for cause in scenarios])
    assert Gains(problem).bits(weights)[which] == pytest.approx(1.0)
    assert Telling(problem).bits(weights)[which] == pytest.approx(0.0, abs=1e-12)
    action = told.policy.decide(Situation(weights, 0))
    assert action.kind == "repair"
    assert names[action.number] in ("CM04", "CM05")
    # Of two that take different measures it is worth its cost.
    other = np.array([0.5 if cause in ("FC03", "FC05") else 0.0 for cause in scenarios])
    assert Telling(problem).bits(other)[which] > 0.3


# --- learning from patients, and naming


def learnt_on_the_first(
    which: Set, prices: Prices, share: float
) -> tuple[CompiledModel, list[dict[str, str]], np.ndarray]:
    patients, ill = which.read()
    first = np.random.default_rng(0).permutation(len(patients))
    begin = first[: int(share * len(first))]
    cuts = Cuts.of(which, [patients[n] for n in begin])
    results = [cuts.results(one) for one in patients]
    model = learnt(which, prices, cuts, [results[n] for n in begin], ill[begin].tolist())
    rest = first[len(begin) :]
    return model, [results[n] for n in rest], ill[rest]


@pytest.mark.parametrize("which", [HEPATITIS, LIVER], ids=lambda one: one.name)
def test_naming_costs_less_than_naming_at_once_or_after_all_tests(which: Set) -> None:
    """Learnt on two thirds of the patients, played on the others step by step as asked."""
    prices = which.prices[0]
    model, patients, ill = learnt_on_the_first(which, prices, 2 / 3)
    wrong = {True: prices.overlooked, False: prices.alarm}
    money = {"engine": 0.0, "at once": 0.0, "all": 0.0}
    # Tests of one patient are bought one by one; blood is drawn once.
    for patient, sick in list(zip(patients, ill.tolist(), strict=True))[:30]:
        case = Case(model, naming=prices.naming)
        while True:
            step = consult(case).next_step
            assert step is not None
            if step.kind == "name":
                break
            first = not case.looked_for.intersection(which.blood)
            drawn = prices.blood if step.name in which.blood and first else 0.0
            money["engine"] += prices.tests[step.name] + drawn
            case = case.with_result(step.name, patient.get(step.name))
        money["engine"] += wrong[sick] * ((step.name == "ill") != sick)
        for side, known in (("at once", {}), ("all", patient)):
            named = max(
                consult(Case(model, known, naming=prices.naming)).names.items(),
                key=lambda one: one[1] * wrong[one[0] == "ill"],
            )[0]
            money[side] += wrong[sick] * ((named == "ill") != sick)
    money["all"] += 30 * (sum(prices.tests.values()) + prices.blood)
    assert money["engine"] < money["at once"]
    assert money["engine"] < money["all"]


def test_a_label_none_of_these_is_learnt_from() -> None:
    patients, ill = LIVER.read()
    cuts = Cuts.of(LIVER, patients)
    results = [cuts.results(one) for one in patients]
    model = learnt(LIVER, LIVER.prices[0], cuts, results, ill.tolist())
    # 176 of 345 by the set's README; the even share it begins with counts for two patients.
    assert ill.sum() == 176
    names = consult(Case(model, naming=Naming(sure=0.9))).names
    assert names["ill"] == pytest.approx((176 + 1) / (345 + 2))
    assert names[NONE_OF_THESE] == pytest.approx(1.0 - names["ill"])


# --- work orders: records with most fields empty


def test_work_orders_with_most_fields_empty_are_imported(tmp_path: Path) -> None:
    with open(HERE / "work_orders_excerpt.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    fields = ("major_system", "part", "failure_mode", "location")
    states = {
        name: {one: f"s{n}" for n, one in enumerate(sorted({r[name] for r in rows} - {""}))}
        for name in fields
    }

    def even(names: Iterable[str]) -> str:
        rest = list(names)[1:]
        return f"{{{', '.join(f'{one}: {1 / (len(rest) + 1):.17g}' for one in rest)}}}"

    findings = "".join(
        f"  {name}:\n    states: [{', '.join(named.values())}]\n"
        f"    table:\n"
        + "".join(
            f"      - {{{when}, gives: {even(named.values())}}}\n"
            for when in ("when: {any: yes}", "when: {any: no}")
        )
        for name, named in states.items()
    )
    model = tmp_path / "orders.yaml"
    model.write_text(
        "faultfinder_model: 1\nname: orders\ntitle: Work orders\nstart: here\n"
        "stages:\n  here: {title: Here, powered: no}\n"
        "causes:\n  any: {title: Any, states: [no, yes], chance: {yes: 0.5}}\n"
        f"findings:\n{findings}"
        "checks:\n"
        + "".join(
            f"  {name}: {{title: Read, observes: [{name}], minutes: 1, stage: here}}\n"
            for name in fields
        ),
        encoding="utf-8",
    )
    table = tmp_path / "orders.csv"
    with open(table, "w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ["number", *rows[0]])
        writer.writeheader()
        writer.writerows({"number": n, **row} for n, row in enumerate(rows, 1))
    columns = tmp_path / "columns.yaml"
    columns.write_text(
        f"faultfinder_columns: 1\nmodel: {model}\nkey: number\n"
        'opened: {column: date, format: "%Y-%m-%d"}\n'
        "findings:\n"
        + "".join(
            f"  {name}: {{column: {name}, results: {json.dumps(states[name])}}}\n"
            for name in fields
        )
        + "ignore: [asset, order_type, cost_aud, running_time, action]\n",
        encoding="utf-8",
    )
    place = tmp_path / "orders.db"
    told = CliRunner().invoke(bring_in, [str(table), "--map", str(columns), "--db", str(place)])
    assert told.exit_code == 0, told.output
    store = open_store(str(place))
    tickets = [store.ticket(number) for number in range(1, len(rows) + 1)]
    kept = Counter(name for ticket in tickets for name in ticket.findings)
    expected = Counter(name for row in rows for name in fields if row[name])
    assert kept == expected
    # The set's README counts .437, .195, .580 and .710 of these fields empty in all orders.
    empty = [1.0 - kept[name] / len(rows) for name in fields]
    assert empty == pytest.approx([0.437, 0.195, 0.580, 0.710], abs=0.07)
