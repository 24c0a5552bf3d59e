"""Everything faultfinder refuses, as sentences for the person who can mend it.

The command line turns each of these into one message and an exit status in one
place (`faultfinder.cli`): 2 for misuse, 1 for a refused operation.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from faultfinder.frozen import frozen


class FaultfinderError(Exception):
    """Base of all refusals; `exit_status` is what the command line returns."""

    exit_status = 1


class MisuseError(FaultfinderError):
    """What was typed or passed in cannot be used; the message says what would be right."""

    exit_status = 2


@frozen
class Problem:
    """One thing wrong in a file: where, what was found, and what would be right."""

    file: str
    line: int
    found: str
    right: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.found} {self.right}".rstrip()


class ModelFileError(FaultfinderError):
    """A model file that cannot be used; `problems` lists all of them, in line order."""

    exit_status = 2

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(
            sorted(problems, key=lambda problem: (problem.file, problem.line))
        )
        super().__init__("\n".join(str(problem) for problem in self.problems))


class ImpossibleEvidence(FaultfinderError):
    """The findings contradict each other under the model.

    `contradiction` is a smallest set of (variable, result) pairs that together
    have probability zero; every smaller set is possible.
    """

    exit_status = 1

    def __init__(self, contradiction: Sequence[tuple[str, str]]) -> None:
        self.contradiction = tuple(contradiction)
        listed = ", ".join(f"{name}={result}" for name, result in self.contradiction)
        if not self.contradiction:
            said = "The model holds its own complaint to be impossible."
        elif len(self.contradiction) == 1:
            said = f"The model holds {listed} to be impossible."
        else:
            said = f"These findings contradict each other under the model: {listed}."
        super().__init__(f"{said} Look again at one of them, or take it back.")


class TargetTooLarge(FaultfinderError):
    """The exact gain for a target would need more joint states than the limit."""

    exit_status = 1

    def __init__(self, check: str, states: int, limit: int) -> None:
        self.check = check
        self.states = states
        self.limit = limit
        super().__init__(
            f"The exact gain of {check} needs {states:,} joint states of the target at once; "
            f"the limit is {limit:,}. Name a smaller target, or ask for the sum of "
            'single-cause gains (target="sum-of-single-causes").'
        )


NEAR_NAMES = 200
"""Names that one misspelt word is compared with at most."""

NEAR_LENGTH = 200
"""Characters above which a word is no misspelt name."""


def counted(number: int) -> str:
    """A count in a refusal; what is beyond reading is not written out.

    >>> counted(20_000_000), counted(2**5000)
    ('20,000,000', 'more than 10^15')
    """
    return f"{number:,}" if number < 10**15 else "more than 10^15"


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """Return the allowed word most like `word`, or None when none is close."""
    # Imported here: only a refusal pays for it.
    import difflib
    import heapq

    names = list(allowed)
    if len(word) > NEAR_LENGTH:
        return None
    if len(names) > NEAR_NAMES:
        # Comparing takes long; of very many names only those of like length are looked at.
        names = heapq.nsmallest(NEAR_NAMES, names, key=lambda name: abs(len(name) - len(word)))
    folded = {name.lower().replace("-", "_").replace(" ", "_"): name for name in names}
    key = word.lower().replace("-", "_").replace(" ", "_")
    close = difflib.get_close_matches(key, folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


SHORTEST = 3
"""Letters of a word that names are searched for."""

LISTED = 60
"""Names that a sentence lists at most: they fill no screen."""


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """Return 'Did you mean X?' or the list of what is allowed, as a sentence: names that begin with
    the word, hold it, or are like it."""
    names = list(allowed)
    key = word.strip().lower().replace("-", "_").replace(" ", "_")
    begun = [name for name in names if key and name.startswith(key)][:LISTED]
    if not begun and len(key) >= SHORTEST:
        begun = [name for name in names if key in name][:LISTED]
    if len(begun) > 1:
        return f"It could be {', '.join(begun[:-1])} or {begun[-1]}."
    close = begun[0] if begun else nearest(word, names)
    if close is not None:
        return f"Did you mean {close}?"
    if not names:
        return "Nothing is allowed here."
    shown = ", ".join(names[:LISTED])
    more = ""
    if len(names) > LISTED:
        more = f" and {len(names) - LISTED} more; type the first letters of one"
    return f"Known here: {shown}{more}."
