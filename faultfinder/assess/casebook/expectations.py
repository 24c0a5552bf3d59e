"""Situations and what must follow: each clause judged for each build that can say the facts."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from faultfinder.assess.casebook.books import Situation
from faultfinder.assess.casebook.judging import Entry, Judge, Step, chances_of_any, joined, rank_of
from faultfinder.consultation.bench import look_stage
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.consultation.safety import cautions_of, looks_first
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.information import effects
from faultfinder.inference.posterior import evidence_from, posterior
from faultfinder.model.network import Array

NOTHING = 0.005
"""A fact changes nothing when it moves no cause's probability by more than this."""


@dataclass(frozen=True)
class Verdict:
    """What became of one clause for one build.

    `holds` is None where the build cannot say what the clause needs; `saw` is what there was,
    in words. `added` is the (finding, result) that a variation of the situation adds.
    """

    id: str
    build: str
    clause: int
    kind: str
    holds: bool | None
    saw: str
    added: tuple[str, str] | None = None


Answer = tuple[bool | None, str]
"""Whether a clause holds, and what was seen."""


@dataclass(frozen=True, eq=False)
class Standing:
    """A situation under the model of a build: what the clauses are judged by."""

    judge: Judge
    findings: Mapping[str, str]

    @cached_property
    def told(self) -> Consultation:
        """Raises ImpossibleEvidence."""
        return consult(Case(self.judge.compiled, self.findings, shop=self.judge.shop))

    @cached_property
    def order(self) -> tuple[Entry, ...]:
        return tuple(self.judge.entry(self.told, one.check) for one in self.told.order)

    @cached_property
    def step(self) -> Step:
        return self.judge.step(self.told)

    @cached_property
    def step_words(self) -> frozenset[str]:
        """The words of the next step: all facts that a check brings, or the action."""
        words = {self.step.word} if self.step.word else set()
        if self.step.kind == "check":
            words |= set(self.judge.wording.facts_of_check(self.step.name))
        return frozenset(words)

    @property
    def shown_step(self) -> str:
        """The next step in words."""
        return f"{self.step.kind} {self.step.name}"

    def chance(self, words: Sequence[str]) -> float | None:
        """P(at least one of the words is at fault); None where none can be said."""
        causes = joined(words, self.judge.wording.causes)
        if not causes:
            return None
        evidence = evidence_from(self.judge.compiled, self.findings)
        found, log = chances_of_any(self.judge.compiled, evidence, {"any": causes})
        if np.isneginf(log):
            raise ImpossibleEvidence(sorted(self.findings.items()))
        return found["any"]

    def without(self, facts: Sequence[str]) -> Standing:
        """The same situation without some facts."""
        gone = {v.name for fact in facts if (v := self.judge.wording.finding(fact)) is not None}
        kept = {name: r for name, r in self.findings.items() if name not in gone}
        return Standing(self.judge, kept)


# The clauses


def _list(body: Any) -> list[str]:
    return [str(word) for word in body] if isinstance(body, list) else [str(body)]


def _chance(at: Standing, body: Mapping[str, Any]) -> Answer:
    chance = at.chance(_list(body["of"]))
    if chance is None:
        return None, "no cause of it can be named"
    low, high = float(body.get("at_least", 0.0)), float(body.get("at_most", 1.0))
    return low <= chance <= high, f"chance {chance:.3f}"


def _raises(at: Standing, body: Mapping[str, Any]) -> Answer:
    words = _list(body["of"])
    now, before = at.chance(words), at.without(_list(body["without"])).chance(words)
    if now is None or before is None:
        return None, "no cause of it can be named"
    return now >= float(body["by"]) * before, f"{before:.3f} without, {now:.3f} with"


def _leads(at: Standing, body: Any) -> Answer:
    words = _list(body)
    chances = at.judge.chances(evidence_from(at.judge.compiled, at.findings))[0]
    if not set(words) & chances.keys():
        return None, "no cause of it can be named"
    best = max(chances, key=lambda word: chances[word])
    return best in words, f"{best} leads with {chances[best]:.3f}"


def _next_in(at: Standing, body: Any) -> Answer:
    return bool(at.step_words & set(_list(body))), at.shown_step


def _next_not(at: Standing, body: Any) -> Answer:
    return not at.step_words & set(_list(body)), at.shown_step


def _before(at: Standing, body: Any) -> Answer:
    first, second = (rank_of(at.order, fact) for fact in _list(body))
    if first is None or second is None:
        return None, "not both are open"
    return first < second, f"places {first} and {second}"


def _rank(at: Standing, body: Mapping[str, Any]) -> Answer:
    place = rank_of(at.order, str(body["of"]))
    if place is None:
        return None, "not open"
    return place <= int(body["at_most"]), f"place {place}"


def _asked(at: Standing, body: Any) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The facts that count as asking for it, and the words of a caution that do."""
    facts, says = at.judge.mapped.asks.get(str(body), ((str(body),), ()))
    return tuple(facts), tuple(says)


def _asks(at: Standing, body: Any) -> Answer:
    facts, says = _asked(at, body)
    sayable = [fact for fact in facts if at.judge.wording.finding(fact) is not None]
    if not sayable and not says:
        return None, "nothing brings it"
    told = at.told
    model = at.judge.compiled.model
    step = told.next_step
    looks: tuple[str, ...] = ()
    if step is not None and step.name:
        found = looks_first(model, told.case.everything, told.stage, told.way, step.name,
                            always=step.kind != "check")  # fmt: skip
        looks = tuple(f for check, _ in found for f in at.judge.wording.facts_of_check(check.name))
    said = [*told.cautions, told.stop]
    holds = bool(set(facts) & (at.step_words | set(looks))) or any(
        word.lower() in text.lower() for word in says for text in said
    )
    return holds, f"{at.shown_step}; first: {', '.join(looks) or 'nothing'}"


def _stops(at: Standing, body: Any) -> Answer:
    return at.step.kind == "stop" and at.step.word == str(body), at.shown_step


def _caution_names(at: Standing, body: Mapping[str, Any]) -> Answer:
    words = set(_list(body["of"]))
    model, told = at.judge.compiled.model, at.told
    actions = at.judge.wording.action_of_repair
    named = [r for r in model.repairs if actions.get(r.name) in words]
    if not named:
        return None, "no such repair"
    silent = []
    for repair in named:
        way = at.judge.compiled.routes.get((told.stage, repair.stage))
        shown = cautions_of(model, way, told.stage, repair.caution) if way else (repair.caution,)
        if not any(str(body["word"]).lower() in text.lower() for text in shown):
            silent.append(repair.name)
    return not silent, f"not said with {', '.join(silent)}" if silent else "said with each"


def _powered_look_never_in(at: Standing, body: Any) -> Answer:
    compiled = at.judge.compiled
    stages = [at.judge.mapped.stages.get(word, word) for word in _list(body)]
    known = [stage for stage in stages if stage in compiled.model.stages_by_name]
    if not known:
        return None, "no such stage"
    looked = [r.name for r in compiled.model.repairs if look_stage(compiled, r) in known]
    return not looked, f"looked at there after {', '.join(looked[:4]) or 'no repair'}"


CLAUSES: Mapping[str, Callable[[Standing, Any], Answer]] = {
    "chance": _chance,
    "raises": _raises,
    "leads": _leads,
    "next_in": _next_in,
    "next_not": _next_not,
    "before": _before,
    "rank": _rank,
    "asks": _asks,
    "stops": _stops,
    "caution_names": _caution_names,
    "powered_look_never_in": _powered_look_never_in,
}

OF_CHANCES = ("chance", "raises", "leads")
"""Clauses about what is believed; all others are about steps."""


# Judging


def judged_for(
    situation: Situation, build: str, judge: Judge, kinds: Sequence[str] = tuple(CLAUSES)
) -> Iterator[Verdict]:
    """A verdict on each clause of a situation, of the kinds wanted, for one build."""
    findings, unsaid = judge.wording.results(dict(situation.facts))
    yield from _verdicts(situation, build, Standing(judge, findings), unsaid, kinds)


def _verdicts(
    situation: Situation,
    build: str,
    at: Standing,
    unsaid: Sequence[str],
    kinds: Sequence[str],
) -> Iterator[Verdict]:
    for number, (kind, body) in enumerate(situation.then):
        if kind not in kinds and kind in CLAUSES:
            continue
        holds, saw = _answer(at, kind, body, unsaid)
        yield Verdict(situation.id, build, number, kind, holds, saw)


def _answer(at: Standing, kind: str, body: Any, unsaid: Sequence[str]) -> Answer:
    if unsaid:
        return None, f"cannot say {', '.join(unsaid)}"
    if kind not in CLAUSES:
        return None, f"unknown clause {kind}"
    try:
        return CLAUSES[kind](at, body)
    except ImpossibleEvidence as error:
        return False, str(error)
    except (KeyError, TypeError, ValueError):
        return None, f"the clause {kind} is not written as its form says"


def variations(
    situation: Situation,
    build: str,
    judge: Judge,
    count: int,
    seed: int,
    kinds: Sequence[str] = tuple(CLAUSES),
) -> Iterator[Verdict]:
    """The clauses of a situation with one more fact that changes nothing, drawn `count` times
    (fewer where there are fewer such facts)."""
    findings, unsaid = judge.wording.results(dict(situation.facts))
    if unsaid:
        return
    at = Standing(judge, findings)
    wanted = [kind for kind, _ in situation.then if kind in kinds]
    # A fact that answers what a clause says is asked for would leave it without sense.
    asked = {f for kind, body in situation.then if kind == "asks" for f in _asked(at, body)[0]}
    answers = {v.name for fact in asked if (v := judge.wording.finding(fact)) is not None}
    neutral = [one for one in idle_facts(at) if one[0] not in answers] if wanted else []
    drawn = random.Random(f"{seed} {situation.id} {build}").sample(
        neutral, min(count, len(neutral))
    )
    for name, result in drawn:
        more = replace(at, findings={**findings, name: result})
        for verdict in _verdicts(situation, build, more, (), kinds):
            yield replace(verdict, added=(name, result))


def idle_facts(at: Standing) -> list[tuple[str, str]]:
    """(finding, result) of facts not told whose result would move no cause by more than
    NOTHING; no result that stops the work, and not the answer that nothing else struck."""
    compiled, model = at.judge.compiled, at.judge.compiled.model
    evidence = evidence_from(compiled, at.findings)
    stops = {(rule.finding, result) for rule in model.stop_rules for result in rule.results}
    found = []
    for name in at.judge.wording.facts_of_finding:
        if name in at.findings:
            continue
        number = compiled.network.index[name]
        joint = effects(compiled, evidence, (number,))
        moved = np.zeros(compiled.network.cards[number])
        for cause, held in joint.items():
            if cause == number:
                continue
            # What effects gives is P(state | result), a column each.
            now = at_rest(at, cause)
            moved = np.maximum(moved, np.abs(held - now[:, None]).max(axis=0))
        for state, change in zip(compiled.network.states[number], moved, strict=True):
            if change <= NOTHING and (name, state) not in stops:
                found.append((name, state))
    return found


def at_rest(at: Standing, cause: int) -> Array:
    """P(state of a cause) without more facts."""
    compiled = at.judge.compiled
    return posterior(compiled, at.told.beliefs, cause)[:, 0]
