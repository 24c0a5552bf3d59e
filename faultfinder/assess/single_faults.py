"""Faults one at a time: what each check would show on a machine with that fault alone.

The signatures of testability work (IEEE 1522 names what is drawn from them: ambiguity
group, fraction of faults isolated; wording from memory). The customer's complaint counts as
seen, histories are averaged over, and all other causes are in their normal state.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from faultfinder.consultation.ranking import questions
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.conditioning import columns_given
from faultfinder.inference.elimination import TooLarge, joint_with_evidence
from faultfinder.inference.posterior import Evidence, certain, evidence_from
from faultfinder.model.network import Array, Ints
from faultfinder.model.parts import Kind

COLUMNS = 1024
"""Joint states of the causes asked for in one pass."""


@dataclass(frozen=True)
class Fault:
    """One cause in one faulty state."""

    cause: str
    state: str

    def __str__(self) -> str:
        return f"{self.cause}={self.state}"


@dataclass(frozen=True, eq=False)
class Signatures:
    """What the checks would show for each fault alone.

    `faults` are those that bring the complaint about alone; `silent` the others.
    `share` (faults,) is P(fault | exactly one fault, complaint). `shows[check]` has shape
    (joint results, faults) and sums to one over axis 0; `normal[check]` (joint results,) is
    the same on a machine without a fault. `questions` are the checks that only ask for
    histories; all others are made at the bench.
    """

    faults: tuple[Fault, ...]
    silent: tuple[Fault, ...]
    share: Array = field(repr=False)
    shows: Mapping[str, Array] = field(repr=False)
    normal: Mapping[str, Array] = field(repr=False)
    questions: frozenset[str] = frozenset()

    @property
    def bench(self) -> tuple[str, ...]:
        """The checks that are no questions."""
        return tuple(check for check in self.shows if check not in self.questions)

    @cached_property
    def distances(self) -> Mapping[str, Array]:
        """Total-variation distance between the results of each two faults, per check.

        Half the sum of absolute differences: 0 when the check treats both alike, 1 when one
        look tells them apart for sure. Shape (faults, faults).
        """
        return {
            check: 0.5 * np.abs(rows[:, :, None] - rows[:, None, :]).sum(axis=0)
            for check, rows in self.shows.items()
        }

    def farthest(self, checks: Sequence[str]) -> tuple[Array, Ints]:
        """The largest distance any of `checks` makes, and the place of that check in it.

        Both have shape (faults, faults); a place of -1 where no check makes any.
        """
        count = len(self.faults)
        if not checks:
            return np.zeros((count, count)), np.full((count, count), -1)
        stacked = np.stack([self.distances[check] for check in checks])
        best = stacked.max(axis=0)
        # Of checks that tell as much, the first one in the file.
        place = (stacked >= best - 1e-12).argmax(axis=0)
        return best, np.where(best > 1e-12, place, -1)


def signatures(compiled: CompiledModel) -> Signatures:
    """What every check would show for every single fault, exactly.

    Raises FaultfinderError when no single fault can bring the complaint about, or some
    check's table would be too large.
    """
    model, network = compiled.model, compiled.network
    listed = [
        Fault(variable.name, state)
        for variable in model.of_kind(Kind.CAUSE)
        for state in model.faulty_states(variable.name)
    ]
    base = normal_states(compiled)
    columns = np.repeat(base[:, None], len(listed), axis=1)
    places = {network.names[cause]: row for row, cause in enumerate(compiled.causes)}
    for column, fault in enumerate(listed):
        row = places[fault.cause]
        columns[row, column] = network.states[compiled.causes[row]].index(fault.state)
    checks = [check.name for check in model.checks]
    log, shows = results_given(compiled, columns, checks, complaint=True)
    possible = np.isfinite(log)
    if not possible.any():
        raise FaultfinderError(
            f"No cause of {model.name} brings the complaint about on its own, so that single "
            "faults cannot be told apart."
        )
    share = np.exp(log[possible] - log[possible].max())
    _, normal = results_given(compiled, base[:, None], checks, complaint=False)
    return Signatures(
        faults=tuple(f for f, fits in zip(listed, possible, strict=True) if fits),
        silent=tuple(f for f, fits in zip(listed, possible, strict=True) if not fits),
        share=share / share.sum(),
        shows={check: rows[:, possible] for check, rows in shows.items()},
        normal={check: rows[:, 0] for check, rows in normal.items()},
        questions=questions(model),
    )


def normal_states(compiled: CompiledModel) -> Ints:
    """The state number of each cause on a machine without a fault: shape (causes,)."""
    normal = []
    for cause in compiled.causes:
        sound = np.flatnonzero(~compiled.faulty[cause]).tolist()
        if not sound:
            name = compiled.network.names[cause]
            raise FaultfinderError(f"Every state of {name} counts as a fault; one must be normal.")
        normal.append(sound[0])
    return np.array(normal, dtype=np.int64)


def results_given(
    compiled: CompiledModel, states: Ints, checks: Sequence[str], *, complaint: bool
) -> tuple[Array, dict[str, Array]]:
    """What checks show given the states of all causes, a column each.

    `states` has shape (causes, columns). Returns the natural log of P(states, complaint),
    shape (columns,), and per check P(joint result | states, complaint), shape (results,
    columns). Without `complaint` the machine is taken as it is, complained about or not.
    """
    seen = evidence_from(compiled, {}) if complaint else Evidence({})
    readable = [check for check in checks if compiled.readouts[check] is not None]
    ways = [way for check in readable if (way := compiled.readouts[check]) is not None]
    logs: list[Array] = []
    parts: dict[str, list[Array]] = {check: [] for check in checks}
    for begin in range(0, states.shape[1], COLUMNS):
        block = states[:, begin : begin + COLUMNS]
        log, told = columns_given(compiled, compiled.causes, block, seen, ways)
        logs.append(log)
        for check, rows in zip(readable, told, strict=True):
            parts[check].append(rows)
        for check in checks:
            if compiled.readouts[check] is None:
                parts[check].append(_eliminated(compiled, block, check, seen, log))
    return np.concatenate(logs), {c: np.concatenate(p, axis=1) for c, p in parts.items()}


def _eliminated(
    compiled: CompiledModel, states: Ints, check: str, seen: Evidence, log: Array
) -> Array:
    """The results of a check that no clique holds, one column after the other."""
    network = compiled.network
    findings = compiled.check_findings(check)
    size = int(np.prod([network.cards[v] for v in findings]))
    rows = np.zeros((size, states.shape[1]))
    for column in np.flatnonzero(np.isfinite(log)).tolist():
        known = dict(seen.likelihoods)
        for place, cause in enumerate(compiled.causes):
            known[cause] = certain(network.cards[cause], int(states[place, column]))
        try:
            joint = joint_with_evidence(network, findings, known).reshape(-1)
        except TooLarge as refused:
            raise FaultfinderError(
                f"What {check} shows needs a table of {refused.entries:,} numbers. "
                "Let it observe fewer findings at once."
            ) from refused
        rows[:, column] = joint / joint.sum()
    return rows
