"""The session at a terminal: one question at a time, the cheapest and most telling first.

`Session` holds what was answered and what to ask next, and knows nothing of a
terminal; `ask_at_terminal` reads and prints.
"""

from __future__ import annotations

import contextlib
import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

import click

from faultfinder.cli.bench_words import by_own_words
from faultfinder.cli.terminal import columns, stoppable
from faultfinder.cli.typed import read_typed
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.consultation.ranking import RankedCheck
from faultfinder.errors import ImpossibleEvidence, MisuseError
from faultfinder.inference.target import TargetSpec
from faultfinder.model.answers import find_result
from faultfinder.model.parts import Check, Variable
from faultfinder.report.consultation.ask import (
    change_line,
    offer_page,
    question_page,
    start_page,
)
from faultfinder.report.consultation.short import screens
from faultfinder.report.consultation.view import View
from faultfinder.report.consultation.why import add_why
from faultfinder.report.page import Page
from faultfinder.report.wording import wrapped

OFFERED = 5
"""Findings offered for what was typed in own words."""

DONE = frozenset({"done", "quit", "exit", "q"})
BACK, WHY, SKIP, HELP = "back", "why", "skip", "help"


@dataclass(frozen=True)
class Place:
    """Where a session stands: the case so far, and what is asked about.

    `check` is the check whose findings are being asked, "" before one is chosen;
    `skipped` are checks left out without an answer; `at_bench` tells that going on
    at the bench was agreed to.
    """

    case: Case
    check: str = ""
    skipped: frozenset[str] = frozenset()
    at_bench: bool = False


class Keeper(Protocol):
    """Where answers are written down as they come."""

    def keep(self, name: str, result: str | None, stage: str | None) -> None:
        """Write an answer down, and the stage the machine is in for it where it moved."""

    def undo(self) -> None:
        """Take the last answer back."""


@dataclass
class Session:
    """Questions and answers over one machine; every step can be taken back."""

    place: Place
    read: Callable[[str], str]
    say: Callable[[str], None]
    target: TargetSpec = "causes"
    keeper: Keeper | None = None
    earlier: list[Place] = field(default_factory=list)
    _told: Consultation | None = None

    def run(self) -> View:
        """Ask until there is nothing worth asking, or "done"; the view to end with.

        Questions at the counter come in the order of what they tell for their cost;
        at the bench the checks come as `faultfinder next` ranks them.
        """
        self.say(start_page(self.place.case.model.model))
        while not (view := self._view(telling=True)).told.stop:
            ranked = self._at_counter(view)
            if ranked is None:
                view = self._view()
                ranked = self._at_bench(view)
            if ranked is None:
                break
            if not self.place.at_bench and not view.check(ranked).intake:
                self.say(offer_page(view, ranked))
                done = self._offer()
            else:
                self.place = replace(self.place, check=ranked.check)
                done = self._ask(view, ranked, view.check(ranked))
            if done:
                break
        return self._view()

    def _view(self, case: Case | None = None, telling: bool = False) -> View:
        """The view of a case, worked out once while it stays the one looked at."""
        at = case or self.place.case
        if self._told is None or self._told.case is not at:
            self._told = consult(at, target=self.target)
        return View(self._told, telling=telling)

    def _complain(self, text: str) -> None:
        self.say("\n".join(wrapped(text)))

    # What to ask

    def _not_skipped(self, view: View) -> list[RankedCheck]:
        return [c for c in view.checks if c.check not in self.place.skipped]

    def _at_counter(self, view: View) -> RankedCheck | None:
        """The check being asked about, else the most telling question for its cost at hand."""
        ranked = self._not_skipped(view)
        for one in ranked:
            if one.check == self.place.check and self._open(view, view.check(one)):
                return one
        at_hand = (c for c in ranked if c.worth and view.check(c).intake and not c.route.moves)
        return next(at_hand, None)

    def _at_bench(self, view: View) -> RankedCheck | None:
        """The best check that is worth its cost, or the look that must come before it."""
        ranked = self._not_skipped(view)
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
        return [name for name in check.observes if name not in view.told.case.results]

    # Going on

    def _offer(self) -> bool:
        while True:
            typed = self.read("Go on at the bench? Enter: yes, done: no > ").strip().lower()
            if typed in ("", "yes", "y"):
                self._go(replace(self.place, at_bench=True, check=""))
                return False
            if typed in ("no", "n") or typed in DONE:
                return True
            if typed == BACK:
                self._back()
                return False
            self.say('Type Enter to go on, "done" for the page, "back" for the last answer.')

    def _ask(self, view: View, ranked: RankedCheck, check: Check) -> bool:
        variable = view.model.by_name[self._open(view, check)[0]]
        begun = any(name in view.told.case.results for name in check.observes)
        self.say(question_page(view, ranked, variable, instruct=not begun))
        while True:
            typed = self.read("> ").strip()
            word = "" if self._is_result(variable, typed) else typed.lower()
            if word in DONE:
                return True
            if word == BACK:
                self._back()
                return False
            if word == SKIP:
                skipped = self.place.skipped | {check.name}
                self._go(replace(self.place, skipped=skipped, check=""))
                return False
            if word == WHY:
                self._say_why(view, ranked)
                continue
            if word == HELP:
                self.say(start_page(view.model))
                continue
            if self._take(variable, typed, check):
                return False

    def _is_result(self, variable: Variable, typed: str) -> bool:
        said = {word.lower() for words in variable.words.values() for word in words}
        return typed.lower() in said.union(variable.states)

    def _take(self, variable: Variable, typed: str, check: Check) -> bool:
        """Take an answer in; False, with the reason said, when it cannot be."""
        try:
            name, result = self._understand(variable, typed)
            case = self.place.case.with_result(name, result)
            if name in check.observes:
                case = case.at_stage(check.stage)
            view = self._view(case, telling=True)
        except MisuseError as error:
            self._complain(str(error))
            self._offer_findings(typed)
            return False
        except ImpossibleEvidence as error:
            self._complain(f'{error} This answer was not taken; "back" takes back the one before.')
            return False
        if self.keeper is not None:
            before = self.place.case.stage or case.model.model.start
            moved = None if case.stage in (None, before) else case.stage
            self.keeper.keep(name, result, moved)
        self._go(replace(self.place, case=case))
        if not view.told.stop:
            self.say(change_line(view, name, result))
        return True

    def _offer_findings(self, typed: str) -> None:
        """Findings that what was typed may be about, for whoever tells what they see."""
        if "=" in typed:
            return
        near = by_own_words(self.place.case.model.model, typed)[:OFFERED]
        if near:
            self._complain("Or did you see one of these? Type it as NAME=RESULT:")
        for variable in near:
            self._complain(f"  {variable.name}: {variable.title} ({', '.join(variable.states)})")

    def _understand(self, variable: Variable, typed: str) -> tuple[str, str | None]:
        if not typed:
            return variable.name, None
        if "=" in typed:
            return read_typed(self.place.case.model, typed)
        if variable.reading is None and typed.isdecimal():
            number = int(typed)
            if not 1 <= number <= len(variable.states):
                raise MisuseError(
                    f"There is no answer {number}. Type 1 to {len(variable.states)}, "
                    "a word, or Enter when it cannot be told."
                )
            return variable.name, variable.states[number - 1]
        return variable.name, find_result(variable, typed)

    def _go(self, place: Place) -> None:
        self.earlier.append(self.place)
        self.place = place

    def _back(self) -> None:
        if not self.earlier:
            self.say("There is nothing to take back.")
            return
        now = self.place
        self.place = self.earlier.pop()
        kept = self.place.case.latest.items()
        taken = [spoken(*one) for one in now.case.latest.items() if one not in kept]
        if taken and self.keeper is not None:
            self.keeper.undo()
        self.say(f"Taken back: {', '.join(taken) or 'the last step'}.")

    def _say_why(self, view: View, ranked: RankedCheck) -> None:
        """Why the check comes now, by the ranking it was chosen by."""
        page = Page()
        add_why(page, replace(view, why=ranked.check))
        self.say(str(page))


def spoken(name: str, result: str | None) -> str:
    """A result as it is typed."""
    return f"{name}={result or 'unknown'}"


def ask_at_terminal(case: Case, target: TargetSpec, bold: bool) -> None:
    """Ask at the terminal, then print the whole page and how to get it again."""
    with contextlib.suppress(ImportError):
        import readline  # noqa: F401 -- the arrow keys, while typing

    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="backslashreplace")
    session = Session(Place(case), input, _say, target)
    _say("No ticket: nothing is written down.")
    try:
        with stoppable():
            view = session.run()
    except (KeyboardInterrupt, EOFError):
        if session.place.case.results:
            _say("\nTo go on from here:")
            _say(command_of(session.place.case))
        raise
    _say("")
    _say("\n".join(screens(view, width=columns(), bold=bold)))
    if session.place.case.results:
        _say("\nNothing was written. To see this page again:")
        _say(command_of(session.place.case))


def ask_on_ticket(case: Case, keeper: Keeper) -> None:
    """Ask at the terminal and write each answer down as it comes."""
    session = Session(Place(case), input, _say, keeper=keeper)
    with stoppable():
        session.run()


def command_of(case: Case) -> str:
    """The command that shows what comes next on a case."""
    model = case.model.model
    words = ["faultfinder", "next", "-m", model.name]
    if case.stage not in (None, model.start):
        words += ["--stage", str(case.stage)]
    for name, result in case.results.items():
        words += ["-s", spoken(name, result)]
    return shlex.join(words)


def _say(text: str) -> None:
    click.echo(text)
