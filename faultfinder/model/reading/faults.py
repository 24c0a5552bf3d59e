"""Collecting what is wrong in a model file, so that all of it is told at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice

from faultfinder.errors import Problem

PROBLEM_LIMIT = 300
"""Problems after which the reading stops: such a file is not a model gone wrong."""

SENTENCE_LENGTH = 1000
"""Characters after which a sentence is cut: a name in it can be as long as the file."""

# Labels a sentence may begin with; keys of the file keep their small letter.
_OPENINGS = {"the", "history", "cause", "condition", "finding", "check"}
_OPENINGS |= {"stage", "move", "stop", "proof", "repair", "row"}


class Line(int):
    """A line of an included file; in the model file itself a line is a plain number."""

    file: str

    def __new__(cls, number: int, file: str) -> Line:
        line = super().__new__(cls, number)
        line.file = file
        return line

    def __reduce__(self) -> tuple[type[Line], tuple[int, str]]:
        return Line, (int(self), self.file)


class TooManyProblems(Exception):
    """Raised inside the reader when PROBLEM_LIMIT is reached."""


class Faults:
    """The problems found so far in a model; the same one is kept once.

    `file` is the model file; a `Line` brings the name of its own file along.
    """

    def __init__(self, file: str, problems: Iterable[Problem] = ()) -> None:
        self.file = file
        self._problems: dict[Problem, None] = dict.fromkeys(islice(problems, PROBLEM_LIMIT))
        self.told = 0

    def add(self, line: int, found: str, right: str) -> None:
        """Note one problem; `told` counts every call, for readers that ask if all went well.

        Raises TooManyProblems once PROBLEM_LIMIT is reached.
        """
        if found.split(" ", 1)[0] in _OPENINGS:
            found = found[0].upper() + found[1:]
        problem = Problem(self.file_of(line), int(line), printable(found), printable(right))
        self._problems[problem] = None
        self.told += 1
        if len(self._problems) >= PROBLEM_LIMIT:
            last = Problem(
                problem.file,
                max(p.line for p in self._problems if p.file == problem.file),
                f"The reading stopped after {PROBLEM_LIMIT} problems.",
                "Mend these first; there may be more.",
            )
            self._problems[last] = None
            raise TooManyProblems

    def file_of(self, line: int) -> str:
        """The name of the file that a line stands in."""
        return line.file if isinstance(line, Line) else self.file

    def place(self, line: int, seen_from: int) -> str:
        """A line as told on another one: "line 12", with its file where that is another."""
        file = self.file_of(line)
        return f"line {line}" if file == self.file_of(seen_from) else f"line {line} of {file}"

    def extend(self, problems: Iterable[Problem]) -> None:
        """Note problems that were told elsewhere."""
        for problem in problems:
            self._problems[problem] = None
            self.told += 1

    @property
    def problems(self) -> tuple[Problem, ...]:
        return tuple(self._problems)


def printable(sentence: str) -> str:
    """`sentence` without what a terminal would obey, and not endless."""
    short = sentence if len(sentence) <= SENTENCE_LENGTH else sentence[:SENTENCE_LENGTH] + "..."
    return "".join(c if c.isprintable() else "?" for c in short)


def shown(text: str) -> str:
    """`text` in double quotes, short and printable."""
    short = text if len(text) <= 60 else text[:57] + "..."
    return f'"{printable(short)}"'


def listed(words: Sequence[str], joint: str = "and") -> str:
    """Quoted words as a phrase: "a", "b" and "c"."""
    quoted = [shown(word) for word in words]
    if len(quoted) > 12:
        quoted = [*quoted[:12], f"{len(words) - 12} more"]
    return f" {joint} ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def figure(value: float) -> str:
    """A number as one writes it: two decimals, more only where they are needed."""
    return f"{value:.2f}" if abs(round(value, 2) - value) < 1e-9 else f"{value:.7g}"
