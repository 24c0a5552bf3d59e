"""The one answer to "what next?": from what is known of a machine to what to do on it.

Read `Consultation` from top to bottom: what is known, what that makes of the causes, what can
be done and what that saves, the next step, and what to say with it. Each part is worked out
when it is asked for, once, so that a list of tickets does not pay for quotes nobody reads.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from faultfinder.consultation.advice import Advice, advice_from
from faultfinder.consultation.bench import look_stage, smallest_problem
from faultfinder.consultation.branches import Branch, branches_of
from faultfinder.consultation.case import Case
from faultfinder.consultation.causes import (
    after_results,
    after_results_now,
    cause_states,
    cause_states_now,
    causes_given,
    present,
)
from faultfinder.consultation.quote import Quote, spread
from faultfinder.consultation.ranking import (
    RankedCheck,
    by_information,
    by_savings,
    in_turn,
    questions,
    ranked_exactly,
    ranked_over,
)
from faultfinder.consultation.rounds import Round, round_from
from faultfinder.consultation.safety import (
    called_for,
    can_be_made,
    cautions_of,
    looks_first,
    stop_sentence,
)
from faultfinder.consultation.suggestions import (
    Suggested,
    by_weight,
    of_likely,
    of_results,
    unsaid,
    with_likely,
)
from faultfinder.consultation.surprises import contradiction, surprises, surprises_since
from faultfinder.decide.policies import DEFAULT, PolicyMaker, one_step, policy_maker
from faultfinder.decide.policies.one_step import OneStep
from faultfinder.decide.problem import Problem
from faultfinder.decide.situation import Action, Policy, start
from faultfinder.errors import FaultfinderError, MisuseError, TargetTooLarge, did_you_mean
from faultfinder.frozen import frozen
from faultfinder.inference.posterior import Evidence, beliefs, evidence_from
from faultfinder.inference.propagation import Calibrated
from faultfinder.inference.target import ALL_CAUSES, Target, TargetSpec, resolve_target
from faultfinder.model.parts import Check, Precaution, Repair
from faultfinder.model.routes import Route

if TYPE_CHECKING:
    from faultfinder.consultation.steadiness import Steadiness
    from faultfinder.consultation.tipping import Tip
    from faultfinder.decide.plan import Plan

DEAREST, NEAR, LEAST_WORTH = 20.0, 0.02, 100.0
"""What a machine could be worth at most, in what it is taken to be worth, how exactly it is worked
out from when on more pays than handing over, and where that begins at least, in money."""

JOB_FOLD, JOB_DEPTH = 0.08, 99
"""Branches of `Consultation.job` that are less likely, or deeper, end in a repair order."""


@frozen
class NextStep:
    """What to do now: `kind` is "check", "repair", "hand over" or "name", `name` the check or
    repair ("" for handing over as it is) or what is wrong ("none of these", or causes with "+").

    The reasons, where there are repairs to weigh or a name to give: `cost` is the expected cost
    of the whole job with this step, `saves` what that is below repairing (or naming) at once
    (both money; None where a name has to be sure). What a check tells and
    takes is in `Consultation.next`.
    """

    kind: str
    name: str
    cost: float | None = None
    saves: float | None = None


def consult(
    case: Case, *, policy: str | PolicyMaker = DEFAULT, target: TargetSpec = ALL_CAUSES
) -> Consultation:
    """What is believed of a machine, and what to do on it next.

    `policy` chooses between checks, repairs and handing over: the name of a file under
    `faultfinder.decide.policies`, or what makes a policy of a problem. `target` is what the
    bits of checks are about (see `faultfinder.inference.target.resolve_target`).

    Raises ImpossibleEvidence (with a smallest set of findings that contradict each other) and
    MisuseError at once.
    """
    maker = policy_maker(policy) if isinstance(policy, str) else policy
    if case.tried and target != ALL_CAUSES:
        raise MisuseError("A target goes with what was seen before any repair, not after one.")
    consultation = Consultation(case, maker, resolve_target(case.model, target))
    if np.isneginf(consultation.beliefs.log_evidence[0]):
        raise contradiction(case.model, consultation.evidence, case.findings)
    return consultation


@frozen(eq=False)
class Consultation:
    """What follows from a case; made by `consult`."""

    case: Case
    make_policy: PolicyMaker
    aim: Target

    # What is known

    @cached_property
    def evidence(self) -> Evidence:
        """The findings before any repair, and the complaint."""
        return evidence_from(self.case.model, self.case.findings, self.case.hints)

    @cached_property
    def beliefs(self) -> Calibrated:
        """What they make of everything, exactly."""
        return beliefs(self.case.model, self.evidence)

    @property
    def evidence_probability(self) -> float:
        """P(findings before any repair, complaint) under the model."""
        return float(np.exp(float(self.beliefs.log_evidence[0])))

    @cached_property
    def stage(self) -> str:
        """The teardown stage the machine is in."""
        case = self.case
        if case.stage is None and case.tried:
            return look_stage(case.model, case.model.model.repairs_by_name[case.tried[-1].repair])
        return case.stage or case.model.model.start

    @cached_property
    def stop(self) -> str:
        """The sentence of a safety rule that ends the work, or ""."""
        return stop_sentence(self.case.model.model, self.case.everything, self.case.tried)

    @property
    def stop_said(self) -> str:
        """The same without the word that it may begin with, where a heading says it."""
        return self.stop.strip().removeprefix("Stop.").strip()

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """A sentence for each finding that does not fit the rest."""
        case = self.case
        if self._by_scenarios:
            return surprises_since(case.model.model, case.tried, self.problem.since)
        return surprises(case.model, self.evidence, self.beliefs, case.findings)

    # What is believed of the causes

    @cached_property
    def cause_states(self) -> Mapping[str, Mapping[str, float]]:
        """Cause -> state -> probability, of the machine as it is now."""
        if self._by_scenarios:
            return cause_states_now(self.case.model, self.problem)
        return cause_states(self.case.model, self.beliefs)

    @cached_property
    def causes(self) -> Mapping[str, float]:
        """The probability that each cause is present, most likely first; several can be."""
        return present(self.case.model.model, {c: dict(s) for c, s in self.cause_states.items()})

    @cached_property
    def before(self) -> Mapping[str, float]:
        """The same before the last result, or before the repairs; empty when nothing came."""
        if self.case.tried:
            return causes_given(self.case.model, self.case.findings, self.case.hints)
        if not self.last:
            return {}
        last = list(self.case.results)[-1]
        known = {name: one for name, one in self.case.findings.items() if name != last}
        return causes_given(self.case.model, known, self.case.hints)

    @property
    def last(self) -> str:
        """What changed the causes last, in words; "" for nothing."""
        if self.case.tried:
            return "the repair and what was found since"
        name, result = [("", None), *self.case.results.items()][-1]
        return "" if result is None else f"{name}={result}"

    @property
    def change(self) -> Mapping[str, float]:
        """By how much each probability has changed from `before`; empty when nothing came."""
        return {name: self.causes[name] - chance for name, chance in self.before.items()}

    @cached_property
    def suggestions(self) -> tuple[Suggested, ...]:
        """What the results and the likely causes suggest, what leads first, without what is known
        already. While a look without power comes before all else, only what called for it
        suggests anything; after a repair all results do, the last told first."""
        case, model, known = self.case, self.case.model.model, self.case.latest
        told = of_results(model, known)
        likely = of_likely(model, self.causes)
        first = self.first_look
        if first is not None and first.unpowered:
            # What else was told may suggest looks with power on.
            told = tuple(one for one in told if {*one.findings} & {*first.when})
            likely = None
        if not self._by_scenarios:
            told = by_weight(case.model, case.findings, told, case.hints)
        told = with_likely(model, told, likely)
        said = (replace(one, say=unsaid(one.say, model.meanings, known)) for one in told)
        return tuple(one for one in said if one.say)

    # What can be done, and what that saves

    @property
    def _planned(self) -> bool:
        """Whether there are repairs to weigh, or a name to give instead."""
        return bool(self.case.model.model.repairs) or self.case.naming is not None

    @property
    def _by_scenarios(self) -> bool:
        return bool(self.case.tried)

    @cached_property
    def problem(self) -> Problem:
        """Beliefs, checks, repairs and ways in money: what a policy decides on."""
        if not self._planned:
            name = self.case.model.model.name
            raise FaultfinderError(f"The model {name} names no repairs, so there is no plan.")
        return smallest_problem(self.case, self.evidence_probability)

    @cached_property
    def policy(self) -> Policy:
        """The policy, made for the problem."""
        return self.make_policy(self.problem, self.case.terms)

    @cached_property
    def action(self) -> Action:
        """What the policy chooses here."""
        return self.policy.decide(start(self.problem))

    @cached_property
    def names(self) -> Mapping[str, float]:
        """The names that can be given and how likely each is the true one, likeliest first; empty
        where none is asked for."""
        if self.case.naming is None or self.problem.names is None:
            return {}
        found = self.problem.names
        chances = np.bincount(found.of, self.problem.weights, len(found.names)).tolist()
        pairs = zip(found.names, chances, strict=True)
        return dict(sorted(pairs, key=lambda one: (-one[1], one[0])))

    @cached_property
    def advice(self) -> Advice | None:
        """The same with what it is weighed against; None after a stop, or without repairs
        where no name is asked for."""
        if self.stop or not self._planned:
            return None
        advice = advice_from(self.problem, self.case.model.model, self.action)
        first = self.first_look
        return advice if first is None else replace(advice, kind="check", name=first.look)

    @cached_property
    def pays_from(self) -> tuple[float, NextStep] | None:
        """What the machine has to be worth to its owner for more than handing over, in money (to
        the next ten), and what is done then; None where handing over is not advised, and where it
        is at a worth of DEAREST times what the machine is taken to be worth."""
        if self.advice is None or self.advice.kind != "hand over":
            return None

        def then(worth: float) -> NextStep:
            dearer = replace(self.problem, give_up=worth)
            action = self.make_policy(dearer, self.case.terms).decide(start(dearer))
            model = self.case.model.model
            advice = advice_from(dearer, model, action)
            return NextStep(advice.kind, advice.name)

        least = max(self.problem.give_up, LEAST_WORTH)
        low, high = self.problem.give_up, least
        while (step := then(high)).kind == "hand over":
            low, high = high, 2.0 * high
            if high > DEAREST * least:
                return None
        while high - low > NEAR * high:
            middle = (low + high) / 2.0
            other = then(middle)
            if other.kind == "hand over":
                low = middle
            else:
                high, step = middle, other
        return float(np.ceil(high / 10.0)) * 10.0, step

    @property
    def by_money(self) -> bool:
        """Whether the advice is weighed in money: not without advice, and not where a name has to
        be sure whatever it takes."""
        naming = self.case.naming
        return self.advice is not None and (naming is None or naming.sure is None)

    @cached_property
    def job(self) -> Plan:
        """The advised step and then the quick policy `one_step`, followed through every result:
        what the advice is weighed by, as a tree, with what no plan can cost less than. Takes
        longer than the advice itself."""
        # Plans are asked for with reasons only, and take a while to import.
        from faultfinder.decide.plan import make_plan
        from faultfinder.decide.policies.roll_out_once import RollOutOnce

        policy = RollOutOnce(self.policy, one_step.make(self.problem, self.case.terms))
        return make_plan(self.problem, policy, fold_below=JOB_FOLD, depth=JOB_DEPTH)

    @cached_property
    def first_look(self) -> Precaution | None:
        """The look that comes before all else, and why; None where nothing calls for one."""
        case, model = self.case, self.case.model.model
        weighed = {check.name for check in self.problem.checks} if self._by_scenarios else None
        for one in called_for(model, case.latest):
            place = model.checks_by_name[one.look].place(self.stage)
            if (self.stage, place) in case.model.routes and (
                weighed is None or one.look in weighed
            ):
                return one
        return None

    @cached_property
    def _makeable(self) -> frozenset[str]:
        return can_be_made(self.case.model.model, self.case.latest)

    @cached_property
    def _at_bench(self) -> tuple[RankedCheck, ...]:
        """What each open check tells, questions for the counter left out."""
        if self._by_scenarios:
            return ranked_over(self.problem, self.case.model, self.case.terms, self._up)
        asked = questions(self.case.model.model)
        checks = self.case.model.model.checks
        exact = self._ranked(
            [c.name for c in checks if c.name not in asked and c.name in self._makeable]
        )
        if not self._refused or not self._planned:
            return exact
        over = ranked_over(self.problem, self.case.model, self.case.terms, self._up)
        return (*exact, *(one for one in over if one.check in self._refused))

    @cached_property
    def _at_counter(self) -> tuple[RankedCheck, ...]:
        """What each open question for the counter tells; dear, and not asked after a repair."""
        return (
            ()
            if self._by_scenarios
            else self._ranked(sorted(questions(self.case.model.model) & self._makeable))
        )

    def _ranked(self, names: list[str]) -> tuple[RankedCheck, ...]:
        case, aim = self.case, self.aim
        same = aim.compiled is case.model
        given = self.beliefs if same else beliefs(aim.compiled, self.evidence)
        return ranked_exactly(
            aim,
            self.evidence,
            given,
            names,
            case.unclear,
            case.model,
            self.stage,
            case.terms,
            # Somebody who asks about some causes only is told that it cannot be had.
            self._refused if aim.title == resolve_target(case.model, ALL_CAUSES).title else None,
            self._up,
        )

    @cached_property
    def _refused(self) -> dict[str, TargetTooLarge]:
        return {}

    @property
    def _up(self) -> frozenset[str]:
        """The kits that are set up."""
        return self.case.model.model.set_up(self.case.looked_for)

    @property
    def too_large(self) -> tuple[str, ...]:
        """Open checks whose exact gain is too large to compute: ranked by what they tell of the
        joint states that the advice goes by, and left out of `order` where there are none."""
        _ = self._at_bench, self._at_counter
        return tuple(self._refused)

    def _in_order(self, checks: tuple[RankedCheck, ...]) -> tuple[RankedCheck, ...]:
        if self.advice is None:
            return by_information(checks)
        first = () if self.first_look is None else (self.first_look.look,)
        turn = in_turn(self.problem, self.action, self._round)
        return by_savings(
            self.case.model.model,
            checks,
            self.advice,
            (*first, *turn),
        )

    @cached_property
    def order(self) -> tuple[RankedCheck, ...]:
        """All open checks, questions for the counter too: the advised one and its round first,
        then those that tell most about the right repair for their cost, given these; the rest
        by bits per cost (all so where the model has no repairs)."""
        return self._in_order((*self._at_bench, *self._at_counter))

    @cached_property
    def order_at_bench(self) -> tuple[RankedCheck, ...]:
        """The same without questions for the counter, which are dear to rank (none are left out
        where the model has no repairs)."""
        return self._in_order(self._at_bench) if self._planned else self.order

    @cached_property
    def most_telling(self) -> tuple[RankedCheck, ...]:
        """All open checks by bits per cost, whatever the repairs: for questions at the counter."""
        return by_information((*self._at_bench, *self._at_counter))

    # What to do

    @cached_property
    def next_step(self) -> NextStep | None:
        """The step to take; None after a stop, and where a model without repairs has no check
        that is worth its cost."""
        if self.stop:
            return None
        if self.advice is not None:
            advice = self.advice
            if not self.by_money:
                return NextStep(advice.kind, advice.name)
            return NextStep(advice.kind, advice.name, advice.cost, advice.saves)
        return None if self.next is None else NextStep("check", self.next.check)

    @property
    def next(self) -> RankedCheck | None:
        """The next step where it is a check, with what it tells and takes; else None."""
        if self.advice is not None and self.advice.kind != "check":
            return None
        best = self.order_at_bench[0] if self.order_at_bench else None
        return best if best is not None and best.worth and not self.stop else None

    @cached_property
    def _round(self) -> Round:
        if self.advice is None or self.case.naming is not None:
            return Round()
        lead = self.action.number if self.action.kind == "check" else None
        worth = self.case.terms.worth_per_bit
        found = round_from(self.problem, lead, self.case.model.model, worth)
        if self.first_look is None:
            return found
        look, checks = self.first_look.look, self.case.model.model.checks_by_name
        places = {checks[one].place(self.stage) for one in (look, *found.members)}
        if len(places) > 1:
            found = Round()
        return found.after(look)

    @property
    def round(self) -> tuple[str, ...]:
        """The checks to make together now, in the order to make them: the next step among
        them, or before it where it is a repair."""
        if self.advice is None or self.case.naming is not None:
            return () if self.next is None else (self.next.check,)
        return self._round.turn

    @property
    def round_note(self) -> str:
        """What ends the round early, in words, or ""."""
        return self._round.note

    @cached_property
    def branches(self) -> tuple[Branch, ...]:
        """What the results of the round's looks and tests would mean, and the repairs then;
        () after a stop and where no repair is weighed."""
        if self.advice is None or self.case.naming is not None:
            return ()
        model = self.case.model.model
        looks = [name for name in self.round if not model.checks_by_name[name].asked]
        known = [name for name, result in self.case.latest.items() if result is not None]
        return branches_of(self.problem, model, looks, known)

    @cached_property
    def steadiness(self) -> Steadiness | None:
        """How often the next step stays when the figures move by what their basis allows; None
        where none is weighed. Takes ten times as long as the advice."""
        from faultfinder.consultation.steadiness import steadiness  # not on the everyday path

        return steadiness(self)

    @cached_property
    def tips(self) -> tuple[Tip, ...]:
        """The causes whose chances the next step hangs on most. Takes about as long."""
        from faultfinder.consultation.tipping import tips  # not on the everyday path

        return tips(self)

    def after(self, check: str) -> Mapping[str, Mapping[str, float]]:
        """What each result of an open check would make of the causes: label -> cause -> chance."""
        self.open_check(check)
        if self._by_scenarios:
            return after_results_now(self.problem, check)
        case = self.case
        return after_results(case.model, case.findings, case.unclear, check, case.hints)

    def ranked(self, check: str) -> RankedCheck:
        """An open check as it stands in `order`; raises as `open_check`, and TargetTooLarge."""
        self.open_check(check)
        found = next((one for one in self.order if one.check == check), None)
        if found is None:
            raise self._refused[check]
        return found

    def open_check(self, name: str) -> Check:
        """The check of that name. Raises MisuseError for an unknown one, FaultfinderError for
        one with nothing left to tell, or out of reach."""
        model = self.case.model.model
        if name not in model.checks_by_name:
            hint = did_you_mean(name, model.checks_by_name)
            raise MisuseError(f'This model has no check "{name}". {hint}')
        check = model.checks_by_name[name]
        latest = self.case.latest
        if all(finding in latest for finding in check.observes):
            if any(latest[finding] is None for finding in check.observes):
                raise FaultfinderError(
                    f"{name} was tried and could not be told, so it is not ranked."
                )
            raise FaultfinderError(f"All that {name} would tell is known already.")
        if name not in self._makeable:
            raise FaultfinderError(self._missing(check))
        if (self.stage, check.place(self.stage)) not in self.case.model.routes:
            raise FaultfinderError(
                f"{name} needs the stage {check.stage}, and no way leads there from {self.stage}."
            )
        if self._by_scenarios and all(action.name != name for action in self.problem.checks):
            raise FaultfinderError(
                f"{name} is not open after a repair: it is known, could not be told, or is a "
                "question for the counter."
            )
        return check

    def _missing(self, check: Check) -> str:
        """Why a check cannot be made as things stand, in words."""
        model, latest = self.case.model.model, self.case.latest
        needs = [model.needs_by_name[need] for need in check.needs]
        missing = [need.title for need in needs if not need.there(latest)]
        if missing:
            return f"{check.name} cannot be made now. It needs: {'; '.join(missing)}."
        look = next(one.look for one in called_for(model, latest) if one.unpowered)
        return f"{check.name} needs power, and {look} comes before that."

    @property
    def made_already(self) -> str:
        """The check that made the repair which is the next step, and seems to have mended the
        machine; "" for none."""
        step = self.next_step
        if step is None or step.kind != "repair":
            return ""
        return next(one.made_by for one in self.problem.repairs if one.name == step.name)

    # What to say with it

    @cached_property
    def quote(self) -> Quote | None:
        """What to quote; None without advice, and where the job ends with a name."""
        if self.advice is None or self.case.naming is not None:
            return None
        terms = self.case.terms
        then = OneStep(self.problem, terms.worth_per_bit)
        return spread(self.problem, self.case.model, self.action, then, terms.dear_part)

    @cached_property
    def _work(self) -> Check | Repair | None:
        """The check or repair that is the next step; handing over as it is is neither."""
        step, model = self.next_step, self.case.model.model
        if step is None or step.kind == "name":
            return None
        parts = model.checks_by_name if step.kind == "check" else model.repairs_by_name
        return parts.get(step.name)

    @cached_property
    def way(self) -> Route:
        """The moves to where the next step is done."""
        work, here = self._work, Route(0.0, ())
        if work is None:
            return here
        end = work.place(self.stage) if isinstance(work, Check) else work.stage
        return self.case.model.routes.get((self.stage, end), here)

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What must be known before the next step is taken: a stop, looks that come first, and
        the cautions of the way and of the work, in that order."""
        work, model = self._work, self.case.model.model
        if work is None:
            return (self.stop,) if self.stop else ()
        first = looks_first(model, self.case.everything, self.stage, self.way, work.name,
                            always=isinstance(work, Repair))  # fmt: skip
        looks = [
            f"{check.title} ({check.name}) first: if {' or '.join(rule.results)}, stop."
            for check, rule in first
        ]
        why = [] if self.first_look is None else [self.first_look.say]
        said = cautions_of(model, self.way, self.stage, work.caution)
        return (*why, *looks, *said)

    def as_plain(self, why: str | None = None) -> dict[str, Any]:
        """Numbers, texts, lists and dictionaries; `why` names a check to explain as well.

        See `faultfinder.consultation.plain.plain_form` for the keys.
        """
        from faultfinder.consultation.plain import plain_form  # it describes this class

        return plain_form(self, why)
