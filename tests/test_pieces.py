"""An E-step over pieces of a network is the E-step over the whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.em.engine import build_engine
from faultfinder.learning.em.estimates import tune
from faultfinder.learning.em.expected_counts import expect
from faultfinder.learning.em.parameters import read_families
from faultfinder.learning.em.patterns import gather
from faultfinder.learning.em.pieces import cut
from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Dense, Kind, Variable
from tests.networks import make_model, published

ROWS = 200


def network(name: str, hidden: tuple[str, ...]) -> CompiledModel:
    """A published network (inside the pgmpy package); what is hidden are its causes."""
    variables = []
    for node in published(name).nodes():
        table = published(name).get_cpds(node)
        values = np.moveaxis(np.asarray(table.values, dtype=float), 0, -1)
        kind = Kind.CAUSE if node in hidden else Kind.FINDING
        states = tuple(map(str, table.state_names[node]))
        told = Dense(tuple(table.variables[1:]), values)
        variables.append(Variable(node, kind, node, states, told))
    return compile_model(make_model(variables))


def tickets_of(compiled: CompiledModel, left_out: dict[str, float]) -> list[ClosedTicket]:
    """Rows drawn from the network; `left_out` says how often a variable is not recorded."""
    net, rng = compiled.network, np.random.default_rng(5)
    drawn = np.zeros((ROWS, len(net.names)), dtype=int)
    for number in net.order:
        share = net.tables[number][tuple(drawn[:, p] for p in net.parents[number])]
        share = np.broadcast_to(share, (ROWS, net.cards[number]))
        luck = rng.random(ROWS)[:, None] >= np.cumsum(share, axis=1)
        drawn[:, number] = np.minimum(luck.sum(axis=1), net.cards[number] - 1)
    found = []
    for n, row in enumerate(drawn, 1):
        told = {
            net.names[v]: net.states[v][row[v]]
            for v in range(net.own)
            if rng.random() >= left_out.get(net.names[v], 0.0)
        }
        found.append(ClosedTicket(n, "", told, None))
    return found


@pytest.mark.parametrize(
    ("name", "hidden", "partly"),
    [
        ("asia", ("lung", "bronc"), ()),
        ("alarm", ("HYPOVOLEMIA", "LVFAILURE"), ("CVP", "HRBP", "TPR")),
        ("alarm", ("KINKEDTUBE",), ()),
    ],
)
def test_pieces_expect_what_the_whole_does(
    name: str, hidden: tuple[str, ...], partly: tuple[str, ...]
) -> None:
    compiled = network(name, hidden)
    left_out = dict.fromkeys(hidden, 1.0) | dict.fromkeys(partly, 0.4)
    patterns = gather(compiled, tickets_of(compiled, left_out))
    families = read_families(compiled)
    used = np.asarray(patterns.codes.any(axis=0))
    engine = build_engine(compiled, patterns.codec, families, used, 1.0)
    pieces = cut(engine, patterns, 0.0)
    assert pieces is not None
    assert pieces.fixed
    rng = np.random.default_rng(1)
    for _ in range(3):
        figures = {}
        for family in families:
            moved = family.file * rng.uniform(0.5, 2.0, family.file.shape)
            figures[family.number] = moved / moved.sum(axis=1, keepdims=True)
        at = engine.at(figures)
        whole, cut_up = expect(at, patterns), pieces.expect(at, patterns)
        assert cut_up.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-12)
        assert cut_up.counts.keys() == whole.counts.keys()
        for number, counts in whole.counts.items():
            assert_allclose(cut_up.counts[number], counts, rtol=1e-9, atol=1e-9)


def test_an_impossible_row_is_found_as_by_the_whole() -> None:
    compiled = network("asia", ("lung", "bronc"))
    tickets = tickets_of(compiled, {"lung": 1.0, "bronc": 1.0})
    # "either" is certain where tuberculosis is.
    wrong = replace(tickets[0], findings={**tickets[0].findings, "tub": "yes", "either": "no"})
    tuned = tune(
        compiled, [wrong, *tickets[1:]], allow_unlabelled=True, leave_out_impossible=True,
        max_rounds=3,
    )  # fmt: skip
    assert [aside.number for aside in tuned.set_aside] == [wrong.number]
