"""The plain forms of a model looked at as a whole, and of the figures its advice hangs on."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.assess.isolation import CauseIsolation, Isolation
from faultfinder.assess.sensitivity import Hinge, Sensitivity, Turn
from faultfinder.assess.single_faults import Fault
from faultfinder.assess.testability import Assessment, Group, Neighbour
from faultfinder.model.parts import Basis, Check, FaultModel, Variable
from faultfinder.plain import Form, Key, within


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
    Key("cause", "word", "the cause"),
    Key("state", "word", "the state it is in"),
)

SHARED_FAULT = Form[tuple[Fault, float]](
    "One fault by itself",
    *within(lambda pair: pair[0], *FAULT.keys),
    Key("share", "probability", "of machines with exactly one fault", lambda pair: pair[1]),
)

VARIABLE = Form[Variable](
    "A variable",
    Key("name", "word", "its name"),
    Key("kind", "word", "history, cause, condition, complaint or finding"),
    Key("title", "text", "in words"),
    Key("states", "list of words", "the normal one first"),
    Key("parents", "list of words", "what it depends on"),
)

CHECK = Form[tuple[Check, Assessment]](
    "A check",
    *within(
        lambda pair: pair[0],
        Key("check", "word", "its name", lambda check: check.name),
        Key("title", "text", "in words"),
        Key("stage", "word", "the teardown stage it needs"),
        Key("minutes", "minutes", "of the check itself"),
        Key("observes", "list of words", "findings or histories"),
    ),
    Key(
        "speaks_on",
        "probability for each cause",
        "total variation of its results, with that cause alone against none",
        lambda pair: pair[1].speaks.get(pair[0].name, {}),
    ),
)

DISTANCE = "total variation of the results, the check that tells them apart best"

GROUP = Form[Group](
    "Faults that no check tells apart",
    Key("faults", "objects", "the faults", form=FAULT),
    Key("nearest_check", "word or null", "it comes nearest", lambda g: g.check or None),
    Key("distance", "probability", DISTANCE),
    Key("question", "word or null", "the best at the counter", lambda g: g.question or None),
    Key("question_distance", "probability", "how far its answers differ", lambda g: g.asked),
)

PAIR = Form[Neighbour](
    "Two faults",
    Key("faults", "objects", "the two", lambda p: (p.fault, p.other), FAULT),
    Key("best_check", "word or null", "it tells them apart best", lambda p: p.check or None),
    Key("distance", "probability", DISTANCE),
)

ISOLATED = Form[CauseIsolation](
    "How well a cause is isolated",
    Key("cause", "word", "the cause"),
    Key("share", "probability", "of machines with exactly one fault"),
    Key("isolated", "probability", "it leads when no check is worth it", lambda c: c.leads),
    Key(
        "isolated_95",
        "list of probabilities",
        "its 95 % interval",
        lambda c: (c.leads_low, c.leads_high),
    ),
    Key("among_first", "probability for each count", "it is among them", lambda c: c.among),
    Key("minutes", "minutes", "of checks and ways until then"),
    Key(
        "minutes_95",
        "list of minutes",
        "their 95 % interval",
        lambda c: (c.minutes_low, c.minutes_high),
    ),
)

ISOLATION = Form[Isolation](
    "How well causes are isolated",
    Key("exact", "true or false", "computed, not simulated", lambda i: i.tickets == 0),
    Key("tickets_per_cause", "count", "simulated machines; 0 when exact", lambda i: i.tickets),
    Key("seed", "count", "of the simulation"),
    Key("faults_at_once", "count", "most faults weighed on a machine", lambda i: i.at_once),
    Key("causes", "objects", "each cause alone on a machine", form=ISOLATED),
)

MODEL = Form[Assessed](
    "A model as a whole",
    *within(
        lambda whole: whole.model,
        Key("model", "word", "its name", lambda model: model.name),
        Key("title", "text", "in words"),
        Key("variables", "objects", "all variables", form=VARIABLE),
    ),
    Key("checks", "objects", "all", lambda m: [(c, m.found) for c in m.model.checks], CHECK),
    *within(
        lambda whole: whole.found,
        Key("tolerance", "probability", "nearer than this is alike"),
        Key(
            "faults",
            "objects",
            "all single faults",
            lambda found: zip(found.faults, found.share, strict=True),
            SHARED_FAULT,
        ),
        Key("ambiguity_groups", "objects", "what no check tells apart", lambda f: f.groups, GROUP),
        Key(
            "ambiguity_groups_with_questions",
            "objects",
            "the same with questions at the counter counted as checks",
            lambda found: found.groups_asked,
            GROUP,
        ),
        Key(
            "isolated_fraction",
            "probability for each count",
            "share of faults in a group of so many causes or fewer",
            lambda found: {most: found.isolated_fraction(most) for most in (1, 2, 3)},
        ),
        Key("pairs", "objects", "all pairs of faults", form=PAIR),
        Key("unseen", "objects", "no check speaks on them", form=FAULT),
        Key("silent", "objects", "left out: alone they do not bring the complaint", form=FAULT),
        Key("isolation", "object or null", "causes followed to the last check", form=ISOLATION),
    ),
)

BASIS = Form[Basis](
    "Where a figure comes from",
    Key("kind", "word", "guess, count or source"),
    Key("text", "text", "in words"),
    Key("worth", "number or null", "tickets that it counts as"),
)

TURN = Form[Turn](
    "Where the next check changes",
    Key("odds_factor", "number", "on the odds of the figure", lambda t: t.factor),
    Key("value", "probability", "what the figure is then"),
    Key("next", "word or null", "the check that is next then", lambda t: t.check or None),
)

HINGE = Form[Hinge](
    "A figure the next check hangs on",
    *within(
        lambda hinge: hinge.figure,
        Key("variable", "word", "whose figure it is"),
        Key("part", "text", "which part of its distribution"),
        Key("where", "text", "which row or link"),
        Key("state", "word", "the state it is of"),
        Key("value", "probability", "what it is"),
        Key("basis", "object or null", "where it comes from", form=BASIS),
    ),
    Key("margin", "number", "how far it is from the turn: a factor on its odds"),
    Key("down", "object or null", "the turn below it", form=TURN),
    Key("up", "object or null", "the turn above it", form=TURN),
)

SENSITIVITY = Form[Hanging](
    "The figures the next check hangs on",
    Key("model", "word", "its name", lambda hanging: hanging.model.name),
    *within(
        lambda hanging: hanging.found,
        Key("findings", "word for each finding", "what is known"),
        Key("next", "word or null", "the next check as it is", lambda s: s.check or None),
        Key("figures_moved", "count", "all that were tried", lambda s: s.moved),
        Key("figures_of_model", "count", "all that can be moved", lambda s: s.of),
        Key("figures_that_change_it", "count", "of these", lambda s: s.hanging),
        Key("farthest_odds_factor", "number", "how far each was moved", lambda s: s.farthest),
        Key("hinges", "objects", "the smallest margin first", form=HINGE),
    ),
)
