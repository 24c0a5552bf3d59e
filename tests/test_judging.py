"""Proposals judged against other figures, on tickets that they did not learn from. All invented."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t

from faultfinder.decide.shop import Shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.judge.changed_advice import AdviceChange, ChangedAdvice, changed_advice
from faultfinder.learning.judge.judging import Judged, Rival, judge, verdict_on
from faultfinder.learning.judge.kept import Judgement
from faultfinder.learning.judge.paired import Difference, paired_difference
from faultfinder.learning.records import ClosedTicket
from faultfinder.report.learning.words import step_words, vain_words, verdict_reason
from faultfinder.tickets.events import Event, Found, Intake
from faultfinder.tickets.ticket import fold
from tests.consulted import look_at
from tests.drawn_tickets import drawn_tickets, with_rate
from tests.small_shop import small_shop


@pytest.fixture(scope="module")
def truth() -> CompiledModel:
    return compile_model(small_shop())


@pytest.fixture(scope="module")
def wrong() -> CompiledModel:
    """Thinks that backlight strips die far more often than they do."""
    return with_rate(small_shop(), "strip", 0.2, 0.8)


@pytest.fixture(scope="module")
def tickets(truth: CompiledModel) -> list[ClosedTicket]:
    return drawn_tickets(truth, 400, seed=1)


@pytest.fixture(scope="module")
def better(truth: CompiledModel, wrong: CompiledModel, tickets: list[ClosedTicket]) -> Judged:
    (told,) = judge(tickets, lambda _: truth, (Rival("file", wrong),), most=400)
    return told


def test_true_figures_are_better_than_wrong_ones_in_forecasts_and_money(better: Judged) -> None:
    assert better.verdict.word == "better"
    assert better.found.differences["label_log_loss"].interval[1] < 0.0
    assert better.jobs is not None
    assert better.jobs.differences["needless"].interval[1] < 0.0
    # The true figures try reseating more often, which costs little.
    assert better.jobs.differences["wrong"].interval[0] > 0.0
    assert better.jobs.new["money"] < better.jobs.old["money"]


def test_wrong_figures_are_worse_than_the_true_ones(
    truth: CompiledModel, wrong: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    (told,) = judge(tickets, lambda _: wrong, (Rival("file", truth),), most=0)
    assert (told.verdict.word, told.verdict.more, told.jobs) == ("worse", None, None)


def test_where_nothing_changes_nothing_can_be_told(
    truth: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    (told,) = judge(tickets, lambda _: truth, (Rival("file", truth),), most=20)
    assert (told.verdict.word, told.verdict.more) == ("cannot tell yet", None)
    assert told.jobs is not None
    assert {difference.mean for difference in told.jobs.differences.values()} == {0.0}


def test_no_ticket_judges_figures_or_a_reference_that_both_know_it(
    truth: CompiledModel, wrong: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    calls: list[set[int]] = []
    bare = replace(tickets[0], number=999, causes=None)

    def fit(some: Sequence[ClosedTicket]) -> CompiledModel:
        calls.append({ticket.number for ticket in some})
        return truth

    (told,) = judge([bare, *tickets], fit, (Rival("file", wrong),), folds=4, most=8)
    proposals, references = calls[::2], calls[1::2]
    everything = {ticket.number for ticket in tickets}
    for learnt, reference in zip(proposals, references, strict=True):
        assert learnt - {999} | reference == everything
        assert not learnt & reference
        # What has no confirmed cause is learnt from, as by the proposal, and judges nothing.
        assert 999 in learnt
    assert sorted(told.found.numbers) == sorted(everything)
    assert told.found.without_cause == 1


def test_figures_that_have_learnt_are_judged_on_other_tickets_alone(
    truth: CompiledModel, wrong: CompiledModel, tickets: list[ClosedTicket]
) -> None:
    learnt = frozenset(range(1, 121))
    rivals = (Rival("in force", wrong, learnt), Rival("file", wrong))
    in_force, file = judge(tickets, lambda _: truth, rivals, most=0)
    assert sorted(in_force.found.numbers) == list(range(121, 401))
    assert len(file.found.numbers) == 400
    assert (
        judge(tickets, lambda _: truth, (Rival("x", wrong, frozenset(range(1, 401))),), most=0)
        == ()
    )


def about(mean: float, half: float, count: int = 100) -> Difference:
    return Difference(mean, (mean - half, mean + half), count)


NOTHING, LESS, MORE = about(0.0, 0.0), about(-5.0, 3.0), about(20.0, 9.0)
BETTER, WORSE = about(-0.2, 0.1), about(0.2, 0.1)


@pytest.mark.parametrize(
    ("loss", "costs", "word", "more", "against"),
    [
        (BETTER, {"money": about(-5.0, 9.0)}, "better", None, ()),
        (BETTER, {"money": about(5.0, 9.0), "needless": LESS, "wrong": LESS}, "better", None, ()),
        (BETTER, {"money": MORE}, "worse", None, ("money",)),
        (WORSE, {"money": LESS}, "worse", None, ("label_log_loss",)),
        # What is done for nothing is in the money too: a person has to weigh it.
        (BETTER, {"wrong": MORE}, "cannot tell yet", None, ("wrong",)),
        (BETTER, {"wrong": MORE, "money": about(-5.0, 9.0)}, "better", None, ()),
        (BETTER, {"needless": MORE, "money": LESS}, "cannot tell yet", None, ("needless",)),
        (about(-0.1, 0.2), {"needless": MORE}, "worse", None, ("needless",)),
        (WORSE, {"wrong": MORE}, "worse", None, ("label_log_loss", "wrong")),
        # Bench time is in the money, and more checks are no harm.
        (BETTER, {"minutes": MORE, "checks": MORE}, "better", None, ()),
        # Twice as wide as it is long: four times the tickets, three times as many more.
        (about(-0.1, 0.2), {}, "cannot tell yet", 300, ()),
        (about(-0.1, 1.0), {}, "cannot tell yet", None, ()),
    ],
)
def test_one_verdict_from_forecasts_money_and_what_is_done_for_nothing(
    better: Judged,
    loss: Difference,
    costs: dict[str, Difference],
    word: str,
    more: int | None,
    against: tuple[str, ...],
) -> None:
    assert better.jobs is not None
    found = replace(better.found, differences={"label_log_loss": loss})
    told = dict.fromkeys(better.jobs.differences, NOTHING) | costs
    jobs = replace(better.jobs, differences=told)
    verdict = verdict_on(found, jobs)
    assert (verdict.word, verdict.more, verdict.against) == (word, more, against)
    said = verdict_reason(replace(better, found=found, jobs=jobs, verdict=verdict))
    assert ("repairs mend nothing" in said) == ("wrong" in against)
    assert ("dear parts" in said) == ("needless" in against)
    assert ("a job costs more" in said.lower()) == ("money" in against)
    assert ("cannot be told" in said) == (word == "better")


def test_jobs_that_share_what_is_decided_count_as_one_observation() -> None:
    """400 shops in which nothing differs but by the luck of five folds: 95 % intervals over folds
    hold zero in 90 % of them at least, those over tickets in half."""
    rng = np.random.default_rng(3)
    folds = np.repeat(np.arange(5), 20)
    held = {"folds": 0, "tickets": 0}
    for _ in range(400):
        change = rng.normal(0.0, 1.0, 5)[folds] + rng.normal(0.0, 1.0, 100)
        by_fold = paired_difference(np.zeros(100), change, groups=folds)
        means = change.reshape(5, 20).mean(axis=1)
        half = float(t.ppf(0.975, 4)) * float(means.std(ddof=1)) / 5**0.5
        assert by_fold.interval == pytest.approx((means.mean() - half, means.mean() + half))
        held["folds"] += not by_fold.clear
        held["tickets"] += not paired_difference(np.zeros(100), change, resamples=200).clear
    assert held["folds"] >= 360
    assert held["tickets"] < 240
    alone = paired_difference(np.zeros(100), change, groups=np.zeros(100, dtype=np.int64))
    assert alone == paired_difference(np.zeros(100), change)


def test_repairs_that_mend_nothing_are_told_by_repair(better: Judged) -> None:
    jobs = better.jobs
    assert jobs is not None
    assert sum(jobs.in_vain.values()) == pytest.approx(jobs.differences["wrong"].mean)
    assert any(jobs.in_vain.values())
    said = vain_words(jobs, small_shop())
    most = max(jobs.in_vain, key=lambda name: abs(jobs.in_vain[name]))
    assert f"{step_words(small_shop(), ('repair', most))} {100 * jobs.in_vain[most]:+.0f}" in said
    assert vain_words(replace(jobs, in_vain=dict.fromkeys(jobs.in_vain, 0.0)), small_shop()) == ""


def test_a_kept_judgement_says_the_same(better: Judged) -> None:
    changes = ChangedAdvice(3, 9, (AdviceChange(1, 2, "look", ("check", "a"), ("hand over", "")),))
    one = Judgement((better,), changes, {"a": "1-3"}, {"folds": 5})
    again = Judgement.read(json.loads(json.dumps(one.as_plain(), allow_nan=False)))
    # NaN is not equal to itself, so by what they show.
    assert repr(again.advice) == repr(one.advice)
    assert repr(again.against[0].found) == repr(better.found)
    assert repr(again.against[0].jobs) == repr(better.jobs)
    assert (again.word, again.tickets, again.options) == ("better", {"a": "1-3"}, {"folds": 5})
    for bad in ({"against": [{"rival": "x"}]}, {**one.as_plain(), "against": 3}, {}):
        with pytest.raises(FaultfinderError, match="damaged"):
            Judgement.read(bad)
    # One kept before these were told says what it said.
    before = json.loads(json.dumps(one.as_plain()))
    del before["against"][0]["verdict"]["against"], before["against"][0]["jobs"]["in_vain"]
    assert Judgement.read(before).against[0].verdict == better.verdict
    word = {**one.as_plain()["advice"], "tickets": "many"}
    with pytest.raises(FaultfinderError, match="damaged"):
        Judgement.read({**one.as_plain(), "advice": word})


def test_changed_advice_is_what_both_say_at_the_first_moment_that_differs(
    truth: CompiledModel, wrong: CompiledModel
) -> None:
    events = [
        Event(n, f"2026-01-02T08:{n:02d}:00Z", "ann", entry)
        for n, entry in enumerate(
            [Intake("small_shop"), Found("look", "faint"), Found("plug_seen", "no")], 1
        )
    ]
    ticket = fold(1, events)
    told = changed_advice(truth, wrong, [ticket], Shop())
    seen: dict[str, str | None] = {}
    expected = None
    for moment, (after, finding, result) in enumerate(
        [("", "look", "faint"), ("look", "plug_seen", "no"), ("open_look", "", "")]
    ):
        stage = "open" if moment == 2 else "closed"
        steps = [look_at(model, seen, stage=stage).next_step for model in (truth, wrong)]
        assert all(steps)
        pair = [(step.kind, step.name) for step in steps if step]
        if pair[0] != pair[1] and expected is None:
            expected = (len(seen), after, *pair)
        seen[finding] = result
    assert told.tickets == 1
    assert [(c.seen, c.after, c.old, c.new) for c in told.changes] == ([expected] * bool(expected))
    assert not changed_advice(truth, truth, [ticket], Shop()).changes
