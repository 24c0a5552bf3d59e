"""What a model makes of a real case, at the counter and with all findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from faultfinder.assess.casebook.books import Mapped, RealCase, Vocabulary
from faultfinder.assess.casebook.wording import Wording
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.decide.shop import Shop
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import Evidence, evidence_from, log_probability
from faultfinder.inference.unlisted import Average, average, unlisted_share
from faultfinder.model.network import Array

MOMENTS = ("intake", "all")
"""What is known: at the counter, and with the results of all checks."""

Wanted = Mapping[str, Mapping[str, tuple[str, ...]]]
"""Name -> cause -> states, of which at least one is asked to be present."""


def chances_of_any(
    compiled: CompiledModel, evidence: Evidence, wanted: Wanted
) -> tuple[dict[str, float], float]:
    """Exactly P(at least one of the cause states of each name is present | evidence), and the
    natural log of P(evidence).

    It is 1 - P(none of them, evidence) / P(evidence); all names are one pass over the tree.
    Zeros where the evidence is impossible.
    """
    names = list(wanted)
    vectors = {
        cause: np.stack([np.ones(len(absent))] + [np.ones(len(absent))] * len(names), axis=1)
        for cause in {c for causes in wanted.values() for c in causes}
        for absent in [compiled.network.states[compiled.network.index[cause]]]
    }
    for column, name in enumerate(names, 1):
        for cause, states in wanted[name].items():
            known = compiled.network.states[compiled.network.index[cause]]
            for state in states:
                vectors[cause][known.index(state), column] = 0.0
    numbered = {compiled.network.index[cause]: vector for cause, vector in vectors.items()}
    logs = log_probability(compiled, evidence.with_columns(numbered))
    whole = float(logs[0])
    if np.isneginf(whole) or not names:
        return dict.fromkeys(names, 0.0), whole
    none = np.broadcast_to(np.exp(logs[1:] - whole), (len(names),))
    return dict(zip(names, np.clip(1.0 - none, 0.0, 1.0).tolist(), strict=True)), whole


def absent(compiled: CompiledModel, causes: Mapping[str, tuple[str, ...]]) -> dict[int, Array]:
    """The likelihoods that say that none of the cause states is present, by variable number."""
    found = {}
    for cause, states in causes.items():
        number = compiled.network.index[cause]
        found[number] = np.array([float(s not in states) for s in compiled.network.states[number]])
    return found


def joined(words: Iterable[str], causes: Wanted) -> dict[str, tuple[str, ...]]:
    """Cause -> states of all the words together; words that cannot be said are passed over."""
    found: dict[str, tuple[str, ...]] = {}
    for word in words:
        for cause, states in causes.get(word, {}).items():
            found[cause] = tuple(dict.fromkeys((*found.get(cause, ()), *states)))
    return found


@dataclass(frozen=True)
class Entry:
    """A check as the casebook says it: its name, and the facts that it brings."""

    check: str
    facts: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """What is advised: `kind` is "check", "action" or "stop"; `word` says it in the vocabulary
    (None: it has no word for it), `name` is the model's own."""

    kind: str
    word: str | None
    name: str


@dataclass(frozen=True, eq=False)
class Judge:
    """A model with the words of the casebook: what is needed to judge a case.

    Raises whatever `consult` raises but ImpossibleEvidence.
    """

    wording: Wording
    shop: Shop = field(default_factory=Shop)

    @property
    def compiled(self) -> CompiledModel:
        return self.wording.compiled

    @property
    def vocabulary(self) -> Vocabulary:
        return self.wording.vocabulary

    @property
    def mapped(self) -> Mapped:
        return self.wording.mapped

    @cached_property
    def wanted(self) -> Wanted:
        """Group, then at_fault word -> its cause states; keys of groups begin with a space."""
        causes = self.wording.causes
        groups = {f" {g}": joined(words, causes) for g, words in self.vocabulary.groups.items()}
        return {**{g: c for g, c in groups.items() if c}, **causes}

    @cached_property
    def average(self) -> Average:
        """The average machine, for causes that are not listed."""
        return average(self.compiled)

    @cached_property
    def prior(self) -> tuple[dict[str, float], dict[str, float]]:
        """(chances, groups) from the complaint alone."""
        return self.chances(evidence_from(self.compiled, {}))[:2]

    def chances(self, evidence: Evidence) -> tuple[dict[str, float], dict[str, float], float]:
        """(at_fault word -> P, group -> P, log P(evidence)); a group that the model cannot say
        has chance 0."""
        found, log = chances_of_any(self.compiled, evidence, self.wanted)
        groups = {g: found.get(f" {g}", 0.0) for g in self.vocabulary.groups}
        return {w: found[w] for w in self.wording.causes}, groups, log

    def settled(self, findings: Mapping[str, str]) -> dict[str, str]:
        """The findings with the counter's last answer: nothing else struck the owner."""
        silence = self.compiled.model.silence
        if silence is None or silence.finding in findings:
            return dict(findings)
        return {**findings, silence.finding: silence.result}

    def judge(self, case: RealCase, moment: str) -> Judged:
        """A case at a moment. Nothing is worked out on the next step until it is asked for."""
        told = case.told(moment)
        findings, unsaid = self.wording.results(told)
        findings = self.settled(findings)
        evidence = evidence_from(self.compiled, findings)
        chances, groups, log = self.chances(evidence)
        impossible = bool(np.isneginf(log))
        if impossible:
            chances, groups = self.prior
        return Judged(
            judge=self,
            moment=moment,
            findings=findings,
            unsaid=tuple(unsaid),
            impossible=impossible,
            chances=chances,
            groups=groups,
            prior_groups=self.prior[1],
            unlisted=unlisted_share(self.compiled, evidence, log, self.average),
        )

    def entry(self, told: Consultation, check: str) -> Entry:
        """An open check with the facts that it brings to what is known."""
        return Entry(check, self.wording.facts_of_check(check, told.case.latest))

    def step(self, told: Consultation) -> Step:
        """What a consultation advises, in the vocabulary's words."""
        if told.stop:
            known = told.case.everything
            finding = next(
                rule.finding
                for rule in told.case.model.model.stop_rules
                if known.get(rule.finding) in rule.results
            )
            facts = self.wording.facts_of_finding.get(finding, ())
            return Step("stop", facts[0] if facts else None, finding)
        step = told.next_step
        if step is None or not step.name:
            return Step("action", self.mapped.hand_over or None, "hand_over")
        if step.kind == "check":
            facts = self.entry(told, step.name).facts
            return Step("check", next(iter(facts), None), step.name)
        return Step("action", self.wording.action_of_repair.get(step.name), step.name)


@dataclass(frozen=True, eq=False)
class Judged:
    """What a model makes of a case at one moment.

    `chances` and `groups` are P(present) of each at_fault word and P(any present) of each
    group; where the evidence is impossible they are the prior's. `unsaid` are facts that the
    model cannot say.
    """

    judge: Judge
    moment: str
    findings: Mapping[str, str]
    unsaid: tuple[str, ...]
    impossible: bool
    chances: Mapping[str, float]
    groups: Mapping[str, float]
    prior_groups: Mapping[str, float]
    unlisted: float

    @cached_property
    def consultation(self) -> Consultation | None:
        """What is advised here; None where the findings contradict each other."""
        try:
            case = Case(self.judge.compiled, self.findings, shop=self.judge.shop)
            return consult(case)
        except ImpossibleEvidence:
            return None

    @cached_property
    def next(self) -> Step:
        """The next step; a stop when the findings contradict each other."""
        told = self.consultation
        return Step("stop", None, "contradiction") if told is None else self.judge.step(told)

    @cached_property
    def round(self) -> tuple[Entry, ...]:
        """The checks to make together now."""
        told = self.consultation
        if told is None or told.stop:
            return ()
        return tuple(self.judge.entry(told, check) for check in told.round)

    @cached_property
    def order(self) -> tuple[Entry, ...]:
        """All open checks and unasked histories, best first."""
        told = self.consultation
        if told is None:
            return ()
        return tuple(self.judge.entry(told, one.check) for one in told.order)


def rank_of(order: Sequence[Entry], fact: str) -> int | None:
    """The place, from 1, of the first entry that brings the fact; None when none does."""
    return next((place for place, one in enumerate(order, 1) if fact in one.facts), None)
