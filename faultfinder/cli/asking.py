"""The session at a terminal: one question at a time, the cheapest and most telling first.

`Session` holds what was answered and what to ask next, and knows neither terminal nor store: a
`Screen` shows and reads, a `Keeper` writes answers down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from faultfinder.cli.bench_words import CURED, by_own_words
from faultfinder.cli.screens import ALWAYS, Screen, key_line
from faultfinder.cli.typed import number_of, read_result, read_typed, spoken
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.errors import FaultfinderError, ImpossibleEvidence
from faultfinder.inference.target import TargetSpec
from faultfinder.model.answers import COULD_NOT_TELL, fold
from faultfinder.model.parts import Check, Kind, Variable
from faultfinder.report.consultation.ask import (
    change_line,
    judgement_page,
    offer_page,
    question_page,
    seen_page,
    start_page,
)
from faultfinder.report.consultation.how import how_page
from faultfinder.report.consultation.short import judged_words
from faultfinder.report.consultation.view import View
from faultfinder.report.consultation.why import add_why
from faultfinder.report.page import Page
from faultfinder.report.wording import wrapped

OFFERED = 6
"""Findings offered for what was typed in own words."""

PROVING = 5
"""Findings offered as what may have proved a cause."""

NOTHING_BACK = "There is nothing to take back."
DONE = frozenset({"done", "quit", "exit", "q", "end"})
BACK, WHY, HOW, SKIP, HELP, KEEP = "back", "why", "how", "skip", "help", "keep"


@dataclass(frozen=True)
class Place:
    """Where a session stands: the case so far, and what is asked about.

    `check` is the check whose findings are being asked, "" before one is chosen;
    `skipped` are checks left out without an answer; `at_bench` tells that going on
    at the bench was agreed to; `wanted` is a finding that was searched for and is asked now.
    """

    case: Case
    check: str = ""
    skipped: frozenset[str] = frozenset()
    at_bench: bool = False
    wanted: str = ""


class Keeper(Protocol):
    """Where answers are written down as they come."""

    def keep(self, name: str, result: str | None, stage: str | None) -> None:
        """Write an answer down, and the stage the machine is in for it where it moved."""

    def undo(self) -> None:
        """Take the last answer back."""

    def judge(self, cause: str, state: str) -> None:
        """Write down what somebody takes it to be, without proof."""

    def check(self, told: Consultation, name: str, result: str | None) -> None:
        """Raise FaultfinderError where another answer stands that must be taken back first."""


@dataclass
class Session:
    """Questions and answers over one machine; every step can be taken back."""

    place: Place
    screen: Screen
    target: TargetSpec = "causes"
    keeper: Keeper | None = None
    counter_only: bool = False
    opening: Sequence[str] = ()
    """What is said before the first question, where there is one."""
    keep_asked: bool = False
    ended: bool = False
    repair: str = ""
    cured: bool = False
    leaving: bool = False
    earlier: list[Place] = field(default_factory=list)
    _told: Consultation | None = None

    def run(self) -> View:
        """Ask until there is nothing worth asking, or "done"; the view to end with.

        Questions at the counter come in the order of what they tell for their cost, those that
        need no power first; at the bench the checks come as `faultfinder next` ranks them. With
        `counter_only` it ends where the bench begins. Afterwards `ended` tells that it was ended
        by hand, `keep_asked` that the case is to be kept as a ticket, `repair` which one was named,
        `cured` that the picture is back, `leaving` that "back" goes further than its first answer.
        """
        title = self.place.case.model.model.title
        if not self.screen.keyed:
            self.screen.say(start_page(title, key_line(self._keys)))
        while not (view := self._view(telling=True)).told.stop:
            ranked = self._wanted(view) or self._at_counter(view)
            if ranked is None and self.counter_only:
                break
            if ranked is None:
                view = self._view()
                ranked = self._at_bench(view)
            if ranked is None:
                break
            self.screen.say(*self.opening)
            self.opening = ()
            asked = ranked.check == self.place.check
            if not (self.place.at_bench or asked or view.check(ranked).intake):
                self.screen.show(offer_page(view, ranked))
                done = self._offer()
            else:
                self.place = replace(self.place, check=ranked.check)
                done = self._ask(view, ranked, view.check(ranked))
            if self.repair or self.cured or self.leaving:
                break
            if done:
                self.ended = True
                break
        return self._view()

    @property
    def _keys(self) -> str:
        if self.keeper is None:
            return f"{ALWAYS}*"
        return ALWAYS if self.counter_only else f"{ALWAYS}="

    def _view(self, case: Case | None = None, telling: bool = False) -> View:
        """The view of a case, worked out once while it stays the one looked at."""
        at = case or self.place.case
        if self._told is None or self._told.case is not at:
            self._told = consult(at, target=self.target)
        return View(self._told, telling=telling)

    def _complain(self, text: str) -> None:
        self.screen.say("\n".join(wrapped(text)))

    # What to ask

    def _not_skipped(self, view: View) -> list[RankedCheck]:
        return [c for c in view.checks if c.check not in self.place.skipped]

    def _wanted(self, view: View) -> RankedCheck | None:
        """The check of a finding that was searched for, or the one being asked about."""
        for one in view.checks:
            check = view.check(one)
            if one.check == self.place.check and self._open(view, check):
                return one
        return None

    def _at_counter(self, view: View) -> RankedCheck | None:
        """The most telling question for its cost at hand: what a machine that may be wet or hurt
        needs first, then what needs no power; None when a quote can be given."""
        ranked = self._not_skipped(view)
        first = view.told.first_look
        for one in ranked:
            if first is not None and one.check == first.look and view.check(one).intake:
                return one
        at_hand = [c for c in ranked if c.worth and view.check(c).intake and not c.route.moves]
        cold = next((c for c in at_hand if view.check(c).off), None)
        if cold is not None or not view.model.repairs:
            return cold or next(iter(at_hand), None)
        # A quote can be given once the job is not expected to get cheaper by a look at hand.
        looks = [c for c in ranked if view.check(c).intake and not c.route.moves]
        return next((c for c in looks if c.check in view.told.round), None)

    def _at_bench(self, view: View) -> RankedCheck | None:
        """The best check that is worth its cost, or the look that must come before it; before a
        repair or handing over what may still speak against it, then None."""
        step, ranked = view.told.next_step, self._not_skipped(view)
        if step is not None and step.kind != "check":
            looks = view.safety_first(view.repair_route, always=True) if step.name else ()
            names = [*(check.name for check, _ in looks), *view.told.round]
            return next((one for name in names for one in ranked if one.check == name), None)
        best = next((one for one in ranked if one.worth), None)
        return self._safe_first(view, ranked, best)

    def _safe_first(
        self, view: View, ranked: list[RankedCheck], chosen: RankedCheck | None
    ) -> RankedCheck | None:
        """The look that must come before the chosen check, or that check itself."""
        if chosen is not None and self.place.at_bench:
            for check, rule in view.safety_first(chosen.route, chosen.check):
                for one in ranked:
                    if one.check == check.name and rule.finding in self._open(view, check):
                        return one
        return chosen

    def _open(self, view: View, check: Check) -> list[str]:
        latest = view.told.case.latest
        names = [name for name in check.observes if name not in latest]
        return sorted(names, key=lambda name: name != self.place.wanted)

    # Going on

    def _offer(self) -> bool:
        while True:
            prompt = "Go on at the bench? Enter: yes, done: no > "
            typed = self.screen.read(prompt, 2, "<.").lower()
            if typed in ("", "1", "yes", "y"):
                self._go(replace(self.place, at_bench=True, check=""))
                return False
            if typed in ("2", "no", "n") or typed in DONE:
                return True
            if typed == BACK:
                self._back()
                return False
            if self._turn(typed):
                return False
            self.screen.say('Type Enter to go on, "done" for the page, "back" for the last answer.')

    def _ask(self, view: View, ranked: RankedCheck, check: Check) -> bool:
        variable = view.model.by_name[self._open(view, check)[0]]
        begun = any(name in view.told.case.results for name in check.observes)
        self.screen.show(*question_page(view, ranked, variable, instruct=not begun))
        keys = self._keys if variable.reading is None else self._keys.replace(".", "")
        choices = len(variable.states) if variable.reading is None else 0
        offered: list[Variable] = []
        named: tuple[str, str] | None = None
        while True:
            typed = self.screen.read("> ", len(offered) + bool(named) or choices, keys).strip()
            word = "" if self._is_result(variable, typed) else typed.lower()
            if word in DONE or (word == KEEP and "*" in keys):
                self.keep_asked = word == KEEP
                return True
            if word in CURED and "=" in keys:
                self.cured = True
                return False
            if word == BACK:
                self._back()
                return False
            if word == SKIP:
                skipped = self.place.skipped | {check.name}
                self._go(replace(self.place, skipped=skipped, check=""))
                return False
            if word in (WHY, HOW, HELP):
                self._explain(view, ranked, word)
                continue
            number = number_of(word)
            if (offered or named) and number is not None:
                if 1 <= number <= len(offered):
                    return self._go_to(offered[number - 1].name)
                if named and number == len(offered) + 1:
                    return self._judge(*named)
                self.screen.say(f"There is no {number} among these.")
                continue
            if self._turn(typed):
                return False
            named = self._cause_named(typed)
            if named:
                offered = self._proving(named[0])
                self.screen.show(judgement_page(view.cause(named[0]), offered))
                continue
            near = [] if "=" in typed else by_own_words(view.model, typed)
            near = [one for one in near if view.told.case.latest.get(one.name) is None][:OFFERED]
            if self._take(variable, typed, check, complain=not near):
                return False
            offered = near
            if offered:
                self.screen.show(seen_page(offered))

    def _is_result(self, variable: Variable, typed: str) -> bool:
        said = {word.lower() for words in variable.words.values() for word in words}
        return typed.lower() in said.union(variable.states)

    def _turn(self, typed: str) -> bool:
        """Go where a name leads: to the question of a finding or check, to the most telling
        question about a cause; what a repair takes is said."""
        model = self.place.case.model.model
        name = fold(typed).replace(" ", "_")
        if name in model.repairs_by_name and name not in model.checks_by_name:
            if self.keeper is not None:
                self.repair = name
            else:
                self.screen.say(*how_page(self._view(), name).pieces())
            return True
        if name in model.checks_by_name:
            latest = self.place.case.latest
            left = [one for one in model.checks_by_name[name].observes if latest.get(one) is None]
            if not left:
                self.screen.say(f"All that {name} tells is known.")
                return True
            return not self._go_to(left[0], name)
        variable = model.by_name.get(name)
        if variable is None or variable.kind not in (Kind.FINDING, Kind.HISTORY, Kind.CAUSE):
            return False
        if variable.kind is not Kind.CAUSE:
            return not self._go_to(name)
        if self.place.case.tried:
            self.screen.say(f"{variable.title}: go on with the checks of the page.")
            return True
        telling = consult(self.place.case, target=[name]).most_telling
        if not telling:
            self.screen.say(f"No open check tells of {variable.title}.")
            return True
        self.screen.say(f"{variable.title}: this tells most of it for its cost.")
        check = model.checks_by_name[telling[0].check]
        left = [one for one in check.observes if one not in self.place.case.latest]
        return not self._go_to(left[0], check.name)

    def _cause_named(self, typed: str) -> tuple[str, str] | None:
        """A cause with its state, typed on a ticket: a judgement, unless something proved it."""
        if "=" not in typed or self.keeper is None:
            return None
        compiled = self.place.case.model
        try:
            name, result = read_typed(compiled, typed)
        except FaultfinderError:
            return None
        if compiled.model.by_name[name].kind is not Kind.CAUSE or result is None:
            return None
        return name, result

    def _proving(self, cause: str) -> list[Variable]:
        """What tells most of a cause and is open."""
        model = self.place.case.model.model
        if self.place.case.tried:
            return []
        telling = consult(self.place.case, target=[cause]).most_telling
        open_ones = [
            one
            for ranked in telling
            for one in model.checks_by_name[ranked.check].observes
            if one not in self.place.case.latest
        ]
        return [model.by_name[one] for one in dict.fromkeys(open_ones)][:PROVING]

    def _judge(self, cause: str, state: str) -> bool:
        """Write a judgement down; False, so that it can end a question that goes on."""
        assert self.keeper is not None
        judged = {**self.place.case.judged, cause: state}
        try:
            case = replace(self.place.case, judged=judged)
            _ = self._view(case, telling=True).told.causes
        except FaultfinderError as error:
            self._complain(str(error))
            return False
        self.keeper.judge(cause, state)
        self._go(replace(self.place, case=case))
        self.screen.say(*wrapped(judged_words({cause: state})))
        return False

    def _go_to(self, finding: str, name: str = "") -> bool:
        """Ask about a finding next; False, so that it can end a question that goes on."""
        case = self.place.case
        known = case.latest.get(finding)
        if known is not None:
            self.screen.say(f'{finding} is known: {known}. "back" takes answers back.')
            return False
        if finding in case.latest:
            # What could not be told at the counter may be seen at the bench.
            case = case.without(finding)
        view = self._view(case, telling=True)
        for one in view.checks:
            if finding in view.check(one).observes and name in ("", one.check):
                self._go(replace(self.place, case=case, check=one.check, wanted=finding))
                return False
        states = ", ".join(case.model.model.by_name[finding].states)
        self._complain(
            f"{finding} is not to be looked at as things stand. Seen all the same? Type "
            f"{finding}=RESULT ({states})."
        )
        return False

    def _take(self, variable: Variable, typed: str, check: Check, complain: bool = True) -> bool:
        """Take an answer in; False, with the reason said, when it cannot be. What is no result at
        all is not complained of where it is looked for elsewhere."""
        try:
            name, result = self._understand(variable, typed)
        except FaultfinderError as error:
            if complain:
                self._complain(str(error))
            return False
        try:
            if self.keeper is not None:
                self.keeper.check(self._view(self.place.case).told, name, result)
            case = self.place.case.with_result(name, result)
            if name in check.observes:
                case = case.at_stage(self._stage(check))
            view = self._view(case, telling=True)
        except ImpossibleEvidence as error:
            self._complain(f'{error} This answer was not taken; "back" takes back the one before.')
            return False
        except FaultfinderError as error:
            self._complain(str(error))
            return False
        if self.keeper is not None:
            before = self._view(self.place.case).told.stage
            self.keeper.keep(name, result, None if case.stage in (None, before) else case.stage)
        self._go(replace(self.place, case=case, wanted=""))
        if not view.told.stop:
            self.screen.say(change_line(view, name, result))
        return True

    def _stage(self, check: Check) -> str | None:
        """Where the machine stands once a check is made: questions and looks from outside leave
        it where it is."""
        return self.place.case.stage if check.intake else check.stage

    def _understand(self, variable: Variable, typed: str) -> tuple[str, str | None]:
        if not typed or (fold(typed) in COULD_NOT_TELL and typed not in variable.states):
            return variable.name, None
        if "=" in typed:
            return read_typed(self.place.case.model, typed)
        return variable.name, read_result(variable, typed)

    def _go(self, place: Place) -> None:
        self.earlier.append(self.place)
        self.place = place

    def _back(self) -> None:
        if not self.earlier:
            # What was written before the first question is taken back by whoever began it.
            self.leaving = self.keeper is not None
            if not self.leaving:
                self.screen.say(NOTHING_BACK)
            return
        now = self.place
        self.place = self.earlier.pop()
        taken = [
            spoken(*one)
            for before, after in (
                (self.place.case.latest, now.case.latest),
                (self.place.case.judged, now.case.judged),
            )
            for one in after.items()
            if one not in before.items()
        ]
        if taken and self.keeper is not None:
            self.keeper.undo()
        self.screen.say(f"Taken back: {', '.join(taken) or 'the last step'}.")

    def _reason(self, view: View, ranked: RankedCheck) -> str:
        """Why this is asked now where it is not for its rank; "" where it is."""
        check, first = view.check(ranked), view.told.first_look
        if ranked is view.checks[0]:
            return ""
        if self.place.wanted in check.observes:
            return "You asked for it."
        if first is not None and first.look == check.name:
            return "A machine that may be wet or hurt is looked at before anything else."
        if not check.intake:
            return ""
        if check.off:
            return "At the counter what needs no power comes first, the most telling for its cost."
        return "At the counter it is looked at because it costs next to nothing."

    def _explain(self, view: View, ranked: RankedCheck, word: str) -> None:
        """Why the check comes now, by the ranking it was chosen by; or its steps."""
        if word == WHY:
            page = Page()
            add_why(page, replace(view, why=ranked.check), self._reason(view, ranked))
            self.screen.say(*page.pieces())
        elif word == HOW:
            self.screen.say(*how_page(view, ranked.check).pieces())
        else:
            self.screen.say(start_page(view.model.title, key_line(self._keys)))
