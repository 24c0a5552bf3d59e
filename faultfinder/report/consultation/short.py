"""The page of `faultfinder next` for a screen of 80 x 24: the next step first, then what it
rests on.

Where room is short something yields, in this order: what is unasked, the third and the second
cause, reasons. Cautions never do; where they fill the screen alone they come first and the
rest follows on a second screen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace

from faultfinder.consultation.case import Case
from faultfinder.consultation.in_words import repair_verb
from faultfinder.consultation.judgement import SAID
from faultfinder.consultation.suggestions import FEW, Suggested
from faultfinder.frozen import frozen
from faultfinder.model.parts import Check, FaultModel, Variable
from faultfinder.model.routes import Route
from faultfinder.report.consultation.branches import branch_words
from faultfinder.report.consultation.repair import (
    hand_over_words,
    made_words,
    price_words,
)
from faultfinder.report.consultation.view import View, range_of
from faultfinder.report.wording import (
    change,
    harmless,
    minutes,
    money,
    opening,
    percent,
    shortened,
    unbroken,
    wrapped,
)

HEIGHT = 23
"""Lines of a screen of 24, less the one the shell's prompt takes."""

WIDEST = 100
"""Columns used at most: longer lines are hard to read."""

CAUSES = 3
SAYS = 0.01
"""What a check saves at least, in money, for that to be said."""

EASY = 2
"""Lines of results that a check keeps until the commands to type were shortened."""

NO_TICKET = "No ticket: nothing is written down."

BRANCH_ROLES = ("likeliest branch", "second branch", "third branch")
STAY = (BRANCH_ROLES[0], "suggestion", "known")
CAUSE_ROLES = ("third", "second")
ORDER = ("unasked", *CAUSE_ROLES, "why", "clue", *reversed(BRANCH_ROLES[1:]), *STAY)
"""What yields first where room is short; before what is in STAY, long lists of results do."""


@frozen
class Line:
    """Some lines that stand or yield together; `role` is in ORDER for what may yield, "caution"
    and "step" for what leads where it takes two screens, "" for what stays."""

    lines: tuple[str, ...]
    role: str = ""


def no_ticket_head(width: int = 80) -> Line:
    """What stands on top where there is no ticket, with the way to one."""
    return Line(tuple(wrapped(f"{NO_TICKET} The same with --keep makes one.", width=width)), "step")


@frozen
class _Terse:
    """What is said in fewer words where room is short: `brief` causes in one line, `folded` ways,
    `tight` commands, the lines that a finding keeps for its results, where these are fewer than
    all, and checks of several findings `joined` in one line without results."""

    brief: bool = False
    folded: bool = False
    tight: bool = False
    joined: bool = False
    kept: Mapping[str, int] = field(default_factory=dict)

    def more(self, lists: Mapping[str, int], at_any_cost: bool) -> _Terse | None:
        """One step terser; `lists` are the lines of results by finding. None where nothing is
        left to shorten, `at_any_cost` or for the sake of a branch."""
        if not self.folded:
            return replace(self, folded=True)
        # One whose title alone takes as many lines gets no shorter.
        left = {n: lines for n, lines in lists.items() if lines <= self.kept.get(n, lines)}
        longest = max(left, key=lambda name: left[name], default="")
        lines = left.get(longest, 0)
        if lines <= EASY and not self.tight:
            return replace(self, tight=True)
        if lines <= 1:
            return replace(self, joined=True) if at_any_cost and not self.joined else None
        return replace(self, kept={**self.kept, longest: lines - 1})


def screens(
    view: View,
    head: Sequence[Line] = (),
    width: int = 80,
    height: int = HEIGHT,
    bold: bool = False,
    commands: bool = True,
) -> list[str]:
    """The page, on one screen where it fits, else on more: cautions first, then the rest.
    Without `commands` it does not say what to type.

    A second screen is dearer than a long list of results: of those, fewer are then shown."""
    made: list[str] = []
    best: tuple[int, int, bool] | None = None
    terse: _Terse | None = _Terse()
    while terse is not None:
        writer = _Writer(view, width, bold, terse, commands)
        body = writer.stop() if view.told.stop else writer.page()
        pages = fitted([*head, *body], height)
        shown = {line for page in pages for line in page.split("\n")}
        cut = {block.role for block in body if not shown.issuperset(block.lines)}
        lost = max((STAY.index(role) + 1 for role in cut.intersection(STAY)), default=0)
        loss = len(pages), lost, not terse.brief
        if best is None or loss < best:
            made, best = pages, loss
        if cut.intersection(CAUSE_ROLES) and not terse.brief:
            terse = replace(terse, brief=True)
        elif len(pages) == 1 and not lost:
            return pages
        else:
            terse = terse.more(writer.lists, lost > 1)
    return made


def fitted(blocks: Sequence[Line], height: int) -> list[str]:
    """The blocks on as few screens as can be, each of at most `height` lines."""
    if sum(len(b.lines) for b in blocks if b.role == "") > height:
        # No block of ours is that long; texts from a ticket or a model of others may be.
        lines = [line for block in blocks for line in block.lines]
        return _cut(lines, height)
    left = list(blocks)
    for role in ("", *ORDER):
        left = [b for b in left if not role or b.role != role]
        if sum(len(b.lines) for b in left) <= height:
            return ["\n".join(line for b in left for line in b.lines)]
    first = [b for b in blocks if b.role in ("step", "caution")]
    if sum(len(b.lines) for b in first) <= height:
        rest = [Line(b.lines, "" if b.role == "step" else b.role) for b in blocks]
        again = [b for b in rest if b.role != "caution"]
        return ["\n".join(line for b in first for line in b.lines), *fitted(again, height)]
    # As many steps as there is room for, each with its cautions; the next screen goes on there.
    here: list[Line] = []
    for at, block in enumerate(first):
        end = next((n for n in range(at + 1, len(first)) if first[n].role == "step"), len(first))
        step = first[at:end] if block.role == "step" else [block]
        if sum(len(b.lines) for b in [*here, *step]) > height:
            break
        here.append(block)
    if not here:
        return _cut([line for block in blocks for line in block.lines], height)
    left = [b for b in blocks if not any(b is one for one in here)]
    return ["\n".join(line for b in here for line in b.lines), *fitted(left, height)]


def _cut(lines: list[str], height: int) -> list[str]:
    return ["\n".join(lines[at : at + height]) for at in range(0, len(lines), height)]


def results_by_number(variable: Variable) -> str:
    """ "1 off  2 dim  3 on": as they may be typed; a reading by its range, without numbers."""
    if variable.reading is not None:
        said = (unbroken(_result(variable, state)) for state in variable.states)
        return f"{variable.reading.unit}, or {', '.join(said)}"
    return "  ".join(_numbered(variable))


def _numbered(variable: Variable) -> list[str]:
    return [
        unbroken(f"{number} {_result(variable, state)}")
        for number, state in enumerate(variable.states, start=1)
    ]


def _result(variable: Variable, state: str) -> str:
    of = range_of(variable, state)
    said = state.replace("_", " ")
    return f"{said} ({of})" if of else said


def answers_of(model: FaultModel, check: Check, open_ones: Sequence[str]) -> list[tuple[str, str]]:
    """What may be typed for a check: (name before the "=", results by number), one a finding."""
    names = check.observes if len(check.observes) == 1 else open_ones
    return [(name, results_by_number(model.by_name[name])) for name in names]


def judged_words(judged: Mapping[str, str]) -> str:
    """Causes named without proof, with what that counts."""
    named = ", ".join(f"{cause}={state}" for cause, state in judged.items())
    return f"Own judgement, no proof: {named} ({SAID})."


def known_of(case: Case) -> str:
    """What is known, the newest first, in one line; "" for nothing."""
    said = [
        f"{name}={result or 'unknown'}" for name, result in reversed(list(case.results.items()))
    ]
    for step in case.tried:
        said.insert(0, f"tried {step.repair}")
        for name, result in step.results_since.items():
            said.insert(0, f"{name}={result or 'unknown'}")
    begin = f"{len(said)} known: " if len(said) > 3 else "Known: "
    return f"{begin}{', '.join(said)}" if said else ""


def known_lines(case: Case) -> list[str]:
    """What is known and what was judged, for whoever takes a case up."""
    known = known_of(case)
    return [
        *(wrapped(known) if known else ()),
        *(wrapped(judged_words(case.judged)) if case.judged else ()),
    ]


class _Writer:
    """Puts one consultation into blocks of lines."""

    def __init__(
        self, view: View, width: int, bold: bool, terse: _Terse, commands: bool = True
    ) -> None:
        self.view, self.model = view, view.model
        self.width, self.bold, self.terse = width, bold, terse
        self.commands = commands
        self.lists: dict[str, int] = {}
        """Lines of results by finding, where they could be fewer."""
        self._said: set[str] = set()

    # Small pieces

    def _lines(self, text: str, first: str = "", hang: int = 0, role: str = "") -> Line:
        lines = wrapped(text, hang, first, self.width)
        return Line(tuple(line.replace("\N{NO-BREAK SPACE}", " ") for line in lines), role)

    def _one(self, text: str, role: str = "") -> Line:
        """One line, cut where it is too long: never for a caution."""
        return Line((shortened(harmless(text), self.width),), role)

    def _head(self, text: str) -> Line:
        made = self._lines(text, role="step")
        if not self.bold:
            return made
        return Line(tuple(f"\x1b[1m{line}\x1b[0m" for line in made.lines), made.role)

    def caution(self, *texts: str) -> list[Line]:
        """What is to be minded at one point of the way, each text once on a page."""
        new = self._new(*texts)
        return [self._lines(f"Caution: {' '.join(new)}", "  ", 4, "caution")] if new else []

    def _new(self, *texts: str) -> list[str]:
        """Those that were not said yet; now they are."""
        new = dict.fromkeys(t.strip() for t in texts if t.strip() not in self._said)
        new.pop("", None)
        self._said.update(new)
        return list(new)

    # The page

    def page(self) -> list[Line]:
        step = self.view.told.next_step
        if step is None:
            made = [
                self._head("NEXT  No check is worth its cost any more: decide on what is known")
            ]
        elif step.kind == "check":
            made = self._checks()
        else:
            made = self._repair()
        made[1:1] = self._suggestions()
        return [*made, *self._typing(), *self._causes(), *self._quote(), *self._known(),
                *self._unasked()]  # fmt: skip

    def _checks(self) -> list[Line]:
        names = self.view.told.round
        checks = [self.model.checks_by_name[name] for name in names]
        route = self.view.told.way
        spent = route.minutes + sum(check.minutes for check in checks)
        first = self.view.told.first_look
        made = [] if first is None else self.caution(first.say)
        made += self._way(route, checks[0].name, checks[0].place(self.view.told.stage))
        if len(checks) == 1:
            title = f"NEXT  {checks[0].title}, {minutes(spent)}"
            made = [self._head(title), *made, *self._answers(checks[0], "")]
        else:
            made = [self._head(f"NEXT  {len(checks)} checks together, {minutes(spent)}"), *made]
            for check in checks:
                made += self._answers(check, check.title)
        return [*made, *self._branches(), *self._why()]

    def _answers(self, check: Check, title: str) -> list[Line]:
        """What is looked at, its results by number, and its caution before them."""
        made = self.caution(check.caution)
        single = len(check.observes) == 1
        asked = answers_of(self.model, check, self.view.still_open(check))
        if self.terse.joined and title and len(asked) > 1:
            names = ", ".join(name for name, _ in asked)
            return [*made, self._lines(f"{title} ({names}): ..", "  ", 4, "step")]
        for place, (name, _) in enumerate(asked):
            begin = name
            if title and (single or place == 0):
                begin = f"{title} ({name})" if single else f"{title} - {name}"
            made.append(self._results(begin, self.model.by_name[name], check.name))
        return made

    def _results(self, begin: str, variable: Variable, check: str) -> Line:
        """The results of a finding by number; where there is no room for all, the likeliest, and
        where the others are."""
        line = self._lines(f"{begin}: {results_by_number(variable)}", "  ", 4, "step")
        kept = self.terse.kept.get(variable.name, len(line.lines))
        if variable.reading is not None or len(line.lines) == 1:
            return line
        if kept < len(line.lines):
            said = _numbered(variable)
            # On the tightest page one line says for all of them how to see the rest.
            more = ".." if self.terse.tight else unbroken(f".. all {len(said)}: {self._how(check)}")
            line = self._lines(f"{begin}: {more}", "  ", 4, "step")
            shown: set[int] = set()
            for number in self._likeliest(variable, check):
                numbers = sorted({*shown, number})
                text = "  ".join([*(said[one] for one in numbers), more])
                longer = self._lines(f"{begin}: {text}", "  ", 4, "step")
                if len(longer.lines) > kept:
                    break
                line, shown = longer, {*numbers}
        self.lists[variable.name] = len(line.lines)
        return line

    def _likeliest(self, variable: Variable, check: str) -> list[int]:
        """Places of its results, the likeliest first."""
        chances = dict.fromkeys(variable.states, 0.0)
        for one in self.view.told.most_telling:
            if one.check == check:
                for label, chance in one.outcomes.items():
                    for name, state in self.view.results_of(self.view.check(one), label):
                        if name == variable.name:
                            chances[state] += chance
        order = sorted(variable.states, key=lambda state: -chances[state])
        return [variable.states.index(state) for state in order]

    def _how(self, name: str) -> str:
        """The command that gives the steps of a check."""
        number = self.view.ticket
        of = f"-m {self.model.name}" if number is None else f"{number}"
        return f"faultfinder how {of} {name}".rstrip()

    def _way(self, route: Route, but: str, stage: str, always: bool = False) -> list[Line]:
        """The moves, the looks that can end the work, and the cautions, in the order met."""
        made: list[Line] = []
        first = self.view.safety_first(route, but, always)
        looked: set[str] = set()

        def looks(at: str) -> list[str]:
            said = [
                f"{check.title} ({check.name}) first: if {' or '.join(rule.results)}, stop."
                for check, rule in first
                if check.stage == at and check.name not in looked
            ]
            looked.update(check.name for check, _ in first if check.stage == at)
            return said

        stages = self.model.stages_by_name
        if not route.moves:
            return self.caution(stages[stage].caution, *looks(stage))
        made += self.caution(*looks(route.moves[0].start))
        for move in route.moves:
            said = f"first {stages[move.end].title} ({minutes(move.minutes)})"
            cautions = move.caution, stages[move.end].caution, *looks(move.end)
            new = self._new(*cautions) if self.terse.folded else ()
            if new:
                made.append(self._lines(f"{said}. Caution: {' '.join(new)}", "  ", 4, "caution"))
                continue
            made.append(self._lines(said, "  ", 4, "step"))
            made += self.caution(*cautions)
        return made

    def _why(self) -> list[Line]:
        advice, best = self.view.advice, self.view.told.next
        if advice is None or best is None or advice.saves < SAYS:
            return []
        currency = self.view.shop.currency
        said = f"Why: saves {money(max(advice.saves, 0.0), currency)} of the job's"
        said += f" {money(advice.cost_repairing, currency)} expected"
        return [self._lines(f"{said}.", "  ", 4, "why")]

    def _branches(self) -> list[Line]:
        """Where the results of the round would lead."""
        told = zip(BRANCH_ROLES, self.view.told.branches, strict=False)
        return [
            self._lines(branch_words(self.model, branch), "  ", 4, role) for role, branch in told
        ]

    def _repair(self) -> list[Line]:
        view, advice = self.view, self.view.advice
        assert advice is not None
        currency = view.shop.currency
        if not advice.name:
            return [
                self._head("NEXT  Hand over unrepaired"),
                *self._before(),
                self._lines(hand_over_words(view), "  ", 2, "step"),
            ]
        repair = self.model.repairs_by_name[advice.name]
        spent = view.repair_route.minutes + repair.minutes
        if view.told.made_already:
            return [
                self._head(f"NEXT  {made_words(self.model, view.told.made_already)}"),
                *self._before(),
                self._lines(f"Write it down as the repair: {repair.name}.", "  ", 4, "step"),
            ]
        made = [self._head(f"NEXT  {repair_verb(repair)}: {repair.title}, {minutes(spent)}")]
        made += self._before()
        made += self._way(view.repair_route, "", repair.stage, always=True)
        made += self.caution(repair.caution)
        if repair.part.high > 0.0:
            said = price_words(self.model, repair, currency)
            made.append(self._lines(said, "  ", 4, "step"))
        said = f"Why: the whole job then costs {money(advice.cost, currency)} on average"
        if advice.checks:
            said += f"; with the best check first {money(advice.checks[0].expected_cost, currency)}"
        return [*made, self._lines(f"{said}.", "  ", 4, "why")]

    def _suggestions(self) -> list[Line]:
        """What leads of what was told and is likely; of the next one, how that begins."""
        made = []
        for place, one in enumerate(self.view.told.suggestions[:2]):
            begins = opening(one.say) if place else one.say
            if self._new(begins):
                said = f"{self._after(one)}: {begins}"
                made.append(self._lines(said, "  ", 4, "clue" if place else "suggestion"))
        return made

    def _after(self, one: Suggested) -> str:
        if one.causes:
            few = len(one.causes) <= FEW
            names = " or ".join(one.causes) if few else one.name
            return f"If {names.replace('_', ' ')}, {percent(one.chance)}"
        said = (f'"{self._seen(name)}"'.replace("_", " ") for name in one.findings)
        return f"After {' and '.join(said)}"

    def _seen(self, name: str) -> str:
        """A result as it is said: "yes" alone says nothing of what was seen."""
        result = self.view.told.case.latest[name] or ""
        briefly = (check.briefly.get(name, {}) for check in self.model.checks)
        said = f"{name} {result}" if result in ("yes", "no") else result
        return next((brief[result] for brief in briefly if result in brief), said)

    def _before(self) -> list[Line]:
        """The round before a repair: what may still speak against it."""
        checks = [self.model.checks_by_name[name] for name in self.view.told.round]
        if not checks:
            return []
        took = minutes(sum(check.minutes for check in checks))
        if self.terse.folded:
            names = "; ".join(f"{check.title} ({check.name})" for check in checks)
            made = self.caution(*(check.caution for check in checks))
            return [*made, self._lines(f"Before it, {took}: {names}", "  ", 4, "step")]
        made = [self._lines(f"Before it, {took}:", "  ", 2, "step")]
        for check in checks:
            made += self._answers(check, check.title)
        return made

    def _typing(self) -> list[Line]:
        """The commands that go on from here."""
        view, step = self.view, self.view.told.next_step
        number = view.ticket
        if step is None or not self.commands:
            return []
        made: list[Line] = []
        asked = [
            name
            for check in view.told.round
            for name in view.still_open(self.model.checks_by_name[check])
        ]
        if asked and (step.kind == "check" or not self.terse.folded):
            tight = self.terse.tight
            option = "" if number is not None else "--now " if view.tried else "--saw "
            names = ["NAME"] if tight else asked
            said = " ".join(f"{option}{name}=.." for name in names)
            text = f"Add: {said}" if number is None else f"Type: faultfinder found {number} {said}"
            if step.kind == "check":
                how = "NAME" if tight else view.told.round[0] if number is None else ""
                steps = "All results" if tight else "Steps"
                text += f"   {unbroken(f'{steps}: {self._how(how)}')}"
            made.append(self._lines(text, "  ", 4))
        if step.kind == "check":
            return made
        if not step.name:
            if number is not None:
                text = f"Type: faultfinder close {number} --outcome uneconomic"
                made.append(self._lines(text, "  ", 4))
            return made
        if number is None:
            return [*made, self._lines(f"Picture not back: --tried {step.name}", "  ", 4)]
        back, steps = f"Picture back: faultfinder repaired {number} {step.name}", self._how("")
        if self.terse.folded:
            made.append(self._lines(unbroken(f"{back} (not back: tried)"), "  ", 4))
            return [*made, self._lines(f"Steps: {steps}", "  ", 4, "why")]
        ways = [back, f"Not back: faultfinder tried {number} {step.name}", f"Steps: {steps}"]
        return [*made, self._lines("   ".join(map(unbroken, ways)), "  ", 4)]

    def _causes(self) -> list[Line]:
        told = self.view.told
        made = [Line(("",), "unasked")]
        leading = list(told.causes.items())[:CAUSES]
        figures = [
            f"{percent(chance):>5}{change(told.before[name], chance) if told.before else '':>5}  "
            for name, chance in leading
        ]
        if self.terse.brief and leading:
            # All three by their names rather than one by its title.
            rest = [f"{percent(chance)} {name}" for name, chance in leading[1:]]
            said = ", ".join([leading[0][0], *rest]).replace("_", " ")
            return [*made, self._one(f"{figures[0]}{said}")]
        for role, figure, (name, _) in zip(("", "second", "third"), figures, leading, strict=False):
            made.append(self._one(f"{figure}{self.view.cause(name)}", role))
        return made

    def _quote(self) -> list[Line]:
        quote, currency = self.view.quote, self.view.shop.currency
        if quote is None:
            return []
        first = f"Quote: looking only {quote.looking:.0f} {currency}; "
        if quote.repaired is None:
            first += "hardly ever repaired"
        else:
            first += f"repaired likely {quote.repaired:.0f}, "
            first += f"dear end {quote.repaired_high:.0f} {currency}"
        ends = f"{quote.low:.0f} to {quote.high:.0f} {currency}"
        second = f"Any end {ends}, {percent(quote.given_up)} unrepaired"
        if quote.dear_for_nothing >= 0.005:
            second += f"; dear parts for nothing: {quote.dear_for_nothing * 100:.0f} in 100"
        return [self._one(f"{first}."), self._one(f"{second}.")]

    def _known(self) -> list[Line]:
        told = self.view.told
        case = told.case
        made: list[Line] = []
        for warning in told.warnings[:1]:
            made.append(self._lines(warning, role="known"))
        if case.judged:
            made.append(self._lines(judged_words(case.judged), role="known"))
        if not told.stop and self.view.too_large:
            made.append(self._lines(self.view.too_large, role="known"))
        known = known_of(case)
        if known:
            made.append(self._one(known, "known"))
        return made

    def _unasked(self) -> list[Line]:
        """Questions and free looks of the counter that are still open, the most telling first."""
        told = self.view.told
        if self.view.tried:
            return []
        shown = set(told.round)
        names = [
            self.model.checks_by_name[one.check].title
            for one in told.most_telling
            if self.model.checks_by_name[one.check].intake
            and not one.route.moves
            and one.check not in shown
        ]
        if not names:
            return []
        return [self._one(f"Unasked: {', '.join(names)}", "unasked")]

    # After a stop

    def stop(self) -> list[Line]:
        """What ended it, what must happen, and what lifts it."""
        told, number = self.view.told, self.view.ticket
        made = [self._head("STOP"), self._lines(told.stop_said, role="caution")]
        for rule in self.model.stop_rules:
            result = told.case.everything.get(rule.finding)
            if result not in rule.results:
                continue
            variable = self.model.by_name[rule.finding]
            other = [state for state in variable.states if state not in rule.results]
            made.append(Line(("",)))
            made.append(self._lines(f"It ended with {rule.finding}={result} ({variable.title})."))
            if number is None:
                lift = f"say --saw {rule.finding}=RESULT as it is then"
            else:
                lift = f"faultfinder found {number} {rule.finding}=RESULT"
            made.append(
                self._lines(
                    f"When that has been done and the machine is safe, the diagnosis goes on: "
                    f"{lift} ({', '.join(other)} or unknown)."
                )
            )
            entry = self.view.entries.get(rule.finding)
            if number is not None and entry is not None:
                slip = f"A slip of the hand? Take it back: faultfinder takeback {number} {entry}"
                made.append(self._lines(slip))
        made += [Line(("",)), *self._known()]
        return made
