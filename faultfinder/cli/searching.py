"""What people type in their own words, looked up among the parts of a model."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.model.answers import fold
from faultfinder.model.parts import FaultModel, Kind

SHORTEST, ENDING = 3, 5
"""Letters of a word that is looked up by itself, and of one that a longer one may end with."""

SPOKEN = 3.0
"""What a spoken result of several words counts, where a rare word of a title counts 2."""


@dataclass(frozen=True)
class Hit:
    """A part of a model: `kind` is "finding", "check", "cause" or "repair"."""

    kind: str
    name: str
    title: str


def search(model: FaultModel, typed: str, kinds: tuple[str, ...] = ()) -> list[Hit]:
    """The parts that the words speak of, best first: a rare word counts more than a common one,
    one of a name or title twice; each may be a beginning or a plural, and one that nothing holds
    may end with a word ("backlight" with "light"). A result as it is spoken in two words or more
    counts most. Of two alike findings come first. `kinds` keeps to those.

    Looked in are names, titles, questions, results and the ways to say one.
    """
    text = f" {' '.join(_words(typed))} "
    words = [word for word in text.split() if len(word) >= SHORTEST]
    parts = [one for one in _parts(model) if not kinds or one[0].kind in kinds]
    scores = [0.0] * len(parts)
    for word in words:
        for holds in (_holds, _ends):
            held = [2.0 * holds(short, word) + holds(long, word) for _, short, long, _ in parts]
            if any(held):
                break
        # A word that few parts hold says more of what is meant.
        of = sum(one > 0.0 for one in held)
        scores = [
            score + (one / of if of else 0.0) for score, one in zip(scores, held, strict=True)
        ]
    # What is typed as a result is spoken means that finding.
    scores = [
        score + SPOKEN * any(f" {phrase} " in text for phrase in phrases)
        for score, (_, _, _, phrases) in zip(scores, parts, strict=True)
    ]
    order = sorted(
        (place for place, score in enumerate(scores) if score),
        key=lambda place: (-scores[place], _ORDER.index(parts[place][0].kind), place),
    )
    return [parts[place][0] for place in order]


def offered(model: FaultModel, typed: str) -> list[Hit]:
    """The same without checks of one finding, which is offered itself."""
    alone = {check.name for check in model.checks if len(check.observes) == 1}
    return [hit for hit in search(model, typed) if hit.kind != "check" or hit.name not in alone]


_ORDER = ("finding", "check", "cause", "repair")


def _holds(words: list[str], begun: str) -> bool:
    one = begun.removesuffix("s") if len(begun) >= ENDING else begun
    return any(word.startswith(one) for word in words)


def _ends(words: list[str], typed: str) -> bool:
    return any(len(word) >= ENDING and typed.endswith(word) for word in words)


def _parts(model: FaultModel) -> list[tuple[Hit, list[str], list[str], list[str]]]:
    made: list[tuple[Hit, str, tuple[str, ...], list[str]]] = []
    for variable in model.variables:
        if variable.kind in (Kind.FINDING, Kind.HISTORY):
            kind = "finding"
        elif variable.kind is Kind.CAUSE:
            kind = "cause"
        else:
            continue
        spoken = [word for said in variable.words.values() for word in said]
        long: tuple[str, ...] = (variable.ask, variable.note, *variable.states, *spoken)
        several = [word for word in spoken if " " in word]
        if kind == "cause":
            long, several = (), []
        made.append((Hit(kind, variable.name, variable.title), variable.title, long, several))
    for check in model.checks:
        made.append((Hit("check", check.name, check.title), check.title, (), []))
    for repair in model.repairs:
        made.append((Hit("repair", repair.name, repair.title), repair.title, (), []))
    return [
        (
            hit,
            _words(hit.name, title),
            _words(*long),
            [" ".join(_words(one)) for one in results],
        )
        for hit, title, long, results in made
    ]


def _words(*texts: str) -> list[str]:
    return [word.strip(".,;:?!()\"'") for word in fold(" ".join(texts)).split()]
