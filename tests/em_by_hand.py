"""The oracle of learning: one EM round by counting out every joint state and every draw.

Shares nothing with the engine: the joint table comes from `tests.brute_force`, hidden
draws of noisy families are listed one combination at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from faultfinder.learning.records import ClosedTicket
from faultfinder.model.parts import Dense, FaultModel, Kind, NoisyMax, SimpleTest, Variable
from tests.brute_force import Joint, joint_of_model

Array = NDArray[np.float64]
Key = tuple[str, str, object]
"""(variable, kind, which): which is a row number, or (parent, state) of a link."""

Counts = dict[Key, Array]


def weights_of(joint: Joint, model: FaultModel, ticket: ClosedTicket) -> Array:
    """The joint table with everything zero that a ticket excludes."""
    weights = joint.weights(dict(ticket.findings))
    if model.complaint is not None:
        weights = weights * (mask(joint, model.complaint, joint.states[model.complaint][-1:]))
    if ticket.causes is not None:
        for cause in model.of_kind(Kind.CAUSE):
            faulty = model.faulty_states(cause.name)
            normal = tuple(s for s in cause.states if s not in faulty)
            weights = weights * mask(
                joint, cause.name, faulty if cause.name in ticket.causes else normal
            )
    return weights


def mask(joint: Joint, name: str, states: Sequence[str]) -> Array:
    view = [1] * len(joint.names)
    view[joint.axis(name)] = -1
    marks = np.array([float(s in states) for s in joint.states[name]])
    return marks.reshape(view)


def log_likelihood(
    model: FaultModel,
    tickets: Sequence[ClosedTicket],
    label_error: float = 0.0,
    seen_share: float = 1.0,
) -> float:
    """Of the tickets, and of the machines that never came (see the engine's own words)."""
    joint = joint_of_model(model)
    total = 0.0
    for ticket in tickets:
        chance = float(weights_of(joint, model, ticket).sum())
        if label_error and ticket.causes is not None:
            bare = ClosedTicket(0, "", ticket.findings, None)
            wrong = 1.0 / len(model.of_kind(Kind.CAUSE)) ** max(1, len(ticket.causes))
            chance = (1 - label_error) * chance + label_error * wrong * float(
                weights_of(joint, model, bare).sum()
            )
        total += np.log(chance)
    if model.complaint is not None and seen_share < 1.0:
        seen = joint.posterior(model.complaint, {})[joint.states[model.complaint][-1]]
        total += len(tickets) * (1 - seen_share) / seen_share * np.log(1 - seen)
    return float(total)


def expected_counts(
    model: FaultModel, joint: Joint, weights: Array, weight: float, known: set[str]
) -> Counts:
    """Expected counts of every figure for one ticket (or unseen machine) of this weight.

    Findings that nothing depends on count only when they are in `known`, and conditions
    only when something a ticket can tell depends on them.
    """
    shares = weights / weights.sum() * weight
    parents = {name for variable in model.variables for name in variable.parents}
    told = _leading_somewhere(model)
    counts: Counts = {}
    for variable in model.variables:
        open_leaf = variable.kind is Kind.FINDING and variable.name not in parents
        if open_leaf and variable.name not in known:
            continue
        if variable.name not in told:
            continue
        scope = (*variable.parents, variable.name)
        axes = [joint.axis(name) for name in scope]
        away = tuple(axis for axis in range(shares.ndim) if axis not in axes)
        kept = sorted(axes)
        family = shares.sum(axis=away).transpose([kept.index(axis) for axis in axes])
        for where, share in np.ndenumerate(family):
            if share > 0.0:
                states = {
                    name: joint.states[name][place]
                    for name, place in zip(scope[:-1], where[:-1], strict=True)
                }
                _count(variable, states, where[:-1], where[-1], float(share), model, counts)
    return counts


def _leading_somewhere(model: FaultModel) -> set[str]:
    """All variables but the conditions on which nothing depends that a ticket can tell."""
    found = {v.name for v in model.variables if v.kind is not Kind.CONDITION}
    for variable in reversed(model.variables):
        if variable.name in found:
            found |= set(variable.parents)
    return found


def _count(
    variable: Variable,
    states: Mapping[str, str],
    where: tuple[int, ...],
    own: int,
    share: float,
    model: FaultModel,
    counts: Counts,
) -> None:
    told, name, card = variable.distribution, variable.name, len(variable.states)

    def add(kind: str, which: object, state: int, amount: float) -> None:
        counts.setdefault((name, kind, which), np.zeros(card))[state] += amount

    if isinstance(told, Dense):
        shape = [len(model.by_name[parent].states) for parent in told.parents]
        row = int(np.ravel_multi_index(where, shape)) if shape else None
        add("dense" if shape else "chance", row, own, share)
    elif isinstance(told, SimpleTest):
        shows = states[told.of] in told.shows
        add("sensitivity" if shows else "specificity", None, own, share)
    elif isinstance(told, NoisyMax):
        draws: list[tuple[str, object, Sequence[float]]] = [("leak", None, told.leak.gives)]
        for parent in told.parents:
            link = told.links.get(parent, {}).get(states[parent])
            if link is not None:
                draws.append(("link", (parent, states[parent]), link.gives))
        ways = []
        for combo in product(range(card), repeat=len(draws)):
            if max(combo) == own:
                chance = np.prod([d[2][z] for d, z in zip(draws, combo, strict=True)])
                ways.append((combo, float(chance)))
        whole = sum(chance for _, chance in ways)
        for combo, chance in ways:
            for (kind, which, _), z in zip(draws, combo, strict=True):
                add(kind, which, z, share * chance / whole)
    else:
        for number, row in enumerate(told.rows):
            if all(states[parent] in listed for parent, listed in row.when.items()):
                kind = "row" if told.parents else "chance"
                add(kind, number if told.parents else None, own, share)
                break
