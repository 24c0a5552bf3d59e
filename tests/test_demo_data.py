"""The invented tickets: made again byte for byte, in order, and as the hidden truth says."""

from __future__ import annotations

import json
import pickle
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from scipy import stats

from demo_data.make_demo import (
    ASKED,
    CAUSES,
    CLOSED,
    COMEBACK,
    FILE,
    MISREAD,
    MISREAD_FINDING,
    MISREADER,
    MISSING,
    NO_LABEL,
    OPEN,
    SEED,
    STAFF,
    WRONG_LABEL,
    Truth,
    as_lines,
    make,
    models,
)
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.model.parts import Kind
from faultfinder.tickets.events import (
    Arrived,
    Event,
    Found,
    Held,
    Ordered,
    Outcome,
    entry_of,
)
from faultfinder.tickets.ticket import Ticket, fold
from tests.conftest import made_once

RARE = 1e-4
"""A count this unlikely, or less, does not come from what the script states."""
BATTERY_LOOKS = ("battery",)


def folded(line: str, number: int) -> Ticket:
    told = json.loads(line)
    events = [
        Event(e["number"], e["at"], e["who"], entry_of(e["kind"], e["data"], e.get("texts", {})))
        for e in told["events"]
    ]
    ticket = fold(number, events, told["key"])
    assert (told["faultfinder_ticket"], told["model"]) == (1, ticket.model)
    return ticket


@pytest.fixture(scope="module")
def lines() -> list[str]:
    return FILE.read_text(encoding="ascii").splitlines()


@pytest.fixture(scope="module")
def tickets(lines: list[str]) -> list[Ticket]:
    return [folded(line, number) for number, line in enumerate(lines, start=1)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, list[Truth]]:
    def write(folder: Path) -> None:
        whole, truths = make()
        (folder / "made").write_bytes(pickle.dumps((as_lines(whole), truths)))

    folder = made_once(tmp_path_factory, "demo_data", write)
    found: tuple[bytes, list[Truth]] = pickle.loads((folder / "made").read_bytes())
    return found


@pytest.fixture(scope="module")
def closed(tickets: list[Ticket], made: tuple[bytes, list[Truth]]) -> list[tuple[Ticket, Truth]]:
    pairs = zip(tickets, made[1], strict=True)
    return [(ticket, truth) for ticket, truth in pairs if not ticket.open]


def fits(count: int, of: int, chance: float) -> bool:
    """Whether `count` out of `of` is believable for a binomial with this chance (two-sided)."""
    return float(stats.binomtest(count, of, chance).pvalue) > RARE


def results(ticket: Ticket) -> list[tuple[str, str, str]]:
    """(finding, result, who) of all that was written down as seen."""
    return [
        (event.entry.finding, event.entry.result, event.who)
        for event in ticket.events
        if isinstance(event.entry, Found) and event.entry.result is not None
    ]


def test_the_script_makes_the_file_again_byte_for_byte(made: tuple[bytes, list[Truth]]) -> None:
    same = made[0] == FILE.read_bytes()
    assert same, "The model or the script has changed: run python -m demo_data.make_demo"


def test_the_same_seed_gives_the_same_tickets_and_another_seed_others() -> None:
    once, again, other = (as_lines(make(seed, 3, 0)[0]) for seed in (SEED, SEED, SEED + 1))
    assert once == again
    assert once != other


def test_there_are_600_closed_and_12_open_tickets_in_a_file_under_2_mb(
    tickets: list[Ticket],
) -> None:
    assert Counter(ticket.open for ticket in tickets) == {False: 600, True: 12}
    assert (CLOSED, OPEN) == (600, 12)
    assert FILE.stat().st_size < 2_000_000


def test_no_two_tickets_share_a_key(tickets: list[Ticket]) -> None:
    assert len({ticket.key for ticket in tickets}) == len(tickets)


def test_everything_is_marked_invented(tickets: list[Ticket]) -> None:
    for ticket in tickets:
        assert ticket.key.startswith("invented:")
        assert ticket.complaint.startswith("Invented: ")
        for event in ticket.events:
            assert event.who.startswith("invented ")
            assert all(text.startswith("Invented: ") for text in event.entry.as_texts().values())
        assert not ticket.person


def test_times_run_forward_within_the_18_months(tickets: list[Ticket]) -> None:
    opened = [ticket.opened_at for ticket in tickets]
    assert opened == sorted(opened)
    for ticket in tickets:
        times = [event.at for event in ticket.events]
        assert times == sorted(times)
        assert "2025-05-01" < times[0] <= times[-1] < "2026-11-01"
        assert [event.number for event in ticket.events] == list(range(1, len(times) + 1))


def test_every_name_is_one_of_the_model(tickets: list[Ticket]) -> None:
    model = models()[0].model
    causes = {variable.name for variable in model.of_kind(Kind.CAUSE)}
    for ticket in tickets:
        assert ticket.model == model.name
        ordered: set[int] = set()
        for event in ticket.events:
            entry, data = event.entry, event.entry.as_data()
            if isinstance(entry, Found):
                if entry.result is not None:
                    assert entry.result in model.by_name[entry.finding].states
                assert model.by_name[entry.finding].kind in (Kind.FINDING, Kind.HISTORY)
            if "stage" in data:
                assert data["stage"] in model.stages_by_name
            if "repair" in data:
                assert data["repair"] in model.repairs_by_name
            if isinstance(entry, Ordered):
                ordered.add(event.number)
            if isinstance(entry, Arrived):
                assert entry.order in ordered
        assert set(ticket.causes) <= causes


def test_a_repaired_machine_has_a_cause_and_passed_all_proof_tests(tickets: list[Ticket]) -> None:
    repairs = models()[0].model.repairs_by_name
    for ticket in tickets:
        if ticket.outcome == Outcome.REPAIRED:
            assert ticket.causes
            assert ticket.repaired is not None
            assert ticket.proofs == dict.fromkeys(repairs[ticket.repaired].proof, True)
            assert ticket.hold is None
            assert not ticket.awaited
        elif not ticket.open:
            assert ticket.causes == ()


def test_no_repair_is_tried_twice(tickets: list[Ticket]) -> None:
    for ticket in tickets:
        names = [step.repair for step in ticket.tried]
        assert len(names) == len(set(names))
        assert ticket.repaired not in names


def test_three_to_nine_checks_are_made_before_a_repair(tickets: list[Ticket]) -> None:
    model = models()[0].model
    of = {name: check.name for check in model.checks for name in check.observes}
    counts = []
    for ticket in tickets:
        asked = [name for name in ticket.findings if model.by_name[name].kind is Kind.FINDING]
        counts.append(len({of[name] for name in asked if name not in {*BATTERY_LOOKS, *ASKED}}))
    assert max(counts) <= 9
    assert sum(count >= 2 for count in counts) > 300


def test_the_battery_is_looked_at_before_any_work_inside(tickets: list[Ticket]) -> None:
    for ticket in tickets:
        seen = False
        for event in ticket.events:
            seen |= event.entry.as_data().get("finding") == "battery"
            inside = event.entry.as_data().get("stage") not in (None, "closed", "cover_off")
            assert seen or not inside, ticket.key


def test_a_bad_battery_ends_the_checks_and_goes_to_a_specialist(tickets: list[Ticket]) -> None:
    stops = {(rule.finding, r) for rule in models()[0].model.stop_rules for r in rule.results}
    met = 0
    for ticket in tickets:
        for place, event in enumerate(ticket.events):
            if (
                event.entry.as_data().get("finding"),
                event.entry.as_data().get("result"),
            ) not in stops:
                continue
            met += 1
            after = ticket.events[place + 1 :]
            assert isinstance(after[0].entry, Held)
            assert after[0].entry.waiting_for == "specialist"
            later = [e.entry.finding for e in after if isinstance(e.entry, Found)]
            assert not later, ticket.key
    assert met > 5


def test_comebacks_follow_a_repaired_ticket_and_are_about_2_percent(
    lines: list[str], closed: list[tuple[Ticket, Truth]]
) -> None:
    by_key = {ticket.key: ticket for ticket, _ in closed}
    linked = [told for told in map(json.loads, lines) if told["first_ticket"]]
    for told in linked:
        first, again = by_key[told["first_ticket"]], by_key[told["key"]]
        assert first.outcome == Outcome.REPAIRED
        assert str(first.closed_at) < again.opened_at
    # The first weeks have no earlier ticket to come back from, so a few fewer are made.
    assert fits(len(linked), len(closed), COMEBACK)


def test_the_share_without_a_confirmed_cause_is_as_stated(
    closed: list[tuple[Ticket, Truth]],
) -> None:
    outcomes = Counter(ticket.outcome for ticket, _ in closed)
    # A job that ends in a repair shop ends with a cause that the model lists, or with none found.
    assert set(outcomes) == {str(outcome) for outcome in Outcome} - {"none of these"}
    assert fits(len(closed) - outcomes["repaired"], len(closed), NO_LABEL)


def test_the_share_of_wrong_labels_is_as_stated(closed: list[tuple[Ticket, Truth]]) -> None:
    labelled = [(ticket, truth) for ticket, truth in closed if ticket.causes]
    wrong = [truth for ticket, truth in labelled if set(ticket.causes) != set(truth.causes)]
    assert all(truth.wrong_label for truth in wrong)
    assert len(wrong) == sum(truth.wrong_label for _, truth in closed)
    assert fits(len(wrong), len(labelled), WRONG_LABEL)


def test_the_share_of_missing_results_is_as_stated_and_no_cause_changes_it(
    closed: list[tuple[Ticket, Truth]],
) -> None:
    for ticket, truth in closed:
        written = [name for name, _, _ in results(ticket) if name not in BATTERY_LOOKS]
        assert truth.made - truth.missing == len(written)
    missing, total = Counter[str](), Counter[str]()
    for _, truth in closed:
        missing[truth.causes[0]] += truth.missing
        total[truth.causes[0]] += truth.made
    assert fits(missing.total(), total.total(), MISSING)
    table = [[missing[cause], total[cause] - missing[cause]] for cause in total]
    assert stats.chi2_contingency(table).pvalue > RARE


def test_only_the_misreader_misreads_and_only_one_check(
    tickets: list[Ticket], made: tuple[bytes, list[Truth]]
) -> None:
    read = wrong = 0
    for ticket, truth in zip(tickets, made[1], strict=True):
        for finding, result, who in results(ticket):
            if (who, finding) == (MISREADER, MISREAD_FINDING):
                read += 1
                wrong += result != truth.machine[finding]
            else:
                assert result == truth.machine[finding]
    assert read > 60
    assert wrong == sum(len(truth.misread) for truth in made[1])
    assert fits(wrong, read, MISREAD)
    # The check can tell a careful reader from this one.
    assert not fits(wrong, read, 0.05)


def test_the_technicians_share_the_tickets_as_stated(closed: list[tuple[Ticket, Truth]]) -> None:
    counts = Counter(truth.technician for _, truth in closed)
    assert all(fits(counts[who], len(closed), share) for who, share in STAFF.items())


def faulty(compiled: CompiledModel, name: str) -> float:
    """P(not the normal state | complaint)."""
    network = compiled.network
    calibrated = beliefs(compiled, evidence_from(compiled, {}))
    return 1.0 - float(posterior(compiled, calibrated, network.index[name])[0, 0])


def test_machines_follow_the_hidden_truth_and_not_the_models_base_rates(
    closed: list[tuple[Ticket, Truth]],
) -> None:
    model, truth = models()
    drawn = [t for _, t in closed if not t.comeback]
    unlike = []
    for variable in model.model.variables:
        if variable.kind is Kind.CAUSE:
            name = variable.name
            count = sum(t.machine[name] != variable.states[0] for t in drawn)
            assert fits(count, len(drawn), faulty(truth, name)), name
            if not fits(count, len(drawn), faulty(model, name)):
                unlike.append(name)
    assert len(unlike) >= 6, unlike
    assert set(unlike) <= set(CAUSES)


def test_at_least_six_causes_have_another_base_rate() -> None:
    model, truth = (compiled.model for compiled in models())
    changed = {v.name for v in model.variables if truth.by_name[v.name] != v}
    assert changed == set(CAUSES)
    assert len(changed) >= 6
    assert replace(truth, variables=model.variables) == model


SITUATIONS: dict[str, Callable[[Ticket], bool]] = {
    "fresh intake": lambda t: all(e.who == "invented dora" for e in t.events),
    "on hold for the customer": lambda t: bool(t.hold and t.hold.waiting_for == "customer"),
    "on hold for approval": lambda t: bool(t.hold and t.hold.waiting_for == "approval"),
    "with a specialist": lambda t: bool(t.hold and t.hold.waiting_for == "specialist"),
    "part awaited": lambda t: bool(t.awaited),
    "repaired, not proved": lambda t: t.repaired is not None and not t.proofs,
    "tried without a cure": lambda t: bool(t.tried),
    "bulging battery": lambda t: t.findings.get("battery") == "swollen",
    "handed over": lambda t: t.hand_over is not None,
    "some findings": lambda t: "battery" in t.findings and t.hold is None and not t.tried,
}


@pytest.mark.parametrize("situation", SITUATIONS)
def test_among_the_open_tickets_is_one_that_is(situation: str, tickets: list[Ticket]) -> None:
    assert any(SITUATIONS[situation](ticket) for ticket in tickets if ticket.open)
