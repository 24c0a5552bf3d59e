"""The plain forms of a model looked at as a whole, and of the figures its advice hangs on."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.assess.isolation import CauseIsolation, Isolation
from faultfinder.assess.sensitivity import Hinge, Sensitivity, Turn
from faultfinder.assess.single_faults import Fault
from faultfinder.assess.testability import Assessment, Group, Neighbour
from faultfinder.model.parts import Basis, Check, FaultModel, Variable
from faultfinder.plain import (
    COUNT,
    FLAG,
    MINUTES,
    NUMBER,
    OR_NULL,
    PROBABILITIES,
    PROBABILITY,
    TEXT,
    WORD,
    WORDS,
    Form,
    Key,
)


class Assessed(NamedTuple):
    """A model, and how well its faults are told apart."""

    model: FaultModel
    found: Assessment


class Hanging(NamedTuple):
    """A model, and the figures its advice hangs on."""

    model: FaultModel
    found: Sensitivity


FAULT = Form[Fault](
    "One fault by itself",
    Key("cause", WORD, "the cause"),
    Key("state", WORD, "the state it is in"),
)

SHARED_FAULT = Form[tuple[Fault, float]](
    "One fault by itself",
    Key("cause", WORD, "the cause", lambda pair: pair[0].cause),
    Key("state", WORD, "the state it is in", lambda pair: pair[0].state),
    Key("share", PROBABILITY, "of machines with exactly one fault", lambda pair: pair[1]),
)

VARIABLE = Form[Variable](
    "A variable",
    Key("name", WORD, "its name"),
    Key("kind", WORD, "history, cause, condition, complaint or finding"),
    Key("title", TEXT, "in words"),
    Key("states", WORDS, "the normal one first"),
    Key("parents", WORDS, "what it depends on"),
)

CHECK = Form[tuple[Check, Assessment]](
    "A check",
    Key("check", WORD, "its name", lambda pair: pair[0].name),
    Key("title", TEXT, "in words", lambda pair: pair[0].title),
    Key("stage", WORD, "the teardown stage it needs", lambda pair: pair[0].stage),
    Key("minutes", MINUTES, "of the check itself", lambda pair: pair[0].minutes),
    Key("observes", WORDS, "findings or histories", lambda pair: pair[0].observes),
    Key(
        "speaks_on",
        "number from 0 to 1 for each cause",
        "total variation of its results, with that cause alone against none",
        lambda pair: pair[1].speaks.get(pair[0].name, {}),
    ),
)

DISTANCE = "total variation of the results, the check that tells them apart best"

GROUP = Form[Group](
    "Faults that no check tells apart",
    Key("faults", "list of objects", "the faults", form=FAULT),
    Key("nearest_check", WORD + OR_NULL, "it comes nearest", lambda g: g.check or None),
    Key("distance", PROBABILITY, DISTANCE),
    Key("question", WORD + OR_NULL, "the best at the counter", lambda g: g.question or None),
    Key("question_distance", PROBABILITY, "how far its answers differ", lambda g: g.asked),
)

PAIR = Form[Neighbour](
    "Two faults",
    Key("faults", "list of objects", "the two", lambda p: (p.fault, p.other), FAULT),
    Key("best_check", WORD + OR_NULL, "it tells them apart best", lambda p: p.check or None),
    Key("distance", PROBABILITY, DISTANCE),
)

ISOLATED = Form[CauseIsolation](
    "How well a cause is isolated",
    Key("cause", WORD, "the cause"),
    Key("share", PROBABILITY, "of machines with exactly one fault"),
    Key("isolated", PROBABILITY, "it leads when no check is worth it", lambda c: c.leads),
    Key("isolated_95", PROBABILITIES, "its 95 % interval", lambda c: (c.leads_low, c.leads_high)),
    Key(
        "among_first",
        "number from 0 to 1 for each count",
        "it is among them",
        lambda c: c.among,
    ),
    Key("minutes", MINUTES, "of checks and ways until then"),
    Key(
        "minutes_95",
        "list of numbers, minutes",
        "their 95 % interval",
        lambda c: (c.minutes_low, c.minutes_high),
    ),
)

ISOLATION = Form[Isolation](
    "How well causes are isolated",
    Key("exact", FLAG, "computed, not simulated", lambda i: i.tickets == 0),
    Key("tickets_per_cause", COUNT, "simulated machines; 0 when exact", lambda i: i.tickets),
    Key("seed", COUNT, "of the simulation"),
    Key("faults_at_once", COUNT, "most faults weighed on a machine", lambda i: i.at_once),
    Key("causes", "list of objects", "each cause alone on a machine", form=ISOLATED),
)

MODEL = Form[Assessed](
    "A model as a whole",
    Key("model", WORD, "its name", lambda m: m.model.name),
    Key("title", TEXT, "in words", lambda m: m.model.title),
    Key("variables", "list of objects", "all variables", lambda m: m.model.variables, VARIABLE),
    Key(
        "checks",
        "list of objects",
        "all checks",
        lambda m: [(check, m.found) for check in m.model.checks],
        CHECK,
    ),
    Key("tolerance", PROBABILITY, "nearer than this is alike", lambda m: m.found.tolerance),
    Key(
        "faults",
        "list of objects",
        "all single faults",
        lambda m: list(zip(m.found.faults, m.found.share, strict=True)),
        SHARED_FAULT,
    ),
    Key(
        "ambiguity_groups",
        "list of objects",
        "what no check tells apart",
        lambda m: m.found.groups,
        GROUP,
    ),
    Key(
        "ambiguity_groups_with_questions",
        "list of objects",
        "the same with questions at the counter counted as checks",
        lambda m: m.found.groups_asked,
        GROUP,
    ),
    Key(
        "isolated_fraction",
        "number from 0 to 1 for each count",
        "share of faults in a group of so many causes or fewer",
        lambda m: {most: m.found.isolated_fraction(most) for most in (1, 2, 3)},
    ),
    Key("pairs", "list of objects", "all pairs of faults", lambda m: m.found.pairs, PAIR),
    Key("unseen", "list of objects", "no check speaks on them", lambda m: m.found.unseen, FAULT),
    Key(
        "silent",
        "list of objects",
        "alone they do not bring the complaint, and are left out",
        lambda m: m.found.silent,
        FAULT,
    ),
    Key(
        "isolation",
        "object or null",
        "causes followed to the end of the checks",
        lambda m: m.found.isolation,
        ISOLATION,
    ),
)

BASIS = Form[Basis](
    "Where a figure comes from",
    Key("kind", WORD, "guess, count or source"),
    Key("text", TEXT, "in words"),
    Key("worth", NUMBER + OR_NULL, "tickets that it counts as"),
)

TURN = Form[Turn](
    "Where the next check changes",
    Key("odds_factor", NUMBER, "on the odds of the figure", lambda t: t.factor),
    Key("value", PROBABILITY, "what the figure is then"),
    Key("next", WORD + OR_NULL, "the check that is next then", lambda t: t.check or None),
)

HINGE = Form[Hinge](
    "A figure the next check hangs on",
    Key("variable", WORD, "whose figure it is", lambda h: h.figure.variable),
    Key("part", TEXT, "which part of its distribution", lambda h: h.figure.part),
    Key("where", TEXT, "which row or link", lambda h: h.figure.where),
    Key("state", WORD, "the state it is of", lambda h: h.figure.state),
    Key("value", PROBABILITY, "what it is", lambda h: h.figure.value),
    Key("basis", "object or null", "where it comes from", lambda h: h.figure.basis, BASIS),
    Key("margin", NUMBER, "how far it is from the turn: a factor on its odds"),
    Key("down", "object or null", "the turn below it", form=TURN),
    Key("up", "object or null", "the turn above it", form=TURN),
)

SENSITIVITY = Form[Hanging](
    "The figures the next check hangs on",
    Key("model", WORD, "its name", lambda h: h.model.name),
    Key("findings", "word for each finding", "what is known", lambda h: h.found.findings),
    Key("next", WORD + OR_NULL, "the next check as it is", lambda h: h.found.check or None),
    Key("figures_moved", COUNT, "all that were tried", lambda h: h.found.moved),
    Key("figures_that_change_it", COUNT, "of these", lambda h: h.found.hanging),
    Key("farthest_odds_factor", NUMBER, "how far each was moved", lambda h: h.found.farthest),
    Key("hinges", "list of objects", "the smallest margin first", lambda h: h.found.hinges, HINGE),
)
