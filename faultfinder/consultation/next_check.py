"""The diagnosis: causes with probabilities, and the open checks, best first."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from faultfinder.decide.shop import Shop
from faultfinder.errors import FaultfinderError, ImpossibleEvidence, MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.contradiction import fit_of_each, smallest_contradiction
from faultfinder.inference.information import effects, information, open_findings
from faultfinder.inference.posterior import Evidence, beliefs, evidence_from, posterior
from faultfinder.inference.target import TargetSpec, resolve_target
from faultfinder.model.answers import find_result, find_stage, find_variable, join_results
from faultfinder.model.parts import Kind
from faultfinder.model.routes import Route

SURPRISING = 0.02
"""A finding less likely than this, given all else that is known, is worth a second look."""


@dataclass(frozen=True)
class RankedCheck:
    """One open check.

    `minutes` is the way to its stage plus its own time; `cost` is money: those
    minutes at the shop's rate, and consumables. `gain_per_cost` is bits per unit
    of money (infinite for a check that costs nothing and tells something).
    `outcomes` maps each joint result's label to its probability. Where the model has
    repairs, `saves` is what the check takes off the expected cost of the whole job, with
    the check `then` after it, and `saves_alone` without (see `faultfinder.consultation.ranking`).
    """

    check: str
    gain_bits: float
    minutes: float
    cost: float
    gain_per_cost: float
    outcomes: Mapping[str, float]
    worth: bool
    saves: float | None = None
    saves_alone: float | None = None
    then: str = ""
    route: Route = field(repr=False, default=Route(0.0, ()))


@dataclass(frozen=True)
class Diagnosis:
    """What is believed and what could be checked next, given the findings.

    `findings` are the results taken into account, by variable; `unclear` the
    findings that were tried and could not be told. `causes` maps a cause to the
    probability that it is present, most likely first; several can be present.
    `evidence_probability` is P(findings, complaint) under the model.
    `stop` is the sentence of a safety rule that ends the diagnosis, or "".
    """

    findings: Mapping[str, str]
    unclear: tuple[str, ...]
    causes: Mapping[str, float]
    cause_states: Mapping[str, Mapping[str, float]]
    checks: tuple[RankedCheck, ...]
    evidence_probability: float
    target: str
    stage: str
    warnings: tuple[str, ...] = ()
    stop: str = ""

    @property
    def next(self) -> RankedCheck | None:
        """The best check that is worth its cost, or None when none is."""
        best = self.checks[0] if self.checks else None
        return best if best is not None and best.worth and not self.stop else None


def read_findings(
    compiled: CompiledModel, findings: Mapping[str, str | None]
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Sort what was typed into results of the model and findings that stay unclear.

    Raises MisuseError for an unknown finding or result, or for one finding given
    twice with different results.
    """
    known: dict[str, str] = {}
    unclear: list[str] = []
    for typed, result in findings.items():
        variable = find_variable(compiled.model, typed)
        state = None if result is None else find_result(variable, str(result))
        if variable.name in known and state not in (None, known[variable.name]):
            raise MisuseError(
                f"{variable.name} is given twice: as {known[variable.name]} and as {state}. "
                "Keep the one that is right."
            )
        if state is None:
            unclear.append(variable.name)
        else:
            known[variable.name] = state
    return known, tuple(name for name in unclear if name not in known)


def diagnose(
    compiled: CompiledModel,
    findings: Mapping[str, str | None] | None = None,
    target: TargetSpec = "causes",
    *,
    stage: str | None = None,
    shop: Shop | None = None,
    only: Collection[str] | None = None,
) -> Diagnosis:
    """Exact posterior of every cause, and every open check ranked by gain per cost.

    `findings` maps a finding, history or cause to a result as people say it, or to
    None when it could not be told. `target` is what the gain is about: see
    `faultfinder.inference.target.resolve_target`. `stage` is the teardown stage the
    machine is in now (default: the one it arrives in). `only` names the checks to rank
    (default: all that are open).

    Raises MisuseError (unknown names), ImpossibleEvidence (with a smallest set of
    findings that contradict each other), TargetTooLarge.
    """
    shop = shop or Shop()
    model = compiled.model
    known, unclear = read_findings(compiled, findings or {})
    stage = find_stage(model, stage)
    aim = resolve_target(compiled, target)
    evidence = evidence_from(compiled, known)
    always = complaint_only(compiled)
    calibrated = beliefs(compiled, evidence)
    log_evidence = float(calibrated.log_evidence[0])
    if np.isneginf(log_evidence):
        raise contradiction(compiled, evidence, known)
    states = {
        variable.name: dict(
            zip(
                variable.states,
                posterior(compiled, calibrated, compiled.network.index[variable.name])[:, 0]
                .clip(0.0, 1.0)
                .tolist(),
                strict=True,
            )
        )
        for variable in model.of_kind(Kind.CAUSE)
    }
    present = {
        name: min(1.0, sum(states[name][state] for state in model.faulty_states(name)))
        for name in states
    }
    stop = stop_sentence(compiled, known)
    closed = set(unclear)
    names = [
        check.name
        for check in model.checks
        if (only is None or check.name in only)
        and (stage, check.stage) in compiled.routes
        and not closed.issuperset(name for name in check.observes if name not in known)
    ]
    vain = [compiled.network.index[name] for name in unclear]
    given = calibrated if aim.compiled is compiled else beliefs(aim.compiled, evidence)
    told = information(aim, evidence, given, names, vain)
    checks = []
    for name in names:
        if name in told:
            labels = result_labels(compiled, told[name].findings)
            outcomes = dict(zip(labels, told[name].outcomes.tolist(), strict=True))
            gain = told[name].gain_bits
            checks.append(rank_check(compiled, name, gain, outcomes, stage, shop))
    return Diagnosis(
        findings=known,
        unclear=unclear,
        causes=dict(sorted(present.items(), key=lambda item: (-item[1], item[0]))),
        cause_states=states,
        checks=best_first(checks),
        evidence_probability=float(np.exp(log_evidence)),
        target=aim.title,
        stage=stage,
        warnings=surprises(compiled, evidence, known, always),
        stop=stop,
    )


def contradiction(
    compiled: CompiledModel, evidence: Evidence, known: Mapping[str, str]
) -> ImpossibleEvidence:
    """The refusal that names a smallest set of findings that contradict each other."""
    found = smallest_contradiction(compiled, evidence, complaint_only(compiled))
    return ImpossibleEvidence(
        [(compiled.network.names[v], known[compiled.network.names[v]]) for v in found]
    )


def complaint_only(compiled: CompiledModel) -> frozenset[int]:
    """The complaint's variable number, which is never called the odd one out."""
    complaint = compiled.model.complaint
    return frozenset() if complaint is None else frozenset({compiled.network.index[complaint]})


def rank_check(
    compiled: CompiledModel,
    name: str,
    gain_bits: float,
    outcomes: Mapping[str, float],
    stage: str,
    shop: Shop,
) -> RankedCheck:
    """A check with what it costs from `stage`, and its gain for that cost."""
    check = compiled.model.checks_by_name[name]
    route = compiled.routes[stage, check.stage]
    minutes = route.minutes + check.minutes
    cost = shop.cost(minutes, check.consumables)
    # A check that costs nothing goes before all others if it tells anything at all.
    free = float("inf") if gain_bits > 0.0 else 0.0
    return RankedCheck(
        check=name,
        gain_bits=gain_bits,
        minutes=minutes,
        cost=cost,
        gain_per_cost=gain_bits / cost if cost > 0.0 else free,
        outcomes=outcomes,
        worth=gain_bits > 1e-9 and gain_bits * shop.worth_per_bit >= cost,
        route=route,
    )


def best_first(checks: Iterable[RankedCheck]) -> tuple[RankedCheck, ...]:
    """By gain per cost, then by gain, then by name."""
    return tuple(sorted(checks, key=lambda c: (-c.gain_per_cost, -c.gain_bits, c.check)))


def result_labels(compiled: CompiledModel, findings: tuple[int, ...]) -> list[str]:
    """Labels of all joint results of `findings`, the last varying fastest."""
    labels: list[tuple[tuple[str, str], ...]] = [()]
    for number in findings:
        name = compiled.network.names[number]
        labels = [
            (*before, (name, s)) for before in labels for s in compiled.network.states[number]
        ]
    return [join_results(pairs, len(findings) == 1) for pairs in labels]


def surprises(
    compiled: CompiledModel, evidence: Evidence, known: Mapping[str, str], always: frozenset[int]
) -> tuple[str, ...]:
    """A sentence for each finding that the rest makes unlikely, the oddest first."""
    if len(known) < 2:
        return ()
    fits = fit_of_each(compiled, evidence, always)
    odd = sorted((fit, number) for number, fit in fits.items() if fit < SURPRISING)
    sentences = []
    for fit, number in odd:
        name = compiled.network.names[number]
        share = f"{fit * 100:.1f} %" if fit >= 0.0005 else f"{fit:.1e}"
        sentences.append(
            f"Surprising: given all else, {name}={known[name]} has a probability of {share}. "
            "It may be right; look at it again before work is built on it."
        )
    return tuple(sentences)


def stop_sentence(compiled: CompiledModel, known: Mapping[str, str]) -> str:
    """What to do instead, when a finding ends the diagnosis for safety; else ""."""
    said = [
        rule.say for rule in compiled.model.stop_rules if known.get(rule.finding) in rule.results
    ]
    return " ".join(said)


def after_results(
    compiled: CompiledModel, diagnosis: Diagnosis, check: str
) -> dict[str, dict[str, float]]:
    """What each result of a check would make of the causes.

    Returns result label -> cause -> probability that it is present. Results that
    cannot happen are left out. Raises MisuseError for an unknown check or one with
    nothing left to tell.
    """
    model = compiled.model
    if check not in model.checks_by_name:
        names = list(model.checks_by_name)
        raise MisuseError(f'This model has no check "{check}". {did_you_mean(check, names)}')
    evidence = evidence_from(compiled, diagnosis.findings)
    vain = [compiled.network.index[name] for name in diagnosis.unclear]
    findings = open_findings(compiled, check, evidence, vain)
    if not findings and any(
        name in diagnosis.unclear for name in model.checks_by_name[check].observes
    ):
        raise FaultfinderError(f"{check} was tried and could not be told, so it is not ranked.")
    if not findings:
        raise FaultfinderError(f"All that {check} would tell is known already.")
    told = effects(compiled, evidence, findings)
    result: dict[str, dict[str, float]] = {}
    for place, label in enumerate(result_labels(compiled, findings)):
        after = {}
        for cause in compiled.causes:
            name = compiled.network.names[cause]
            column = told[cause][:, place]
            faulty = [compiled.network.states[cause].index(s) for s in model.faulty_states(name)]
            after[name] = float(column[faulty].sum())
        if any(told[cause][:, place].sum() > 0.0 for cause in compiled.causes):
            result[label] = after
    return result
