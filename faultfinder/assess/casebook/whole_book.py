"""All cases of a casebook under the models of their builds, and what is said of them as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from faultfinder.assess.casebook.books import Mapped, RealCase
from faultfinder.assess.casebook.judging import MOMENTS, Judge, Judged
from faultfinder.assess.casebook.scores import (
    Scored,
    Scores,
    median_or_none,
    outside_rank,
    runs,
    score,
    scores_of,
    settles_later,
    settling_rank,
)
from faultfinder.inference.posterior import evidence_from

WORST = 6
"""Cases that are shown as the worst."""

SPEAKS = 1.5
"""A finding speaks against the truth when without it the odds would be better by so much."""


@dataclass(frozen=True)
class Line:
    """A case under the model of its build; `judged` is empty where there is no such model."""

    case: RealCase
    model: str | None
    judged: Mapping[str, Judged] = field(default_factory=dict)

    @property
    def unsaid_facts(self) -> tuple[str, ...]:
        """Facts of the case that the model cannot say."""
        return self.judged["all"].unsaid if self.judged else ()

    @property
    def unsaid_faults(self) -> tuple[str, ...]:
        """What proved to be at fault and the model cannot name."""
        if not self.judged:
            return self.case.at_fault
        causes = self.judged["all"].judge.wording.causes
        return tuple(word for word in self.case.at_fault if word not in causes)


@dataclass(frozen=True)
class Worst:
    """A case with many bits, and why: the findings by which the leader gained most on it."""

    row: Scored
    reason: str


@dataclass(frozen=True)
class Ranks:
    """Median places at intake. `closed` are settling checks that the model has not or that are
    not open; `running` counts machines that run."""

    settling: float | None
    settling_count: int
    closed: int
    outside: float | None
    running: int


@dataclass(frozen=True, eq=False)
class Book:
    """Cases under their models. Everything is worked out when it is asked for."""

    lines: tuple[Line, ...]
    mapped: Mapped

    @property
    def unknown_builds(self) -> tuple[str, ...]:
        """Builds without a model."""
        return tuple(dict.fromkeys(one.case.build for one in self.lines if one.model is None))

    @cached_property
    def scored(self) -> Mapping[str, tuple[Scored, ...]]:
        """Moment -> the scores of the cases that are scored."""
        return {
            moment: tuple(
                row
                for line in self.lines
                if line.judged and (row := score(line.case, line.judged[moment])) is not None
            )
            for moment in MOMENTS
        }

    @cached_property
    def parts(self) -> Mapping[str, Callable[[RealCase], bool]]:
        """The parts of the book that are scored apart: "all cases", each build, and others."""
        builds = dict.fromkeys(line.case.build for line in self.lines if line.judged)
        return {
            "all cases": lambda case: True,
            **{build: _of_build(build) for build in builds},
            **{f"without {name}": _without(*held) for name, held in self.mapped.without.items()},
            "targeted": lambda case: case.targeted,
            "not targeted": lambda case: not case.targeted,
        }

    def scores(self, part: str, moment: str) -> Scores | None:
        """The scores of a part of the book at a moment."""
        wanted = self.parts[part]
        return scores_of([row for row in self.scored[moment] if wanted(row.case)])

    @cached_property
    def leaders_promise(self) -> float:
        """Over all cases and both moments, the mean of the leader's chance less right."""
        rows = [row for moment in MOMENTS for row in self.scored[moment]]
        return sum(row.chance - row.right for row in rows) / len(rows) if rows else 0.0

    def ranks(self, part: str = "all cases") -> Ranks:
        """Where the settling check and the outside screen stand at intake."""
        lines = [line for line in self.lines if line.judged and self.parts[part](line.case)]
        settling = [ln for ln in lines if settles_later(ln.case)]
        places = [settling_rank(line.case, line.judged["intake"]) for line in settling]
        found = [place for place in places if place is not None]
        running = [ln for ln in lines if runs(ln.case, ln.judged["intake"].judge)]
        outside = [outside_rank(line.case, line.judged["intake"]) for line in running]
        return Ranks(
            median_or_none(found),
            len(found),
            len(places) - len(found),
            median_or_none([place for place in outside if place is not None]),
            len(running),
        )

    def unnameable(self) -> tuple[Scored, ...]:
        """Cases whose cause the model cannot name, with all findings."""
        return tuple(row for row in self.scored["all"] if not row.nameable)

    def worst(self) -> tuple[Worst, ...]:
        """The cases with the most bits with all findings, each with a reason."""
        rows = sorted(self.scored["all"], key=lambda row: -row.bits)[:WORST]
        lines = {id(line.case): line for line in self.lines}
        return tuple(Worst(r, _reason(r, lines[id(r.case)].judged["all"])) for r in rows)


def _of_build(build: str) -> Callable[[RealCase], bool]:
    return lambda case: case.build == build


def _without(
    facts: Mapping[str, Sequence[str]], at_fault: Sequence[str]
) -> Callable[[RealCase], bool]:
    def kept(case: RealCase) -> bool:
        told = case.told("all")
        holds = any(set(told.get(fact, ())) & set(values) for fact, values in facts.items())
        return not holds and not set(case.at_fault) & set(at_fault)

    return kept


def _reason(row: Scored, judged: Judged) -> str:
    """Why a case scores badly, in words."""
    if row.impossible:
        return "the model holds what was found to be impossible"
    if not row.nameable:
        return "the model cannot name what it was"
    judge = judged.judge

    def odds(findings: Mapping[str, str]) -> float:
        """The truth against the leader."""
        groups = judge.chances(evidence_from(judge.compiled, findings))[1]
        return max(groups[group] for group in row.truth) / max(groups[row.leader], 1e-12)

    if row.right:
        return "it led, and there was more at fault"
    with_all = max(odds(judged.findings), 1e-12)
    factors = {
        name: odds({f: r for f, r in judged.findings.items() if f != name}) / with_all
        for name in judged.findings
    }
    against = sorted((n for n in factors if factors[n] >= SPEAKS), key=lambda n: -factors[n])
    if not against:
        return "no single finding speaks much against it"
    told = [f"{name}={judged.findings[name]} (by {factors[name]:.1f})" for name in against[:2]]
    return f"against it and for the leader: {', '.join(told)}"


def book_of(
    cases: Iterable[RealCase],
    judge_of: Callable[[str], Judge | None],
    mapped: Mapped,
    tell: Callable[[int], None] = lambda _: None,
) -> Book:
    """The cases judged; `judge_of` gives the judge of a build, None for an unknown one, and
    `tell` is told of each case begun."""
    lines = []
    for number, case in enumerate(cases, 1):
        tell(number)
        judge = judge_of(case.build)
        if judge is None:
            lines.append(Line(case, None))
            continue
        judged = {moment: judge.judge(case, moment) for moment in MOMENTS}
        lines.append(Line(case, judge.compiled.model.name, judged))
    return Book(tuple(lines), mapped)
