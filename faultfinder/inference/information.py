"""Expected information gain of checks, in bits, exactly.

For a target C, a check with joint result T and evidence e:

    I(C; T | e) = H(T | e) - H(T | C, e)

(Cover & Thomas, Elements of information theory, chapter 2). Three ways, each
exact, from cheap to expensive:

1. all parents of T are in the target, or functions of it, and nothing known lies
   below T: H(T | C, e) is the mean of the table's own entropies over
   P(parents | e), so that one pass gives every such check's gain;
2. the target has few joint states: one pass with a column per state gives every
   check's gain, over a tree from which the target and all that is known are sliced out;
3. else eliminations, over the part of the target that a check depends on.

In a model where one condition says which of all causes speaks (`first_of`), what depends on
more than that (a history, a finding that also hangs on one) is weighed by what it tells about
the speaking cause and its state instead: I(first; T | e), a lower bound of I(C; T | e), read
from their joint belief, or from one pass with a column per result where no clique holds it.
For all else both are the same.

This module never sees a cost.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from faultfinder.errors import TargetTooLarge
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel, Readout, entropy_bits, readout
from faultfinder.inference.conditioning import columns_given
from faultfinder.inference.elimination import WORK_LIMIT, TooLarge, joint_with_evidence
from faultfinder.inference.posterior import Evidence, beliefs, certain
from faultfinder.inference.propagation import Calibrated
from faultfinder.inference.separation import requisite
from faultfinder.inference.target import Target
from faultfinder.model.network import Array

JOINT_LIMIT = 4096
"""Joint target states that are always answered, one pass with a column per state."""

COLUMNS_PREFERRED = 1 << 24
"""Tree entries times target states up to which way 2 is taken before way 3."""

COLUMN_ENTRIES = 1 << 22
"""Tree entries times columns held at once."""


@frozen
class Information:
    """What a check would tell: `gain_bits`, and P(joint result | evidence).

    `outcomes` has one entry per joint result of `findings` (variable numbers still
    unknown), the last finding varying fastest.
    """

    gain_bits: float
    findings: tuple[int, ...]
    outcomes: Array


def open_findings(
    compiled: CompiledModel, check: str, evidence: Evidence, unclear: Collection[int] = ()
) -> tuple[int, ...]:
    """The variables a check would tell that are not known yet, nor tried in vain (`unclear`)."""
    return tuple(
        number
        for number in compiled.check_findings(check)
        if number not in evidence.likelihoods and number not in unclear
    )


def information(
    target: Target,
    evidence: Evidence,
    calibrated: Calibrated,
    checks: Sequence[str],
    unclear: Collection[int] = (),
    refused: dict[str, TargetTooLarge] | None = None,
) -> dict[str, Information]:
    """The gain and outcome probabilities of each check, for possible evidence.

    `calibrated` are the beliefs of `target.compiled` given `evidence`, unbatched.
    Checks with nothing left to tell are left out; findings in `unclear` (variable
    numbers) count as not to be had. A check whose exact gain would pass the limits is put into
    `refused`; without one it raises TargetTooLarge.
    """
    compiled = target.compiled
    results: dict[str, Information] = {}
    rest: list[tuple[str, tuple[int, ...], Readout | None]] = []
    sure = target.closed | {v for v in evidence.likelihoods if not _uncertain(evidence, v)}
    quick: dict[tuple[int, ...], list[tuple[str, Readout]]] = {}
    for check in checks:
        findings = open_findings(compiled, check, evidence, unclear)
        if not findings:
            continue
        way = compiled.readouts[check]
        if way is None or way.findings != findings:
            way = readout(compiled, findings)
        if way is not None:
            way = after_silence(compiled, way, evidence)
        if way is None or calibrated.tree.home(way.scope) is None:
            rest.append((check, findings, None))
        elif target.summed:
            rest.append((check, findings, way))
        elif all(v in sure for v in way.scope):
            quick.setdefault(way.scope, []).append((check, way))
        else:
            rest.append((check, findings, way))
    for scope, ways in quick.items():
        weights = calibrated.marginal(scope).reshape(-1)
        for check, way in ways:
            outcomes = way.rows @ weights
            gain = float(entropy_bits(outcomes)) - float(way.entropy @ weights)
            results[check] = Information(max(gain, 0.0), way.findings, outcomes)
    if rest:
        results.update(_expensive(target, evidence, calibrated, rest, refused))
    return {check: results[check] for check in checks if check in results}


def after_silence(compiled: CompiledModel, way: Readout, evidence: Evidence) -> Readout:
    """The readout once nobody spoke of its findings: P(results | scope, not mentioned)."""
    if not any(number in evidence.silent for number in way.findings):
        return way
    joint = np.ones(1)
    for number in way.findings:
        vector = evidence.silent.get(number, np.ones(compiled.network.cards[number]))
        joint = (joint[:, None] * vector[None]).reshape(-1)
    rows = way.rows * joint[:, None]
    total = rows.sum(axis=0)
    rows = rows / np.where(total > 0.0, total, 1.0)
    return Readout(way.findings, way.scope, rows, entropy_bits(rows))


def _expensive(
    target: Target,
    evidence: Evidence,
    calibrated: Calibrated,
    rest: Sequence[tuple[str, tuple[int, ...], Readout | None]],
    refused: dict[str, TargetTooLarge] | None,
) -> dict[str, Information]:
    compiled = target.compiled
    results: dict[str, Information] = {}
    readable = [(check, way) for check, _, way in rest if way is not None]
    if target.summed:
        gains = dict.fromkeys((check for check, _ in readable), 0.0)
        for variable in target.variables:
            for check, gain in _by_columns(compiled, (variable,), evidence, readable).items():
                gains[check] += gain
        for check, way in readable:
            results[check] = Information(gains[check], way.findings, _outcomes(way, calibrated))
        readable = []
    first = None
    if target.variables == compiled.causes and not target.summed:
        first = speaking(compiled)
    if first is not None:
        return _about_first(compiled, first, evidence, calibrated, rest)
    states = math.prod(_open_states(compiled, target.variables, evidence))
    if readable and states * calibrated.tree.size <= COLUMNS_PREFERRED:
        results.update(_columns(target, evidence, calibrated, readable))
        readable = []
    for check, findings, read in rest:
        if check in results:
            continue
        try:
            if target.summed:
                parts = [
                    _by_elimination(
                        compiled, frozenset((v,)), evidence, check, findings, calibrated
                    )
                    for v in target.variables
                ]
                total = sum(part.gain_bits for part in parts)
                results[check] = Information(total, findings, parts[0].outcomes)
            else:
                results[check] = _by_elimination(
                    compiled, target.closed, evidence, check, findings, calibrated
                )
        except TargetTooLarge as too_large:
            if not target.summed and read is not None and states <= JOINT_LIMIT:
                results.update(_columns(target, evidence, calibrated, [(check, read)]))
            elif refused is None:
                raise
            else:
                refused[check] = too_large
    return results


def speaking(compiled: CompiledModel) -> int | None:
    """The variable that says which of all causes speaks, where the model has one."""
    causes = set(compiled.causes)
    firsts = compiled.network.firsts.items()
    return next((number for number, first in firsts if causes <= set(first.members)), None)


def _about_first(
    compiled: CompiledModel,
    first: int,
    evidence: Evidence,
    calibrated: Calibrated,
    rest: Sequence[tuple[str, tuple[int, ...], Readout | None]],
) -> dict[str, Information]:
    """What checks tell about the cause that speaks: read from one joint table where the beliefs
    hold it, else from a column of beliefs for each result."""
    before = float(entropy_bits(calibrated.marginal((first,)))[0])
    results: dict[str, Information] = {}
    joints: dict[tuple[int, ...], Array] = {}
    left: list[tuple[str, tuple[int, ...], Readout | None]] = []
    for check, findings, way in rest:
        scope = () if way is None else (first, *(v for v in way.scope if v != first))
        if (
            way is None
            or calibrated.tree.home(scope) is None
            or any(number in evidence.silent for number in findings)
        ):
            left.append((check, findings, way))
            continue
        if scope not in joints:
            joints[scope] = calibrated.marginal(scope)[..., 0]
        results[check] = _read_about(compiled, first, way, joints[scope], before)
    if left:
        results.update(_first_by_columns(compiled, first, evidence, calibrated, left, before))
    return results


def _read_about(
    compiled: CompiledModel, first: int, way: Readout, joint: Array, before: float
) -> Information:
    """What a check tells about `first` from P(first, the rest of its scope): `before` is the
    entropy of the first, in bits."""
    rows = way.rows.reshape(-1, *(compiled.network.cards[v] for v in way.scope))
    inside = first in way.scope
    rows = np.moveaxis(rows, 1 + way.scope.index(first), 1) if inside else rows[:, None]
    told = (rows * joint).reshape(len(rows), len(joint), -1).sum(axis=2)
    outcomes = told.sum(axis=1)
    given = told.T / np.where(outcomes > 0.0, outcomes, 1.0)
    gain = before - float(entropy_bits(given) @ outcomes)
    return Information(max(gain, 0.0), way.findings, outcomes)


def _first_by_columns(
    compiled: CompiledModel,
    first: int,
    evidence: Evidence,
    calibrated: Calibrated,
    rest: Sequence[tuple[str, tuple[int, ...], Readout | None]],
    before: float,
) -> dict[str, Information]:
    counts = [math.prod(compiled.network.cards[v] for v in findings) for _, findings, _ in rest]
    columns: dict[int, Array] = {}
    start, total = 0, sum(counts)
    for (_, findings, _), count in zip(rest, counts, strict=True):
        for number, vectors in result_columns(compiled, findings).items():
            if number not in columns:
                columns[number] = np.ones((len(vectors), total))
            columns[number][:, start : start + count] = vectors
        start += count
    given = np.zeros((compiled.network.cards[first], total))
    log = np.zeros(total)
    width = max(1, COLUMN_ENTRIES // max(calibrated.tree.size, 1))
    for begin in range(0, total, width):
        part = slice(begin, begin + width)
        some = {number: vectors[:, part] for number, vectors in columns.items()}
        after = beliefs(compiled, evidence.with_columns(some))
        log[part] = after.log_evidence
        given[:, part] = after.marginal((first,))
    results: dict[str, Information] = {}
    start = 0
    for (check, findings, _), count in zip(rest, counts, strict=True):
        part = slice(start, start + count)
        start += count
        outcomes = np.exp(log[part] - log[part].max())
        outcomes /= outcomes.sum()
        gain = before - float(entropy_bits(given[:, part]) @ outcomes)
        results[check] = Information(max(gain, 0.0), findings, outcomes)
    return results


def _columns(
    target: Target,
    evidence: Evidence,
    calibrated: Calibrated,
    readable: Sequence[tuple[str, Readout]],
) -> dict[str, Information]:
    gains = _by_columns(target.compiled, target.variables, evidence, readable)
    return {
        check: Information(gains[check], way.findings, _outcomes(way, calibrated))
        for check, way in readable
    }


def _open_states(
    compiled: CompiledModel, variables: Sequence[int], evidence: Evidence
) -> tuple[int, ...]:
    """States still open of each variable."""
    return tuple(
        int(np.count_nonzero(evidence.likelihoods[v]))
        if v in evidence.likelihoods
        else compiled.network.cards[v]
        for v in variables
    )


def _outcomes(way: Readout, calibrated: Calibrated) -> Array:
    result: Array = way.rows @ calibrated.marginal(way.scope).reshape(-1)
    return result


def _by_columns(
    compiled: CompiledModel,
    variables: tuple[int, ...],
    evidence: Evidence,
    readable: Sequence[tuple[str, Readout]],
) -> dict[str, float]:
    """Way 2: condition on every joint state of the target, a column each.

    Returns the gain in bits per check: H(sum_c P(c|e) P(T|c,e)) - sum_c P(c|e) H(T|c,e).
    """
    states = [
        np.flatnonzero(evidence.likelihoods[v])
        if v in evidence.likelihoods
        else np.arange(compiled.network.cards[v])
        for v in variables
    ]
    combos = np.stack(np.meshgrid(*states, indexing="ij"), axis=0).reshape(len(variables), -1)
    ways = [way for _, way in readable]
    width = max(1, COLUMN_ENTRIES // max(compiled.tree.size, 1))
    logs: list[Array] = []
    columns: dict[str, list[Array]] = {check: [] for check, _ in readable}
    for begin in range(0, combos.shape[1], width):
        part = combos[:, begin : begin + width]
        log, told = columns_given(compiled, variables, part, evidence, ways)
        logs.append(log)
        for (check, _), given in zip(readable, told, strict=True):
            columns[check].append(given)
    log = np.concatenate(logs)
    share = np.exp(log - log.max())
    share /= share.sum()
    gains = {}
    for check, _ in readable:
        given = np.concatenate(columns[check], axis=1)
        gain = float(entropy_bits(given @ share)) - float(entropy_bits(given) @ share)
        gains[check] = max(gain, 0.0)
    return gains


def _by_elimination(
    compiled: CompiledModel,
    closed: frozenset[int],
    evidence: Evidence,
    check: str,
    findings: tuple[int, ...],
    calibrated: Calibrated,
) -> Information:
    """Way 3: P(T | the part of the target it depends on), which takes few tables of the model,
    and P(part | evidence), which is the same for all checks that depend on that part: it is
    read where a clique of `calibrated` holds it, else kept there.
    """
    network = compiled.network
    unsure = frozenset(v for v in evidence.weighed if _uncertain(evidence, v))
    known = closed | (evidence.likelihoods.keys() - unsure)
    outside = [v for v in findings if v not in closed]
    depends, families = requisite(network, outside, known, unsure)
    # Findings that are in the target themselves are told by it.
    inside = [v for v in findings if v in closed]
    more = depends.intersection(closed).difference(inside)
    part = (*inside, *sorted(v for v in more if _uncertain(evidence, v)))
    cards = [network.cards[v] for v in part]
    results = math.prod(network.cards[v] for v in outside)
    if math.prod(cards) * results > WORK_LIMIT:
        raise TargetTooLarge(check, math.prod(cards), WORK_LIMIT)
    bearing = {v: one for v, one in evidence.weighed.items() if v in depends or v in families}
    try:
        if calibrated.tree.home(part) is not None:
            share = calibrated.marginal(part).reshape(-1)
        else:
            if part not in calibrated.others:
                joint = joint_with_evidence(network, part, evidence.weighed)
                calibrated.others[part] = joint / joint.sum()
            share = calibrated.others[part].reshape(-1)
        alone = None if network.firsts else families
        told = joint_with_evidence(network, (*outside, *part), bearing, alone)
    except TooLarge as refused:
        raise TargetTooLarge(check, refused.entries, WORK_LIMIT) from refused
    flat = told.reshape(results, -1)
    total = flat.sum(axis=0)
    flat = flat / np.where(total > 0.0, total, 1.0)
    left = float(entropy_bits(flat) @ share)
    order = (*outside, *inside)
    joint = (flat * share).reshape(*(network.cards[v] for v in order), -1).sum(axis=-1)
    outcomes = joint.transpose([order.index(v) for v in findings]).reshape(-1)
    return Information(max(float(entropy_bits(outcomes)) - left, 0.0), findings, outcomes)


def _uncertain(evidence: Evidence, variable: int) -> bool:
    vector = evidence.likelihoods.get(variable)
    return vector is None or int(np.count_nonzero(vector)) > 1


def result_columns(compiled: CompiledModel, findings: tuple[int, ...]) -> dict[int, Array]:
    """Evidence columns for every joint result of `findings`, the last varying fastest."""
    cards = [compiled.network.cards[v] for v in findings]
    grid = np.indices(cards).reshape(len(cards), -1)
    return {
        v: np.stack([certain(cards[i], int(state)) for state in grid[i]], axis=1)
        for i, v in enumerate(findings)
    }


def effects(
    compiled: CompiledModel, evidence: Evidence, findings: tuple[int, ...]
) -> Mapping[int, Array]:
    """What each joint result would do: P(cause state | evidence, result).

    Returns cause number -> array of shape (states, joint results); zeros where the
    result is impossible.
    """
    calibrated = beliefs(compiled, evidence.with_columns(result_columns(compiled, findings)))
    return {cause: calibrated.marginal((cause,)) for cause in compiled.causes}
