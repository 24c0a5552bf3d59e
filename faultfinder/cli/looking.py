"""From what was typed to a diagnosis ready to be shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from faultfinder.consultation.advice import advise
from faultfinder.consultation.after_repair import after_results_now, diagnose_now
from faultfinder.consultation.bench import build_problem, look_stage
from faultfinder.consultation.next_check import Diagnosis, RankedCheck, diagnose, read_findings
from faultfinder.consultation.next_check import after_results as results_after
from faultfinder.consultation.ranking import rank_by_savings
from faultfinder.decide.belief import Tried
from faultfinder.decide.problem import Problem
from faultfinder.decide.shop import Shop
from faultfinder.decide.shop_file import read_shop, shop_path
from faultfinder.errors import FaultfinderError, ImpossibleEvidence, MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.inference.target import SUM_OF_SINGLE_CAUSES, TargetSpec
from faultfinder.model.parts import Kind
from faultfinder.model.routes import Route
from faultfinder.report.consultation.view import View

AT_THE_BENCH = 5e-3
"""Probability of rare combinations of causes left out of the advice, for a quick answer."""

NEARLY_ALL = 0.08
"""Where no more than this is left out, two faults at once are enough to advise by."""


@dataclass(frozen=True)
class Answer:
    """One finding, by its name in the model, and its result; None when it could not be told."""

    name: str
    result: str | None

    def __str__(self) -> str:
        return f"{self.name}={self.result or 'unknown'}"


def pick_model(named: str | None) -> str:
    """The model to use: the named one, the one in the shop's settings, or the only one there is.

    Raises MisuseError when that leaves several, or the settings name one that is not there.
    """
    if named is not None:
        return named
    from faultfinder.model.locate import available_models

    names = list(available_models())
    usual = read_shop().model
    if usual:
        if usual not in names:
            raise MisuseError(
                f"The shop settings {shop_path()} name the model {usual}, which is not there. "
                f"{did_you_mean(usual, names)}"
            )
        return usual
    if len(names) != 1:
        raise MisuseError(
            f"There are several models: {', '.join(names)}. Name one with --model, or the one "
            "that is mostly used in shop.yaml (model: NAME)."
        )
    return names[0]


def read_answer(compiled: CompiledModel, typed: str) -> Answer:
    """ "backlight=dark" as an answer of the model. Raises MisuseError."""
    name, sign, result = typed.partition("=")
    if not sign or not name.strip():
        raise MisuseError(
            f'"{typed}" is no finding with its result. Type it as NAME=RESULT, '
            "as in backlight=off; the result may be unknown."
        )
    if not result.strip():
        raise MisuseError(f'"{typed}" has no result after the "=". If it is not known: unknown.')
    known, unclear = read_findings(compiled, {name: result})
    return Answer(*next(iter(known.items()))) if known else Answer(unclear[0], None)


def findings_of(answers: Sequence[Answer]) -> dict[str, str | None]:
    """All answers together; a result counts more than "unknown".

    Raises MisuseError when one finding has two different results.
    """
    findings: dict[str, str | None] = {}
    for answer in answers:
        before = findings.get(answer.name)
        if before is not None and answer.result not in (None, before):
            raise MisuseError(
                f"{answer.name} is given twice: as {before} and as {answer.result}. "
                "Keep the one that is right."
            )
        findings[answer.name] = answer.result if before is None else before
    return findings


def read_target(typed: str) -> TargetSpec:
    """ "causes", "each", a list "a,b" or a partition "a+b,c" as the engine's target."""
    if typed.strip() == "causes":
        return "causes"
    if typed.strip() == "each":
        return SUM_OF_SINGLE_CAUSES
    blocks = [[name.strip() for name in block.split("+")] for block in typed.split(",")]
    if not all(name for block in blocks for name in block):
        raise MisuseError(
            f'"{typed}" is no target. Type causes, each, causes to tell apart as "a,b", '
            'or groups that need no telling apart as "a+b,c".'
        )
    return blocks if "+" in typed else [block[0] for block in blocks]


@dataclass(frozen=True)
class Bench:
    """What stays the same through a session: model, shop, what the gain is about, and
    the repairs made already. Without `rank_histories` questions about histories are
    not ranked where the model has repairs."""

    compiled: CompiledModel
    shop: Shop
    target: TargetSpec = "causes"
    tried: tuple[Tried, ...] = ()
    rank_histories: bool = True

    def diagnose(self, answers: Sequence[Answer], stage: str | None) -> Diagnosis:
        """The diagnosis from what was found, checks ranked by information per cost."""
        model = self.compiled.model
        only = None
        if model.repairs and not self.rank_histories:
            # A page with advice only lists the histories not asked yet; ranking them is slow.
            histories = {variable.name for variable in model.of_kind(Kind.HISTORY)}
            only = {c.name for c in model.checks if not histories.issuperset(c.observes)}
        return diagnose(
            self.compiled, findings_of(answers), self.target, stage=stage, shop=self.shop, only=only
        )

    def _now(
        self, answers: Sequence[Answer], stage: str | None
    ) -> tuple[Diagnosis, Problem | None]:
        """The diagnosis of the machine as it is now, and the repair problem where there is one."""
        if self.tried and stage is None:
            # It stands where the last repair was looked at.
            model = self.compiled.model
            stage = look_stage(self.compiled, model.repairs_by_name[self.tried[-1].repair])
        diagnosis = self.diagnose(answers, None if self.tried else stage)
        if diagnosis.stop or not self.compiled.model.repairs:
            return diagnosis, None
        problem = self._problem(diagnosis, stage)
        if self.tried:
            diagnosis = diagnose_now(
                self.compiled,
                problem,
                diagnosis.findings,
                self.tried,
                self.tried[-1].unclear,
                self.shop,
            )
        return diagnosis, problem

    def _problem(self, diagnosis: Diagnosis, stage: str | None) -> Problem:
        """The repair problem; with two faults at once where that is nearly all, else three."""

        def build(at_once: int) -> Problem:
            return build_problem(
                self.compiled,
                diagnosis.findings,
                tried=self.tried,
                unclear=diagnosis.unclear,
                stage=stage,
                shop=self.shop,
                at_once=at_once,
                lost=AT_THE_BENCH,
            )

        if self.tried:
            # The causes shown come from these scenarios, so they are listed in full.
            return build(3)
        try:
            problem = build(2)
        except ImpossibleEvidence:
            return build(3)
        return problem if problem.neglected <= NEARLY_ALL else build(3)

    def view(
        self,
        answers: Sequence[Answer],
        stage: str | None,
        check: str | None = None,
        *,
        advised: bool = True,
    ) -> View:
        """The diagnosis, what the last answer changed, and what the next check would do.

        `check` names the check to look at instead of the next one. Without `advised` the
        checks stay ranked by what they tell for their cost, which is quicker.
        """
        model = self.compiled.model
        if check is not None and check not in model.checks_by_name:
            hint = did_you_mean(check, model.checks_by_name)
            raise MisuseError(f'This model has no check "{check}". {hint}')
        diagnosis, problem = (
            self._now(answers, stage) if advised else (self.diagnose(answers, stage), None)
        )
        advice = None if problem is None else advise(problem, model, self.shop)
        if advice is not None:
            diagnosis = rank_by_savings(model, diagnosis, advice)
        before: dict[str, float] = {}
        last = ""
        if self.tried:
            before = cause_probabilities(self.compiled, answers)
            last = "the repair and what was found since"
        elif answers and answers[-1].result is not None:
            before = cause_probabilities(self.compiled, answers[:-1])
            last = str(answers[-1])
        looked_at = check or (diagnosis.next.check if diagnosis.next else None)
        after: Mapping[str, Mapping[str, float]] = {}
        if looked_at is not None and not diagnosis.stop:
            if self.tried and problem is not None:
                if all(ranked.check != looked_at for ranked in diagnosis.checks):
                    raise FaultfinderError(
                        f"{looked_at} is not open after a repair: it is known, could not be "
                        "told, or is a question for the counter."
                    )
                after = after_results_now(problem, looked_at)
            else:
                after = results_after(self.compiled, diagnosis, looked_at)
        way = Route(0.0, ())
        if advice is not None and advice.name in model.repairs_by_name:
            repair = model.repairs_by_name[advice.name]
            way = self.compiled.routes.get((diagnosis.stage, repair.stage), way)
        return View(
            model, diagnosis, self.shop, before, last, after, self.tried, advice, repair_route=way
        )


def cause_probabilities(compiled: CompiledModel, answers: Sequence[Answer]) -> dict[str, float]:
    """The probability that each cause is present, for possible answers; nothing about checks."""
    known = {name: result for name, result in findings_of(answers).items() if result is not None}
    calibrated = beliefs(compiled, evidence_from(compiled, known))
    chances = {}
    for number in compiled.causes:
        name, states = compiled.network.names[number], compiled.network.states[number]
        faulty = [states.index(state) for state in compiled.model.faulty_states(name)]
        chances[name] = float(posterior(compiled, calibrated, number)[faulty, 0].sum())
    return chances


def ranked_check(view: View, name: str) -> RankedCheck:
    """The open check of that name.

    Raises MisuseError for an unknown one, FaultfinderError for one that is not open.
    """
    for ranked in view.diagnosis.checks:
        if ranked.check == name:
            return ranked
    checks = view.model.checks_by_name
    if name not in checks:
        raise MisuseError(f'This model has no check "{name}". {did_you_mean(name, checks)}')
    check = checks[name]
    if not view.still_open(check):
        raise FaultfinderError(f"All that {name} would tell is known already.")
    if set(view.still_open(check)) <= set(view.diagnosis.unclear):
        raise FaultfinderError(f"{name} was tried and could not be told, so it is not ranked.")
    raise FaultfinderError(
        f"{name} needs the stage {check.stage}, and no way leads there from {view.diagnosis.stage}."
    )
