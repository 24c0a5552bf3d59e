"""Who reads a finding otherwise: one who misreads is found, with a rate that holds the truth; who
reads like the others is not named. All invented."""

from __future__ import annotations

import numpy as np

from faultfinder.inference.compiled import compile_model
from faultfinder.learning.records import ClosedTicket
from faultfinder.learning.watch.slips import LEAST, who_reads_otherwise
from tests.drawn_tickets import drawn_tickets, with_rate
from tests.small_shop import small_shop

PEOPLE = ("ann", "bob", "eve")
FINDING, OTHERS = "glass_cracked", 0.05


def written(
    seed: int, count: int, rate: float
) -> tuple[list[ClosedTicket], dict[int, dict[str, str]]]:
    """Tickets whose results three persons wrote; of one finding all misread some, bob `rate`."""
    rng = np.random.default_rng(seed)
    model = small_shop()
    tickets, wrote = [], {}
    for ticket in drawn_tickets(compile_model(model), count, seed, 0.8):
        who = PEOPLE[int(rng.integers(3))]
        told = dict(ticket.findings)
        if FINDING in told and rng.random() < (rate if who == "bob" else OTHERS):
            states = [s for s in model.by_name[FINDING].states if s != told[FINDING]]
            told[FINDING] = states[int(rng.integers(len(states)))]
        tickets.append(ClosedTicket(ticket.number, ticket.closed_at, told, ticket.causes))
        wrote[ticket.number] = dict.fromkeys(told, who)
    return tickets, wrote


def test_one_who_misreads_is_named_and_the_rate_lies_in_its_interval() -> None:
    """20 shops of 400 tickets: the only one named, in at least 17; 95 % intervals hold the rate
    in at least 16."""
    compiled = compile_model(small_shop())
    named = inside = others = 0
    for seed in range(20):
        told = who_reads_otherwise(compiled, *written(seed, 400, 0.35))
        for one in told.otherwise:
            if (one.who, one.finding) == ("bob", FINDING):
                named += 1
                inside += one.interval[0] <= 0.35 <= one.interval[1]
                assert one.rate > one.others
                assert one.results >= LEAST
            else:
                others += 1
    assert named >= 17
    assert inside >= 16
    assert others <= 2


def test_who_reads_like_the_others_is_not_named_though_the_model_is_off() -> None:
    """40 shops, the model's rate of a cause being wrong too: someone is named in at most 5."""
    off = with_rate(small_shop(), "strip", 0.8, 0.2)
    wrong = sum(
        bool(who_reads_otherwise(off, *written(seed, 400, OTHERS)).otherwise)
        for seed in range(100, 140)
    )
    assert wrong <= 5


def test_too_few_results_are_not_tested() -> None:
    told = who_reads_otherwise(compile_model(small_shop()), *written(1, 20, 0.5))
    assert (told.otherwise, told.tested) == ((), 0)
