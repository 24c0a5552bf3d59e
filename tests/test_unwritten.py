"""Results that are written down only when they are bad: noticed, and allowed for in learning."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np
import pytest

from faultfinder.errors import MisuseError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.bench.learn import BenchLearnt
from faultfinder.learning.em.engine import build_engine
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.em.expected_counts import expect
from faultfinder.learning.em.parameters import read_families
from faultfinder.learning.em.patterns import gather
from faultfinder.learning.em.unwritten import shares
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.unwritten import habits
from faultfinder.model.parts import Kind
from faultfinder.model.reading.reader import parse_model
from faultfinder.report.learning.plain import Tuning
from faultfinder.report.learning.text import tune_page
from faultfinder.report.wording import percent
from tests.closed_tickets import drawn
from tests.invented_models import SMALL_LID

EVERYBODY = {"ana": 0.1, "ben": 0.1, "cyd": 0.1}
NOBODY = {"ana": 1.0, "ben": 1.0, "cyd": 1.0}
"""Which share of the normal results each invented person writes down."""


@pytest.fixture(scope="module")
def lid() -> CompiledModel:
    return compile_model(parse_model(SMALL_LID.encode(), "small_lid.yaml"))


NO_BENCH = BenchLearnt((), (4.0, 4.0, 4.0, 4.0), 0, 0.0, 0.0)


def findings_of(compiled: CompiledModel) -> list[str]:
    return [variable.name for variable in compiled.model.of_kind(Kind.FINDING)]


def written_down(
    compiled: CompiledModel,
    tickets: Collection[ClosedTicket],
    people: Mapping[str, float],
    findings: Collection[str],
    seed: int = 0,
) -> tuple[list[ClosedTicket], dict[int, dict[str, str]]]:
    """What is left of tickets when people leave out normal results; and who wrote what."""
    rng = np.random.default_rng(seed)
    found, writers = [], {}
    for ticket in tickets:
        who = sorted(people)[rng.integers(len(people))]
        kept = {
            name: result
            for name, result in ticket.findings.items()
            if name not in findings
            or result != compiled.model.by_name[name].states[0]
            or rng.random() < people[who]
        }
        found.append(replace(ticket, findings=kept))
        writers[ticket.number] = dict.fromkeys(kept, who)
    return found, writers


def test_a_shop_that_writes_down_only_what_is_bad_is_told_so(lid: CompiledModel) -> None:
    tickets = drawn(lid, 300, seed=1, missing=0.4)
    told = habits(lid, *written_down(lid, tickets, EVERYBODY, findings_of(lid)))
    assert told.shop.clear
    assert len(told.unwritten) >= 3
    assert all(one.normal < one.expected for one in told.findings if one.clear)


def test_a_shop_that_writes_down_everything_is_left_in_peace(lid: CompiledModel) -> None:
    for seed in range(10):
        tickets = drawn(lid, 200, seed=seed, missing=0.4)
        told = habits(lid, *written_down(lid, tickets, NOBODY, findings_of(lid)))
        assert told.shop.expected == pytest.approx(told.shop.normal, rel=0.25)
        assert told.unwritten == ()
        assert not any(one.clear for one in told.persons)


def test_one_person_with_the_habit_is_told_apart_from_the_others(lid: CompiledModel) -> None:
    tickets = drawn(lid, 300, seed=2, missing=0.4)
    told = habits(lid, *written_down(lid, tickets, {**NOBODY, "ana": 0.1}, findings_of(lid)))
    assert [one.name for one in told.persons if one.clear] == ["ana"]


def test_a_result_is_held_against_what_all_else_on_the_ticket_makes_likely(
    lid: CompiledModel,
) -> None:
    # The chance of a normal result, without the result's own word, from the tables by hand.
    tickets = [
        ClosedTicket(k, "2024-01-01", {"glass": result}, ("panel",))
        for k, result in enumerate(["whole", "cracked"] * 6)
    ]
    (glass,) = habits(lid, tickets).findings
    assert (glass.records, glass.normal) == (12, 6)
    # All have a broken panel: whole in 0.4, its odds moved by a normal step of sd 1.
    steps = np.random.default_rng(0).normal(np.log(0.4 / 0.6), 1.0, 200_000)
    assert glass.expected == pytest.approx(12 * float((1 / (1 + np.exp(-steps))).mean()), rel=5e-3)


def test_the_likelihood_is_that_of_what_was_written_and_what_was_not(lid: CompiledModel) -> None:
    # P(cracked, written) and P(not written) with a broken panel, by hand.
    tickets = [
        ClosedTicket(1, "2024-01-01", {"glass": "cracked"}, ("panel",)),
        ClosedTicket(2, "2024-01-01", {}, ("panel",)),
        ClosedTicket(3, "2024-01-01", {}, ("panel",), unclear=frozenset({"glass"})),
    ]
    families = read_families(lid)
    glass = lid.network.index["glass"]

    def told(unwritten: Collection[str]) -> tuple[float, np.ndarray | None]:
        patterns = gather(lid, tickets, unwritten=unwritten)
        used = np.asarray(patterns.codes.any(axis=0))
        engine = build_engine(lid, patterns.codec, families, used, 1.0)
        engine = replace(engine, written={glass: shares(0.2, 0.8, 2)} if unwritten else {})
        found = expect(engine.at({f.number: f.file for f in families}), patterns)
        return found.log_likelihood, found.written.get(glass)

    plain, none = told(())
    allowed, written = told(["glass"])
    assert none is None
    silent = 0.4 * (1 - 0.2) + 0.6 * (1 - 0.8)
    assert allowed - plain == pytest.approx(np.log(0.8) + np.log(silent), rel=1e-12)
    # The unclear look counts neither way.
    assert written is not None
    assert written[0] == pytest.approx([0.0, 1.0])
    assert written[1] == pytest.approx([0.4 * 0.8 / silent, 0.6 * 0.2 / silent])


def test_learning_that_allows_for_it_finds_the_rates(lid: CompiledModel) -> None:
    findings = findings_of(lid)
    tickets, _ = written_down(lid, drawn(lid, 1_000, seed=3, missing=0.2), EVERYBODY, findings)
    as_ever, allowed = tune(lid, tickets), tune(lid, tickets, unwritten=findings)
    # Drawn from the file's own figures: whole glass on a sound panel is certain there.
    truth = {"backlight": 0.96, "lamp_image": 0.2, "supply_volts": 0.95}
    for name, normal in truth.items():
        ever, now = (
            next(
                f.after[0]
                for f in tuned.figures
                if f.place.variable == name and f.place.row == len_rows(lid, name) - 1
            )
            for tuned in (as_ever, allowed)
        )
        assert abs(logit(now) - logit(normal)) < 0.5 * abs(logit(ever) - logit(normal))
    for name, (normal, other) in allowed.written.items():
        # 0.8 of the looks were made; of normal results one in ten was written down.
        if name in truth:
            assert normal < 0.2 < 0.6 < other
    assert np.all(np.diff(allowed.log_posterior) >= 0.0)


def len_rows(compiled: CompiledModel, name: str) -> int:
    return len(compiled.model.by_name[name].distribution.rows)  # type: ignore[union-attr]


def logit(share: float) -> float:
    return float(np.log(share / (1.0 - share)))


def test_the_page_names_findings_and_persons_and_how_to_learn_with_it(lid: CompiledModel) -> None:
    findings = findings_of(lid)
    tickets, writers = written_down(lid, drawn(lid, 300, seed=1, missing=0.4), EVERYBODY, findings)
    told = habits(lid, tickets, writers)
    tuned = tune(lid, tickets, max_rounds=2)
    page = tune_page(Tuning(tuned, (), (), (), told, NO_BENCH, ""), "small_lid")
    assert "faultfinder tune -m small_lid --unwritten named" in page
    for name in told.unwritten:
        assert f"- {name}: " in page
    assert max(map(len, page.splitlines())) <= 80
    allowed = tune(lid, tickets, max_rounds=2, unwritten=told.unwritten)
    page = tune_page(Tuning(allowed, (), (), (), told, NO_BENCH, ""), "small_lid")
    assert "--unwritten" not in page
    for name, (normal, _) in allowed.written.items():
        assert f"{name}: learnt as written down in {percent(normal)}" in page.replace("\n   ", "")
    fine = habits(lid, drawn(lid, 100, seed=1))
    assert "written down" not in tune_page(
        Tuning(tuned, (), (), (), fine, NO_BENCH, ""), "small_lid"
    )


def test_a_finding_that_is_none_is_refused(lid: CompiledModel) -> None:
    tickets = drawn(lid, 30, seed=1)
    with pytest.raises(MisuseError, match='no finding "glas"'):
        tune(lid, tickets, unwritten=["glas"])
    with pytest.raises(MisuseError, match='no finding "panel"'):
        tune(lid, tickets, unwritten=["panel"])
