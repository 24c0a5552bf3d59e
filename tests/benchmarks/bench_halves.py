"""What could be chosen on the casebook, chosen on one half of it and scored on the other.

    python tests/benchmarks/bench_halves.py [HALVES]

For each choice, on HALVES (20) random halves: the value that scores best on one half, and what
it gains on the other against the models as they are. `bits` are those of the truth, both
moments together; of what is not listed they are those of the question whether the fault is
listed, asked of each case with the whole model and with its group taken out, the latter
weighing as much as the prior says. The best value on all cases is printed beside, as no proof.
Where truths are scored, the mean of the leader's chance less right is told too, on the other
half with the models as they are and as chosen.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.assess.casebook.books import RealCase, read_cases  # noqa: E402
from faultfinder.assess.casebook.judging import (  # noqa: E402
    MOMENTS,
    Judge,
    absent,
    chances_of_any,
    joined,
)
from faultfinder.assess.casebook.leaving_out import ENOUGH  # noqa: E402
from faultfinder.assess.casebook.scores import score  # noqa: E402
from faultfinder.inference.compiled import CompiledModel  # noqa: E402
from faultfinder.inference.posterior import evidence_from  # noqa: E402
from faultfinder.inference.unlisted import average, unlisted_share  # noqa: E402
from faultfinder.model.parts import Kind  # noqa: E402
from tests.benchmarks.bench_cases import judge_of  # noqa: E402
from tests.casebook.baselines import BOOK, read_book  # noqa: E402

Bits = Mapping[str, float]
"""Case -> its bits under one value of a choice."""

Scores = Mapping[str, tuple[float, float, float]]
"""Case -> bits at intake and with all findings, and the leader's chance less right, on average."""


@dataclass(frozen=True)
class Choice:
    """A choice: its values, and the one in the models."""

    title: str
    values: Mapping[float, Bits]
    now: float
    promises: Mapping[float, Bits] = field(default_factory=dict)
    """The leader's chance less right."""

    @classmethod
    def of(cls, title: str, scores: Mapping[float, Scores], now: float) -> Choice:
        bits = {k: {c: (a + b) / 2 for c, (a, b, _) in held.items()} for k, held in scores.items()}
        promises = {k: {c: p for c, (_, _, p) in held.items()} for k, held in scores.items()}
        return cls(title, bits, now, promises)


def changed(compiled: CompiledModel, power: Callable[[str], float]) -> CompiledModel:
    """The model with the tables of findings to a power against what the average machine with
    the complaint shows, each row made to sum to one."""
    shows = average(compiled).shows
    tables = list(compiled.network.tables)
    for number in compiled.leaves & shows.keys():
        k = power(compiled.model.variables[number].name)
        if k != 1.0 and compiled.model.variables[number].kind is Kind.FINDING:
            mean = np.maximum(shows[number], 1e-6)
            table = np.maximum(tables[number], 1e-9) ** k * mean ** (1.0 - k)
            tables[number] = table / table.sum(axis=-1, keepdims=True)
    return replace(compiled, network=replace(compiled.network, tables=tuple(tables)))


def asked(compiled: CompiledModel) -> frozenset[str]:
    """Findings that somebody is asked for."""
    return frozenset(f for check in compiled.model.checks if check.asked for f in check.observes)


def asked_to_the(k: float) -> Callable[[CompiledModel], CompiledModel]:
    return lambda compiled: changed(compiled, lambda f: k if f in asked(compiled) else 1.0)


def seen_to_the(k: float) -> Callable[[CompiledModel], CompiledModel]:
    return lambda compiled: changed(compiled, lambda f: 1.0 if f in asked(compiled) else k)


def extreme(a: float) -> Callable[[CompiledModel], CompiledModel]:
    """The model with the log odds of what is told or seen, by the fault that speaks, times a; each
    row made to sum to one. Tests of a part and what hangs on a hidden condition stay."""

    def change(compiled: CompiledModel) -> CompiledModel:
        tables = list(compiled.network.tables)
        for number in compiled.leaves:
            parents = [compiled.network.names[one] for one in compiled.network.parents[number]]
            if compiled.model.variables[number].kind is Kind.FINDING and parents == ["leading"]:
                row = np.clip(tables[number], 1e-6, 1.0 - 1e-6)
                odds = (row / (1.0 - row)) ** a
                row = odds / (1.0 + odds)
                tables[number] = row / row.sum(axis=-1, keepdims=True)
        return replace(compiled, network=replace(compiled.network, tables=tuple(tables)))

    return change


def silence_times(k: float) -> Callable[[CompiledModel], CompiledModel]:
    """The model in which striking things are mentioned so many times as often."""

    def change(compiled: CompiledModel) -> CompiledModel:
        variables = tuple(
            v
            if v.striking is None
            else replace(v, striking=replace(v.striking, mentioned=min(0.99, k * m)))
            for v in compiled.model.variables
            for m in [0.0 if v.striking is None else v.striking.mentioned]
        )
        return replace(compiled, model=replace(compiled.model, variables=variables))

    return change


def scores_with(
    cases: Sequence[RealCase], change: Callable[[CompiledModel], CompiledModel]
) -> Scores:  # fmt: skip
    """Each scored case under the changed models."""
    words = read_book()[0]
    judges = {}
    for build in words.builds:
        wording = judge_of(build).wording
        judges[build] = Judge(replace(wording, compiled=change(wording.compiled)))
    found = {}
    for case in cases:
        rows = [score(case, judges[case.build].judge(case, moment)) for moment in MOMENTS]
        intake, known = rows
        if intake is not None and known is not None:
            promise = (intake.chance - intake.right + known.chance - known.right) / 2.0
            found[case.id] = (intake.bits, known.bits, promise)
    return found


def bits_of_listing(cases: Sequence[RealCase], flatness: Sequence[float]) -> dict[float, Bits]:
    """Flatness -> the bits of whether the fault is listed, mean over a case's questions."""
    truths = {
        c.id: c_truth
        for c in cases
        if (c_truth := judge_of(c.build).vocabulary.groups_of(c.at_fault) - read_book()[1].unscored)
    }
    counts = {g: sum(g in t for t in truths.values()) for held in truths.values() for g in held}
    bits: dict[float, dict[str, float]] = {value: {} for value in flatness}
    for case in cases:
        if case.id not in truths:
            continue
        judge = judge_of(case.build)
        compiled, causes = judge.compiled, judge.wording.causes
        evidence = evidence_from(
            compiled, judge.settled(judge.wording.results(case.told("all"))[0])
        )  # fmt: skip
        asked_of = [(evidence, judge.average, 1.0 - compiled.model.unlisted.prior)]
        out = [g for g in truths[case.id] if counts[g] >= ENOUGH]
        for group in out:
            gone = absent(compiled, joined(judge.vocabulary.groups[group], causes))
            share = compiled.model.unlisted.prior / len(out)
            asked_of.append((evidence.with_columns(gone), average(compiled, gone), share))
        for value in flatness:
            unlisted = replace(compiled.model.unlisted, flatness=value)
            other = replace(compiled, model=replace(compiled.model, unlisted=unlisted))
            told = 0.0
            for number, (given, machine, weight) in enumerate(asked_of):
                log = chances_of_any(compiled, given, {})[1]
                share = unlisted_share(other, given, log, machine)
                told -= weight * np.log2(max(1.0 - share if number == 0 else share, 1e-9))
            bits[value][case.id] = float(told)
    return bits


def by_halves(choice: Choice, halves: int) -> str:
    """What choosing on one half gains on the other, in words."""
    ids = sorted(choice.values[choice.now])
    rng = np.random.default_rng(1)

    def mean(value: float, of: Sequence[str]) -> float:
        return float(np.mean([choice.values[value][case] for case in of]))

    chosen, gains, promises = [], [], []
    for _ in range(halves):
        drawn = [ids[i] for i in rng.permutation(len(ids))]
        one, other = drawn[: len(ids) // 2], drawn[len(ids) // 2 :]
        best = min(choice.values, key=lambda value: mean(value, one))
        chosen.append(best)
        gains.append(mean(choice.now, other) - mean(best, other))
        if choice.promises:
            by = [[choice.promises[value][case] for case in other] for value in (choice.now, best)]
            promises.append([100.0 * float(np.mean(one)) for one in by])
    best = min(choice.values, key=lambda value: mean(value, ids))
    before, after = np.mean(promises, axis=0) if promises else (0.0, 0.0)
    within = sum(abs(one) <= 5.0 for _, one in promises)
    promised = (
        f"\n    said less right on the other half {before:+.1f}, as chosen {after:+.1f} points, "
        f"within 5 in {within} of {halves}"
    )
    told = ", ".join(f"{v:g} x {chosen.count(v)}" for v in sorted(set(chosen)))
    return (
        f"{choice.title}: now {choice.now:g}, chosen {told}\n"
        f"    gain on the other half {np.mean(gains):+.3f} bits (sd {np.std(gains):.3f}), better "
        f"in {sum(g > 0 for g in gains)} and worse in {sum(g < 0 for g in gains)} of {halves}; "
        f"best on all: {best:g}, {mean(choice.now, ids) - mean(best, ids):+.3f}"
        f"{promised if promises else ''}"
    )


def main() -> None:
    halves = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    cases = read_cases(BOOK / "cases.yaml")
    flat = (0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.5)
    powers = (0.8, 1.0, 1.2, 1.4, 1.7)
    listed = bits_of_listing(cases, flat)
    print(by_halves(Choice("flatness of what is not listed", listed, 0.05), halves))
    print(by_halves(Choice("the same, against what it was", listed, 0.2), halves), flush=True)
    for title, make in (
        ("power of what is asked", asked_to_the),
        ("power of what is seen", seen_to_the),
        ("times that striking things are mentioned", silence_times),
    ):
        scores = {k: scores_with(cases, make(k)) for k in powers}
        print(by_halves(Choice.of(title, scores, 1.0), halves), flush=True)
    scores = {a: scores_with(cases, extreme(a)) for a in (1.0, 1.1, 1.2, 1.3, 1.4, 1.5)}
    title = "factor on the log odds of what is told or seen, by fault"
    print(by_halves(Choice.of(title, scores, 1.0), halves), flush=True)
    for a, held in scores.items():
        intake, known, promise = np.mean(list(held.values()), axis=0)
        print(f"    {a:g} on all: {intake:.3f} and {known:.3f} bits, {100.0 * promise:+.1f} points")


if __name__ == "__main__":
    main()
