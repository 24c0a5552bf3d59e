"""What people type in their own words, looked up among the parts of a model."""

from __future__ import annotations

from dataclasses import dataclass

from faultfinder.model.answers import fold
from faultfinder.model.parts import FaultModel, Kind

SHORTEST = 3
"""Letters of a word that is looked up by itself."""


@dataclass(frozen=True)
class Hit:
    """A part of a model: `kind` is "finding", "check", "cause" or "repair"."""

    kind: str
    name: str
    title: str


def search(model: FaultModel, typed: str, kinds: tuple[str, ...] = ()) -> list[Hit]:
    """The parts that the words speak of, best first: a rare word counts more than a common one,
    one of a name or title twice; each may be a beginning. Of two alike findings come
    first. `kinds` keeps to those.

    Looked in are names, titles, questions, results and the ways to say one.
    """
    words = [word for word in fold(typed).split() if len(word) >= SHORTEST]
    parts = [one for one in _parts(model) if not kinds or one[0].kind in kinds]
    scores = [0.0] * len(parts)
    for word in words:
        held = [2.0 * _holds(short, word) + _holds(long, word) for _, short, long in parts]
        # A word that few parts hold says more of what is meant.
        of = sum(one > 0.0 for one in held)
        scores = [
            score + (one / of if of else 0.0) for score, one in zip(scores, held, strict=True)
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
    return any(word.startswith(begun) for word in words)


def _parts(model: FaultModel) -> list[tuple[Hit, list[str], list[str]]]:
    made = []
    for variable in model.variables:
        if variable.kind in (Kind.FINDING, Kind.HISTORY):
            kind = "finding"
        elif variable.kind is Kind.CAUSE:
            kind = "cause"
        else:
            continue
        spoken = [word for said in variable.words.values() for word in said]
        long = (variable.ask, variable.note, *variable.states, *spoken)
        made.append((Hit(kind, variable.name, variable.title), variable.title, long))
    for check in model.checks:
        made.append((Hit("check", check.name, check.title), check.title, check.how))
    for repair in model.repairs:
        made.append((Hit("repair", repair.name, repair.title), repair.title, repair.how))
    return [
        (hit, _words(hit.name, title), _words(*(long if hit.kind == "finding" else ())))
        for hit, title, long in made
    ]


def _words(*texts: str) -> list[str]:
    return [word.strip(".,;:?!()\"'") for word in fold(" ".join(texts)).split()]
