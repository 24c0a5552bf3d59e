"""Twelve real machines, three a family, typed at a terminal of 80 x 24 from the counter to the
closed ticket: keys, screens, lines that scrolled away, facts that could not be given.

    PYTHONPATH=$PWD python -m tests.benchmarks.bench_talk [CASE ...]

The first three cases of each family in the casebook are taken, or those named. What a case does
not tell is answered by "could not tell"; what it tells and nobody asks for is volunteered by its
name when the bench begins. The repair typed is the one that most surely mends what was at fault.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from faultfinder.assess.casebook.books import (
    RealCase,
    book_file,
    read_cases,
    read_mapping,
    read_vocabulary,
)
from faultfinder.assess.casebook.judging import joined
from faultfinder.assess.casebook.wording import Wording
from faultfinder.inference.loading import load_model
from faultfinder.model.locate import available_models
from faultfinder.model.parts import FaultModel, Repair, Variable
from faultfinder.tickets.opening import open_store
from tests.typist import Typist

EACH = 3
MOST = 80
"""Questions after which a case is given up."""


@dataclass
class Tally:
    """What typing one case took. `answers` are the keys of each answer to a question asked."""

    case: RealCase
    answers: list[int] = field(default_factory=list)
    volunteered: int = 0
    volunteered_keys: int = 0
    keys: int = 0
    screens: int = 0
    scrolled: int = 0
    facts: int = 0
    not_given: list[str] = field(default_factory=list)
    end: str = ""


def play(case: RealCase, wording: Wording, name: str) -> Tally:
    """Type a case from the counter to its close."""
    tally, model = Tally(case), wording.compiled.model
    facts, _ = wording.results(case.told("all"))
    first, _ = wording.results(case.told("intake"))
    faulty = joined(case.at_fault, wording.causes)
    repair = max(
        model.repairs,
        key=lambda one: (
            max((max(s.values()) for c, s in one.mends.items() if c in faulty), default=0.0),
            -one.part.likely,
            -one.minutes,
        ),
    )
    with tempfile.TemporaryDirectory() as folder:
        place = str(Path(folder, "tickets.db"))
        typist = Typist(Path(folder), {"FAULTFINDER_DB": place, "FAULTFINDER_WHO": "typist"})
        typist.start("intake")
        typist.press(str(list(available_models()).index(name) + 1))
        for keys in ("\r", "\r", "\r", "1", "1", "\r", "\r", "\r", "\r"):
            typist.press(keys)
        given: dict[str, str] = {}
        _questions(typist, tally, model, first, given, {})
        typist.start("ask", "1")
        rest = {one: said for one, said in facts.items() if given.get(one) != said}
        _questions(typist, tally, model, facts, given, rest)
        mended = False
        for _ in range(MOST):
            if typist.ended:
                break
            if typist.lines_with("Enter: go on"):
                typist.press("\r")
            elif ("1 Made: " in typist.text or "1 Handed" in typist.text) and not mended:
                if f": {repair.title}, " not in typist.text:
                    typist.press(f"{repair.name}\r")
                mended = True
                typist.press("1")
            elif "What was it?" in typist.text:
                typist.press(_choice(typist, faulty, repair))
            else:
                typist.press("1")
        tally.keys, tally.screens = typist.keys, typist.screens
        tally.scrolled = typist.scrolled
        ticket = open_store(place, False).ticket(1)
        tally.end = ", ".join([ticket.outcome or "open", *ticket.causes])
        tally.facts = len(facts)
        tally.not_given = [one for one, said in facts.items() if ticket.findings.get(one) != said]
    return tally


def _questions(
    typist: Typist,
    tally: Tally,
    model: FaultModel,
    facts: dict[str, str],
    given: dict[str, str],
    rest: dict[str, str],
) -> None:
    """Answer until the repair is due or the command ends; `rest` is volunteered first."""
    for _ in range(MOST):
        if typist.ended or "1 Made: " in typist.text or "1 Handed back" in typist.text:
            return
        if typist.lines_with("Enter: go on"):
            typist.press("\r")
            continue
        if "Go on at the bench" in typist.text:
            typist.press("\r")
            continue
        if rest and _asked(typist, model) is not None:
            one, said = next(iter(rest.items()))
            del rest[one]
            before = typist.keys
            typist.press(f"{one}\r")
            variable = _asked(typist, model)
            if variable is not None and variable.name == one:
                typist.press(_keys(variable, said))
            elif "Seen all the same?" in typist.text:
                typist.press(f"{one}={said}\r")
            else:
                continue
            given[one] = said
            tally.volunteered += 1
            tally.volunteered_keys += typist.keys - before
            continue
        variable = _asked(typist, model)
        if variable is None:
            raise AssertionError("Nobody knows what is asked:\n" + "\n".join(typist.lines))
        said = facts.get(variable.name, "")
        rest.pop(variable.name, None)
        keys = _keys(variable, said) if said else "?"
        typist.press(keys)
        given[variable.name] = said
        tally.answers.append(len(keys))


def _keys(variable: Variable, result: str) -> str:
    """The number of a result; a reading by its word."""
    if variable.reading is not None:
        return f"{result}\r"
    number = variable.states.index(result) + 1
    return f"{number}\r" if 10 * number <= len(variable.states) else str(number)


def _asked(typist: Typist, model: FaultModel) -> Variable | None:
    """The finding whose question stands on the screen."""
    found = [
        variable
        for variable in model.variables
        if variable.ask and " ".join(variable.ask.split()) in typist.text
    ]
    return max(found, key=lambda one: typist.text.rindex(" ".join(one.ask.split())), default=None)


def _choice(typist: Typist, faulty: Mapping[str, tuple[str, ...]], repair: Repair) -> str:
    """The keys that name what was at fault: its number, or its name where it is not listed; the
    first where the repair mends nothing of it."""
    for line in typist.lines:
        number = line.strip().split(" ")[0]
        if number.isdecimal() and any(f"({cause})" in line for cause in faulty):
            return number
    mended = [cause for cause in faulty if cause in repair.mends]
    return f"{mended[0]}\r" if mended else "1"


def main() -> None:
    """Print the table."""
    # The tests go by earlier models; this is about those that come along.
    os.environ["FAULTFINDER_MODELS"] = str(Path(__file__).parents[2] / "models")
    book, named = book_file("cases.yaml"), sys.argv[1:]
    words = read_vocabulary(book_file("vocabulary.yaml"))
    mapped = read_mapping(book_file("mapping.yaml"))
    chosen: dict[str, list[RealCase]] = {}
    for case in read_cases(book):
        name = mapped.model_of(case.build)
        if name not in available_models():
            continue
        cases = chosen.setdefault(name, [])
        if case.id in named if named else len(cases) < EACH:
            cases.append(case)
    rows = []
    heads = ("family", "case", "facts", "asked", "most keys an answer", "volunteered (keys)",
             "keys", "screens", "scrolled", "not given", "end")  # fmt: skip
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    for name, cases in chosen.items():
        wording = Wording(load_model(name), words, mapped)
        for case in cases:
            row = play(case, wording, name)
            rows.append(row)
            cells = (name, case.id, row.facts, len(row.answers), max(row.answers, default=0),
                     f"{row.volunteered} ({row.volunteered_keys})", row.keys, row.screens,
                     row.scrolled, ", ".join(row.not_given) or "-", row.end)  # fmt: skip
            print(f"| {' | '.join(map(str, cells))} |", flush=True)
    answers = [keys for row in rows for keys in row.answers]
    print(
        f"\n{len(rows)} cases: {len(answers)} answers of {statistics.mean(answers):.2f} keys on "
        f"average, {sum(keys > 2 for keys in answers)} of more than two; "
        f"{sum(row.scrolled for row in rows)} screens scrolled; "
        f"{sum(len(row.not_given) for row in rows)} facts not given."
    )


if __name__ == "__main__":
    main()
